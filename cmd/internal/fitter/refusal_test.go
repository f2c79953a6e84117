package fitter_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/fit"
	"liftbank/cmd/internal/fitter"
	"liftbank/cmd/internal/fitting"
	"liftbank/sim"
)

func two(t *testing.T) []byte { t.Helper(); return boards(t)["board-two-batteries.yaml"] }

func miswired(t *testing.T, name string) func(*config.Config) []fit.Change {
	t.Helper()
	m, err := fitter.Named(name)
	require.NoError(t, err)
	return m.Of
}

// changing returns one field that is written otherwise.
func changing(list string, index int, name, to string) func(*config.Config) []fit.Change {
	return func(*config.Config) []fit.Change {
		return []fit.Change{{List: list, Index: index, Field: name, To: to}}
	}
}

const (
	clampA = 4 // board.channels of board-two-batteries.yaml
	clampB = 5
)

func find(r fitting.Result, subject, test string) fit.Verdict {
	for _, v := range r.Document.Verdicts {
		if v.Subject == subject && v.Test == test {
			return v
		}
	}
	return fit.Verdict{}
}

// Several mis-wirings at once are found like each alone.
func TestSeveralAtOnce(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 3))
	for name, text := range boards(t) {
		for k := range rounds() {
			t.Run(fmt.Sprint(name, "/", k), func(t *testing.T) {
				var names []string
				all := func(cfg *config.Config) []fit.Change {
					now, changes := *cfg, []fit.Change{}
					for _, m := range fitter.Miswirings {
						if r.IntN(2) == 0 {
							continue
						}
						more := m.Of(&now)
						var err error
						now, err = fit.Apply(now, more)
						require.NoError(t, err)
						changes, names = append(changes, more...), append(names, m.Name)
					}
					return changes
				}
				tr := newTrial(t, text, all, uint64(k+100), true)
				res := tr.run(t)
				got, err := disk.ReadFile("/fit/unit.yaml")
				require.NoError(t, err)
				now := parse(t, got)
				assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "%s: %s", names, fit.Diff(text, got))
				assert.Empty(t, said(res, fit.ByHand), names)
				if t.Failed() {
					t.Logf("%s", &tr.out)
				}
			})
		}
	}
}

// What is mis-scaled and has no label that can be read is named, with what to check, and stays as it is.
func TestWithoutLabelsNothingIsGuessed(t *testing.T) {
	for name, want := range map[string]string{"half-scale-clamp": "v_per_a", "wrong-divider": "top_ohm", "wrong-thermistor": "marking"} {
		tr := newTrial(t, two(t), miswired(t, name), 3, true)
		tr.fitter.NoLabels = true
		r := tr.run(t)
		require.Len(t, said(r, fit.ByHand), 1, name)
		assert.Contains(t, said(r, fit.ByHand)[0], want)
		assert.Empty(t, said(r, fit.Changed))
		assert.False(t, r.Written)
	}
}

// A label that does not explain what is shown changes nothing.
func TestALabelThatDoesNotExplain(t *testing.T) {
	tr := newTrial(t, two(t), miswired(t, "half-scale-clamp"), 3, true)
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.Kind != fit.Label {
			return false
		}
		f.Type(time.Second, func() string { return "3.1 mV/A" })
		f.Type(time.Second, func() string { return "" })
		return true
	}
	r := tr.run(t)
	require.Len(t, said(r, fit.ByHand), 1)
	assert.Contains(t, said(r, fit.ByHand)[0], "does not explain")
	assert.False(t, r.Written)
}

// Without the runs that tell the batteries apart nothing is moved, nor calibrated to another's current.
func TestSwappedAndNotTold(t *testing.T) {
	for seed := range uint64(6) {
		for _, name := range []string{"swapped-taps", "swapped-clamps"} {
			tr := newTrial(t, two(t), miswired(t, name), seed+1, true)
			tr.fitter.Skip = map[fit.Kind]bool{fit.Part: true}
			r := tr.run(t)
			assert.Empty(t, said(r, fit.Changed), "%s", &tr.out)
			assert.False(t, r.Written)
			assert.Equal(t, fit.Untested, find(r, "battery_current_a", "place").Outcome)
			assert.Contains(t, find(r, "battery_voltage_a", "place").Text, "could not be told from the tap of battery b")
		}
	}
}

