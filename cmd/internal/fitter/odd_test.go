package fitter_test

import (
	"encoding/json"
	"errors"
	"io/fs"
	"math/rand/v2"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/fit"
	"liftbank/agent/safefile"
	"liftbank/cmd/internal/fitter"
	"liftbank/sim"
)

// without returns a configuration without some lines.
func without(t *testing.T, text []byte, lines ...string) []byte {
	t.Helper()
	s := string(text)
	for _, l := range lines {
		re := regexp.MustCompile(`(?m)^ *- \{signal: ` + l + `.*\n(?:       scale.*\n)?`)
		require.Regexp(t, re, s)
		s = re.ReplaceAllString(s, "")
	}
	return []byte(s)
}

// A board without contacts, without the motor's and the feed's taps: runs are seen by the sensors alone,
// and what is there is found as elsewhere.
func TestABoardWithLittle(t *testing.T) {
	full := boards(t)["board-iio.yaml"] // no I2C bus of its own either
	bare := without(t, full, "wake_line", "motor_command", "disconnect", "motor_voltage", "feed_voltage", "battery_negative", "battery_temperature")
	bare = []byte(strings.Replace(string(bare), "  contacts:", "  # contacts:", 1))
	for _, m := range append([]fitter.Miswiring{{Name: "sound", Of: func(*config.Config) []fit.Change { return []fit.Change{} }}}, fitter.Miswirings...) {
		tr := newTrial(t, bare, m.Of, 11, true)
		if tr == nil {
			continue
		}
		r := tr.run(t)
		got, err := disk.ReadFile("/fit/unit.yaml")
		require.NoError(t, err)
		now := parse(t, got)
		assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "%s\n%s", m.Name, &tr.out)
		assert.Empty(t, said(r, fit.ByHand), m.Name)
	}
}

// A board that is read once a second, as the agent reads it.
func TestABoardReadSlowly(t *testing.T) {
	tr := newTrial(t, two(t), miswired(t, "swapped-taps"), 5, true)
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool { // waits longer
		f.Do(12*time.Second, func(*sim.Unit) {})
		f.Usual(st)
		return true
	}
	tr.fitter.EverySecond = true
	r := tr.run(t)
	got, err := disk.ReadFile("/fit/unit.yaml")
	require.NoError(t, err)
	now := parse(t, got)
	assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "%s", &tr.out)
	assert.Empty(t, said(r, fit.ByHand))
}

// Sensors and taps far noisier than their class: nothing is taken for wrong that is not.
func TestNoise(t *testing.T) {
	for _, name := range []string{"swapped-taps", "reversed-clamp", "swapped-clamps"} {
		tr := newTrial(t, two(t), miswired(t, name), 5, true)
		require.NoError(t, tr.fitter.Rig().Noise("current", 1.5))
		require.NoError(t, tr.fitter.Rig().Noise("voltage", 0.05))
		r := tr.run(t)
		got, err := disk.ReadFile("/fit/unit.yaml")
		require.NoError(t, err)
		now := parse(t, got)
		assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "%s\n%s", name, &tr.out)
		assert.Empty(t, said(r, fit.ByHand), name)
	}
}

// Both sensors on one battery's cable: named, nothing is changed for it.
func TestTwoSensorsOnOneCable(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, true)
	require.NoError(t, tr.fitter.Rig().Move("current-b", "current-a"))
	r := tr.run(t)
	assert.Contains(t, strings.Join(said(r, fit.ByHand), "\n"), "all of them may sit on that battery's cable")
	assert.Empty(t, said(r, fit.Changed), "%s", &tr.out)
	assert.False(t, r.Written)
}

// The state can't be stored, or each operation of that fails: it goes on, says so, and ends the same.
func TestTheStateCantBeStored(t *testing.T) {
	for _, every := range []int{1, 2, 3, 5, 7} {
		tr := newTrial(t, two(t), miswired(t, "inverted-disconnect"), 5, true)
		tr.fitter.Skip = map[fit.Kind]bool{fit.Part: true, fit.Run: true, fit.Negative: true, fit.MotorRun: true, fit.Wake: true}
		n := 0
		tr.disk.FailWith(func(_ int, op, name string) error {
			if !strings.Contains(name, ".fit") {
				return nil
			}
			if n++; n%every == 0 {
				return syscall.ENOSPC
			}
			return nil
		})
		tr.fitter.Answered = func() { tr.disk.FailWith(nil) }
		r, err := tr.fitter.Go(t.Context(), tr.terminal(t))
		if err != nil { // what was done before can't be read: nothing is begun over it
			assert.ErrorIs(t, err, safefile.ErrUnreadable, "every %d", every)
			continue
		}
		assert.Contains(t, tr.out.String(), "can't be stored")
		assert.True(t, r.Written)
		_, err = disk.Now().Stat("/fit/unit.yaml.fit")
		assert.ErrorIs(t, err, fs.ErrNotExist)
	}
}

// The power is cut between any two operations of the end: after the next start the configuration is whole,
// the old or the new one, and the fitting comes to its end from what was stored.
func TestThePowerIsCutAtTheEnd(t *testing.T) {
	for n := 1; ; n++ {
		tr := newTrial(t, two(t), miswired(t, "inverted-disconnect"), 5, true)
		tr.fitter.Skip = map[fit.Kind]bool{fit.Part: true, fit.Run: true, fit.Negative: true, fit.MotorRun: true, fit.Wake: true, fit.Post: true,
			fit.Breaker: true, fit.WakeOff: true, fit.Degrees: true}
		off := errors.New("power is off")
		begun, cut := 0, false
		tr.fitter.Answered = func() {
			begun = tr.disk.Operations()
			tr.disk.FailWith(func(at int, _, _ string) error {
				if at >= begun+n {
					cut = true
					return off
				}
				return nil
			})
		}
		_, err := tr.fitter.Go(t.Context(), tr.terminal(t))
		tr.fitter.Answered = nil
		if !cut {
			require.NoError(t, err)
			require.Greater(t, n, 10)
			return
		}
		after := tr.disk.Cut(rand.New(rand.NewPCG(uint64(n), 1)))
		undo := disk.Use(after)
		tr.disk = after
		text, err := disk.ReadFile("/fit/unit.yaml")
		require.NoError(t, err, "cut at %d", n)
		parse(t, text)
		r, err := tr.fitter.Go(t.Context(), tr.terminal(t))
		require.NoError(t, err, "cut at %d", n)
		got, err := disk.ReadFile("/fit/unit.yaml")
		require.NoError(t, err)
		now := parse(t, got)
		assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "cut at %d", n)
		data, err := disk.ReadFile(r.Record)
		require.NoError(t, err)
		require.True(t, json.Valid(data))
		undo()
		require.Less(t, n, 100)
	}
}
