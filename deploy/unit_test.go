package deploy_test

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/deploy"
	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim/board"
)

// unitAgent is a whole agent on emulated input chips, in real time: a bank at rest, a motor run of
// one second from the first to the second, and a thermistor that is off, which is found after
// another.
type unitAgent struct {
	page string      // its page's address
	logs chan string // the errors that it logs
	stop func()
}

// contacts are those of the example: wake line off, motor command on during the run, disconnect
// closed.
type contacts struct {
	clock sensors.Clock
	seen  time.Duration
}

const runBegins, runEnds = time.Second, 2 * time.Second

func runs(at time.Duration) bool { return at >= runBegins && at < runEnds }

// Level returns a contact's state.
func (c *contacts) Level(i int) (on, known bool) {
	return i == 2 || i == 1 && runs(c.clock.Now()), true
}

// Take returns what changed since the last call.
func (c *contacts) Take(buf []sensors.Edge) []sensors.Edge {
	now := c.clock.Now()
	for _, at := range []time.Duration{runBegins, runEnds} {
		if c.seen < at && at <= now {
			buf = append(buf, sensors.Edge{Contact: 1, On: at == runBegins, At: at})
		}
	}
	c.seen = now
	return buf
}

// startUnit runs the agent of a unit with the example's board. mqtt is the section of that name.
func startUnit(t *testing.T, unit, mqtt string) *unitAgent {
	t.Helper()
	text := strings.NewReplacer(
		"id: lift-1 ", "id: "+unit+" ", "sense_fault_after: 30s", "sense_fault_after: 1s", "rest_every: 1s",
		"rest_every: 200ms",
	).
		Replace(string(deploy.BoardTwoBatteries)) + "\nmqtt: " + mqtt + "\n"
	cfg, err := config.Parse("unit.yaml", []byte(text))
	require.NoError(t, err)

	clock := sensors.NewRealClock()
	volts, amps := board.NewChip(0x48, clock, board.Options{}), board.NewChip(0x49, clock, board.Options{})
	tap, hall := board.Divider{TopOhm: 100e3, BottomOhm: 10e3}, board.Hall{ZeroV: 1.65, VPerA: 0.0025}
	sag := func(rest, loaded float64) board.Analog {
		return func(at time.Duration) float64 {
			if runs(at) {
				return tap.PinV(loaded)
			}
			return tap.PinV(rest)
		}
	}
	volts.Connect(0, sag(12.6, 12.2))
	volts.Connect(1, sag(12.6, 12.2))
	volts.Connect(2, sag(0, 0.03))
	volts.Connect(3, sag(0, 12))
	for ain := range 2 {
		amps.Connect(ain, func(at time.Duration) float64 {
			if runs(at) {
				return hall.PinV(-60)
			}
			return hall.PinV(0)
		})
	}
	amps.Connect(2, sag(0, 0))
	amps.Connect(3, func(time.Duration) float64 { return 3.3 }) // the thermistor's wire is off: the pin is pulled up
	bus := board.NewBus(clock, volts, amps)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	u := &unitAgent{page: "http://" + l.Addr().String(), logs: make(chan string, 1000)}
	a, err := agent.New(agent.Options{
		Config: cfg, Listener: l, Session: fmt.Sprintf(
			"%x", time.Now().UnixNano(),
		), Version: "test", Log: slog.New(errorsOnly{u.logs}), Now: time.Now,
		Parts: agent.Parts{
			Chips:    []sensors.Chip{ads1115.New(bus, 0x48, clock), ads1115.New(bus, 0x49, clock)},
			Contacts: &contacts{clock: clock}, Clock: clock, Wall: agent.SystemWall,
		},
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	u.stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, receive(t, ended, "the agent to end"))
	})
	t.Cleanup(u.stop)
	return u
}

// metric returns a line of the unit's metrics without its name; empty when there is none.
func (u *unitAgent) metric(t *testing.T, name string) string {
	t.Helper()
	for line := range strings.Lines(get(t, u.page+"/metrics")) {
		if rest, ok := strings.CutPrefix(line, name+" "); ok {
			return strings.TrimSpace(rest)
		}
	}
	return ""
}

// errorsOnly is a log handler that keeps the errors which are logged.
type errorsOnly struct{ to chan<- string }

// Enabled takes everything.
func (errorsOnly) Enabled(context.Context, slog.Level) bool { return true }

// Handle keeps a record that has an error.
func (h errorsOnly) Handle(_ context.Context, r slog.Record) error {
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == "err" {
			h.to <- a.Value.String()
		}
		return true
	})
	return nil
}

// WithAttrs keeps nothing of them.
func (h errorsOnly) WithAttrs([]slog.Attr) slog.Handler { return h }

// WithGroup keeps nothing of it.
func (h errorsOnly) WithGroup(string) slog.Handler { return h }