// A sensor that is off like a poor one is measured twice, then calibrated; afterward nothing is left to
// change.
func TestATolerance(t *testing.T) {
	for _, tt := range []struct {
		name   string
		wrong  func(*config.Config) []fit.Change
		test   string
		fields []string
	}{
		{"8 % low", changing("channels", clampB, "scale.v_per_a", "0.00274"), "size", []string{"calibration.gain"}},
		{"8 % low and reversed", changing("channels", clampB, "scale.v_per_a", "-0.00274"), "size", []string{"calibration.gain"}},
		{"2.8 A off", changing("channels", clampA, "scale.zero_v", "1.657"), "zero", []string{"calibration.offset_a"}},
		{"a tap 4 % high", changing("channels", 1, "scale.top_ohm", "104500"), "size", []string{"calibration.gain"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tr := newTrial(t, two(t), tt.wrong, 5, false)
			r := tr.run(t)
			require.True(t, r.Written, "%s", &tr.out)
			var fields []string
			for _, v := range r.Document.Verdicts {
				for _, c := range v.Changes {
					fields = append(fields, c.Field)
				}
			}
			for _, f := range tt.fields {
				assert.Contains(t, fields, f)
			}
			assert.Empty(t, said(r, fit.ByHand))
			again := tr.run(t)
			assert.Empty(t, said(again, fit.Changed))
			assert.Empty(t, said(again, fit.ByHand))
		})
	}
}

// Two measurements that do not agree calibrate nothing.
func TestTwoMeasurementsThatDisagree(t *testing.T) {
	tr := newTrial(t, two(t), changing("channels", clampB, "scale.v_per_a", "0.00274"), 5, false)
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.Kind != fit.Begin {
			return false
		}
		for _, line := range []string{"", "", "0.5", "0.1", ""} {
			f.Type(time.Second, func() string { return line })
		}
		return true
	}
	n := 0
	tr.fitter.Answer = func(st fit.Step, line string) string {
		if st.ID != "run-b" {
			return line
		}
		if n++; n > 2 {
			return "skip"
		}
		return []string{"53.8", "52.9"}[n-1]
	}
	r := tr.run(t)
	assert.Empty(t, said(r, fit.Changed))
	assert.Equal(t, fit.Untested, find(r, "battery_current_b", "size").Outcome)
	assert.Contains(t, tr.out.String(), "two measurements do not agree")
}

// A zero that is no tolerance asks for the label, and takes it.
func TestAZeroOfAnotherSensor(t *testing.T) {
	tr := newTrial(t, two(t), changing("channels", clampA, "scale.zero_v", "1.75"), 5, true)
	r := tr.run(t)
	got, err := disk.ReadFile("/fit/unit.yaml")
	require.NoError(t, err)
	now := parse(t, got)
	assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "%s\n%s", fit.Diff(two(t), got), &tr.out)
	assert.Empty(t, said(r, fit.ByHand))
}

// The motor's tap on a battery's input: named, and left to be swapped by hand.
func TestTapsOfDifferentKinds(t *testing.T) {
	text := string(two(t))
	text = strings.Replace(text, "- signal: motor_voltage # at the motor terminal\n      chip: volts\n      input: AIN3", "- signal: motor_voltage\n      chip: volts\n      input: AIN1", 1)
	text = strings.Replace(text, "battery: b\n      chip: volts\n      input: AIN1", "battery: b\n      chip: volts\n      input: AIN3", 1)
	tr := newTrial(t, two(t), nil, 5, true)
	tr.text = []byte(text)
	require.NotEqual(t, string(two(t)), text)
	w, err := disk.Now().OpenFile("/fit/unit.yaml", 0x241, 0o600) // write, create, truncate
	require.NoError(t, err)
	_, err = w.Write([]byte(text))
	require.NoError(t, errors.Join(err, w.Close()))
	r := tr.run(t)
	assert.Contains(t, find(r, "battery_voltage_b", "place").Text, "swap the wires")
	assert.Contains(t, find(r, "motor_voltage", "place").Text, "the tap of battery b")
	assert.Empty(t, said(r, fit.Changed))
	assert.False(t, r.Written)
}

