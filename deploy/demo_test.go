package deploy_test

import (
	"os"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
)

// demo starts the program's demonstration. It runs once it has said how fast.
func demo(t *testing.T, before []string, args ...string) *process {
	t.Helper()
	all := append(append(before, liftbank(t), "demo", "--past", "0s", "--listen", "127.0.0.1:0"), args...)
	p := launch(t, program(t, all[0], "coreutils"), all[1:]...)
	p.says(t, "\nspeed ")
	return p
}

// endsInOrder waits for the end of a demonstration: one that a signal has ended is an error.
func endsInOrder(t *testing.T, p *process, why any) {
	t.Helper()
	receive(t, p.ends, "its end")
	assert.NoError(t, p.err, why)
}

// Each signal that asks a program to end has it end in order. This process may have been started so
// that it ignores some, which its children do, too: those start afresh.
func TestSignalsEndInOrder(t *testing.T) {
	for _, s := range []os.Signal{syscall.SIGHUP, syscall.SIGTERM, os.Interrupt} {
		p := demo(t, []string{"env", "--default-signal"})
		p.tell(s)
		endsInOrder(t, p, s)
	}
}

// nohup keeps SIGHUP from ending it: the next signal does.
func TestSIGHUPIsIgnoredWhereItWas(t *testing.T) {
	p := demo(t, []string{"nohup"}, "--speed", "600", "--for", "4s")
	p.tell(syscall.SIGHUP)
	endsInOrder(t, p, "after four seconds")
	assert.Regexp(t, `stopped   after 0\.[5-9]`, p.output(), "the whole time was played: 2400 s are 0.67 h")
}

// A fleet's broker is tried without a board: with its certificate the unit's status arrives, with
// another unit's it does not, and the program says so.
func TestDemoTriesAFleetsBroker(t *testing.T) {
	b := newFleetBroker(t)
	cert, key := b.sign(t, "trial", "lift-9", false)
	arrived := follow(t, b.mustJoin(t, "fleet.reader"), "liftbank/v1/+/status")
	trial := []string{"--broker", "mqtts://" + b.address, "--broker-ca", b.caFile(), "--broker-cert", cert, "--broker-key", key}
	p := demo(t, nil, append(trial, "--unit", "lift-9")...)
	a := receive(t, arrived, "status")
	assert.Equal(t, "liftbank/v1/lift-9/status", a.topic)
	assert.Equal(t, "online", statusOf(t, a))
	p.tell(syscall.SIGTERM)
	endsInOrder(t, p, "with its own certificate")
	p = demo(t, nil, "--unit", "lift-9", "--broker", "mqtts://"+b.address, "--broker-ca", b.caFile())
	p.says(t, "certificate")
	p.tell(syscall.SIGTERM)
	endsInOrder(t, p, "without one")
}