// A sensor that is dead, a tap whose wire is off: named, and nothing is swapped for them.
func TestDeadWires(t *testing.T) {
	for channel, subject := range map[string]string{"current-a": "battery_current_a", "voltage-b": "battery_voltage_b", "motor": "motor_voltage"} {
		tr := newTrial(t, two(t), nil, 5, true)
		value := 0.0
		if channel != "current-a" {
			value = 0.02
		}
		require.NoError(t, tr.fitter.Rig().Stick(channel, value))
		r := tr.run(t)
		assert.Empty(t, said(r, fit.Changed), channel)
		assert.False(t, r.Written)
		bad := said(r, fit.ByHand)
		assert.NotEmpty(t, bad, channel)
		assert.True(t, slices.ContainsFunc(bad, func(s string) bool { return strings.HasPrefix(s, subject) }), "%s: %s", channel, bad)
	}
}

// Typed nonsense is asked for again, and a comma and a unit are taken.
func TestTypedNonsense(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, true)
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.ID != "post-a" {
			return false
		}
		v := f.Rig().Unit.Signals().Battery[0].PositiveV
		for _, line := range []string{"abc", "", "12.7 A", "1e3", "NaN", "--", "99", "12,7,1", strings.Repeat("9", 400)} {
			f.Type(time.Second, func() string { return line })
		}
		f.Type(6*time.Second, func() string { return strings.Replace(fmt.Sprintf("%.2f V", v), ".", ",", 1) })
		return true
	}
	r := tr.run(t)
	assert.Equal(t, 9, strings.Count(tr.out.String(), "want a figure from -60 to 60 V"))
	assert.Equal(t, fit.Good, find(r, "battery_voltage_a", "size").Outcome)
	assert.Empty(t, said(r, fit.Changed))
}

// A run that ends early does not count.
func TestAShortRun(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, true)
	first := true
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.ID == "run-a" && first {
			first = false
			f.Run(6*time.Second, 2*time.Second)
			f.Type(3*time.Second, func() string { return "55" })
			f.Usual(st)
			return true
		}
		return false
	}
	r := tr.run(t)
	assert.Contains(t, tr.out.String(), "The run lasted 2.1 s; 7.5 s are needed. Run again.")
	assert.Contains(t, tr.out.String(), "no run of 7.5 s has been seen")
	assert.Empty(t, said(r, fit.ByHand))
}

// The supply gives out while the pump runs: the run does not count, and the record says so.
func TestABrownOutInTheRun(t *testing.T) {
	t.Run("a dip", func(t *testing.T) { brownOut(t, 0) })
	t.Run("a while", func(t *testing.T) { brownOut(t, 300*time.Millisecond) })
}

func brownOut(t *testing.T, away time.Duration) {
	t.Helper()
	tr := newTrial(t, two(t), nil, 5, true)
	first := true
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.ID == "run-b" && first {
			first = false
			f.Do(6*time.Second, func(u *sim.Unit) { u.Button(true) })
			f.Do(3*time.Second, func(*sim.Unit) {
				for ms := range 20 {
					f.Rig().After(time.Duration(ms)*time.Millisecond/3, f.Rig().BrownOut)
				}
				f.Rig().Silence(0, away > 0)
				f.Rig().Silence(1, away > 0)
			})
			f.Do(away, func(*sim.Unit) {
				f.Rig().Silence(0, false)
				f.Rig().Silence(1, false)
			})
			f.Do(6*time.Second, func(u *sim.Unit) { u.Button(false) })
			f.Type(3*time.Second, func() string { return "60" })
			f.Usual(st)
			return true
		}
		return false
	}
	r := tr.run(t)
	assert.Contains(t, tr.out.String(), "This run does not count")
	require.Len(t, said(r, fit.ByHand), 1, "%s", &tr.out)
	assert.Contains(t, said(r, fit.ByHand)[0], "supply")
	assert.Empty(t, said(r, fit.Changed))
	assert.Equal(t, fit.Good, find(r, "battery_current_b", "size").Outcome, "the next run counts")
}

// A chip that goes silent in a step: the step is not taken until it answers again.
func TestASilentChip(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, true)
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.ID != "post-b" {
			return false
		}
		v := f.Rig().Unit.Signals().Battery[1].PositiveV
		f.Do(2*time.Second, func(*sim.Unit) { f.Rig().Silence(0, true) })
		f.Type(4*time.Second, func() string { return fmt.Sprintf("%.2f", v) })
		f.Do(2*time.Second, func(*sim.Unit) { f.Rig().Silence(0, false) })
		f.Type(6*time.Second, func() string { return fmt.Sprintf("%.2f", v) })
		return true
	}
	r := tr.run(t)
	assert.Contains(t, tr.out.String(), "input chip volts gave no readings (no answer): check its wires and supply")
	assert.Empty(t, said(r, fit.ByHand))
	assert.Equal(t, fit.Good, find(r, "battery_voltage_b", "size").Outcome)
}

// It is left after each step and taken up again: the end is the same.
func TestTakenUpAfterEachStep(t *testing.T) {
	tr := newTrial(t, two(t), miswired(t, "swapped-taps"), 5, true)
	steps, left := 0, 0
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if steps++; steps%2 == 0 { // shown a second time
			return false
		}
		f.Type(2*time.Second, func() string { return "quit" })
		return true
	}
	for {
		r, err := tr.fitter.Go(t.Context(), tr.terminal(t))
		if errors.Is(err, fitting.ErrLeft) {
			if left++; left > 60 {
				t.Fatal("it does not come to an end")
			}
			steps = 1
			continue
		}
		require.NoError(t, err)
		assert.True(t, r.Written)
		got, err := disk.ReadFile("/fit/unit.yaml")
		require.NoError(t, err)
		now := parse(t, got)
		assert.True(t, fit.Same(&tr.wired.Board, &now.Board))
		assert.Greater(t, left, 10)
		return
	}
}

// A configuration that changed meanwhile is refused, and --restart begins anew.
func TestAnotherConfiguration(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, true)
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.Kind == fit.Post {
			f.Type(time.Second, func() string { return "quit" })
			return true
		}
		return false
	}
	_, err := tr.fitter.Go(t.Context(), tr.terminal(t))
	require.ErrorIs(t, err, fitting.ErrLeft)
	term := tr.terminal(t)
	term.Text = append(slices.Clone(term.Text), "# more\n"...)
	_, err = tr.fitter.Go(t.Context(), term)
	require.ErrorContains(t, err, "--restart")
	term.Restart, tr.fitter.Instead = true, nil
	_, err = tr.fitter.Go(t.Context(), term)
	require.NoError(t, err)
}

// Each file operation of the end fails, once or from then on: the configuration is the old one or the new
// one, whole, what was done is not lost before the record is written, and the next try comes to the end.
func TestEachOperationOfTheEndFails(t *testing.T) {
	for _, forever := range []bool{false, true} {
		for n := 1; ; n++ {
			tr := newTrial(t, two(t), miswired(t, "inverted-disconnect"), 5, true)
			tr.fitter.Skip = map[fit.Kind]bool{}
			for _, k := range []fit.Kind{fit.Post, fit.Part, fit.Run, fit.Negative, fit.MotorRun, fit.Breaker, fit.Wake, fit.WakeOff, fit.Degrees} {
				tr.fitter.Skip[k] = true
			}
			begun, failed := 0, false
			term := tr.terminal(t)
			arm := func() {
				begun = tr.disk.Operations()
				tr.disk.FailWith(func(at int, _, _ string) error {
					if at == begun+n || forever && at > begun+n {
						failed = true
						return syscall.EIO
					}
					return nil
				})
			}
			tr.fitter.Answered = arm
			r, err := tr.fitter.Go(t.Context(), term)
			tr.disk.FailWith(nil)
			tr.fitter.Answered = nil
			got, readErr := disk.ReadFile("/fit/unit.yaml")
			require.NoError(t, readErr)
			isNew := string(got) != string(tr.text)
			cfg := parse(t, got)
			if isNew {
				assert.True(t, fit.Same(&tr.wired.Board, &cfg.Board))
			}
			if err == nil {
				assert.True(t, isNew, "operation %d", n)
				var doc fit.Document
				data, err := disk.ReadFile(r.Record)
				require.NoError(t, err)
				require.NoError(t, json.Unmarshal(data, &doc))
				assert.Equal(t, fit.Hash(got), doc.After)
			} else if !isNew {
				again, err := tr.fitter.Go(t.Context(), tr.terminal(t))
				require.NoError(t, err, "operation %d", n)
				assert.True(t, again.Written)
			}
			if !failed {
				require.Greater(t, n, 5)
				break
			}
			require.Less(t, n, 100)
		}
	}
}

// rounds is how often what is drawn at random is drawn.
func rounds() int {
	if os.Getenv("LIFTBANK_LONG") != "" {
		return 20
	}
	return 1
}
