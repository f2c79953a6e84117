package fit

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/config"
	"liftbank/sensors/calibration"
)

// Whatever contradicts as the truth has it: what is sure is true, and what the truth alone leaves is found.
func TestPlacesAreTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 9).Draw(t, "n")
		truth := rapid.Permutation(seq(n)).Draw(t, "truth")
		p := newPlaces(n)
		whole := rapid.Bool().Draw(t, "whole")
		for ch := range n {
			for at := range n {
				p.not[ch][at] = at != truth[ch] && (whole || rapid.Bool().Draw(t, "not"))
			}
		}
		at, sure := settle(p.possible())
		for ch := range n {
			if sure[ch] && at[ch] != truth[ch] {
				t.Fatalf("%d is sure to be at %d and is at %d", ch, at[ch], truth[ch])
			}
			if at[ch] >= 0 && at[ch] != ch && at[ch] != truth[ch] {
				t.Fatalf("%d was moved to %d and is at %d", ch, at[ch], truth[ch])
			}
			if whole && (at[ch] != truth[ch] || !sure[ch]) {
				t.Fatalf("%d is at %d, not found", ch, truth[ch])
			}
		}
		taken := map[int]bool{}
		for _, a := range at {
			if a >= 0 && taken[a] {
				t.Fatalf("two at %d: %v", a, at)
			}
			taken[a] = true
		}
	})
}

func seq(n int) (all []int) {
	for i := range n {
		all = append(all, i)
	}
	return all
}

// A channel that nothing fits is on none of the places; its neighbors stay.
func TestADeadOne(t *testing.T) {
	p := newPlaces(3)
	for at := range 3 {
		p.not[1][at] = true
		p.not[0][at], p.not[2][at] = at != 0, at != 2
	}
	possible := p.possible()
	assert.Equal(t, [][]int{{0}, {-1}, {2}}, possible)
	at, sure := settle(possible)
	assert.Equal(t, []int{0, -1, 2}, at)
	assert.Equal(t, []bool{true, false, true}, sure)
}

func TestTyped(t *testing.T) {
	volts := Ask{Name: "volts", Unit: "V", Min: -60, Max: 60}
	for text, want := range map[string]float64{"12.7": 12.7, "12,7": 12.7, " 12.7 V ": 12.7, "12.7v": 12.7, "-0.5": -0.5, "−0.5": -0.5, "+3": 3, ".5": 0.5, "12.": 12} {
		got, half, err := volts.read(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
		assert.LessOrEqual(t, half, 0.5)
	}
	_, half, err := volts.read("12.70")
	require.NoError(t, err)
	assert.InDelta(t, 0.005, half, 1e-12)
	for _, text := range []string{"", "abc", "12.7 A", "1e3", "NaN", "Inf", "12.7.1", "12,7,1", "60.1", "-60.1", "0x10", "1_0", "١٢", "- 5", "5 -", strings.Repeat("1", 99)} {
		_, _, err := volts.read(text)
		assert.ErrorContains(t, err, "want a figure from -60 to 60 V", text)
	}
	assert.NoError(t, (&Ask{Optional: true}).Check(" "))
	assert.Error(t, (&Ask{Max: 1}).Check(" "))
}

func FuzzTyped(f *testing.F) {
	for _, s := range []string{"12.7", "12,7 V", "abc", "-", "−1", "1e9", ""} {
		f.Add(s)
	}
	a := Ask{Unit: "V", Min: -60, Max: 60}
	f.Fuzz(func(t *testing.T, text string) {
		v, half, err := a.read(text)
		if err == nil && (math.IsNaN(v) || v < -60 || v > 60 || half <= 0) {
			t.Fatalf("%q: %v ± %v", text, v, half)
		}
	})
}

// The volts at the pin lead back to the value for each law.
func TestPinVolts(t *testing.T) {
	for _, tt := range []struct {
		law    calibration.Scale
		supply float64
		values []float64
	}{
		{calibration.Divider{TopOhm: 1e5, BottomOhm: 1e4}, 0, []float64{-1, 0, 12.6, 31}},
		{calibration.Hall{ZeroV: 1.65, VPerA: -0.0025}, 0, []float64{-300, 0, 120}},
		{calibration.Shunt{ShuntOhm: 1e-4, Gain: 20, ZeroV: 1.65}, 0, []float64{-300, 0, 120}},
		{calibration.NTCBeta{R25Ohm: 1e4, BetaK: 3950, PullupOhm: 1e4, SupplyV: 3.3}, 3.3, []float64{-30, 0, 25, 60}},
	} {
		for _, want := range tt.values {
			pin, ok := pinVolts(tt.law, want, tt.supply)
			require.True(t, ok, "%T %v", tt.law, want)
			got, ok := tt.law.Physical(pin)
			require.True(t, ok)
			assert.InDelta(t, want, got, 1e-6, "%T", tt.law)
		}
	}
}

func examples(t *testing.T) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob("../../deploy/board-*.yaml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 4)
	all := map[string][]byte{}
	for _, f := range files {
		all[f], err = os.ReadFile(f)
		require.NoError(t, err)
	}
	return all
}

// Any fields of any example changed in its text read back as changed in the configuration, the comments
// and all other lines as they were.
func TestEditIsApply(t *testing.T) {
	texts := examples(t)
	var names []string
	for name := range texts {
		names = append(names, name)
	}
	slices.Sort(names)
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "board")
		text := texts[name]
		if rapid.Bool().Draw(t, "CRLF") {
			text = bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n"))
		}
		cfg, err := config.Parse(name, text)
		if err != nil {
			t.Fatal(err)
		}
		var all []Change
		for i := range cfg.Board.Channels {
			c := &cfg.Board.Channels[i]
			suffix := c.Suffix()
			all = append(all, Change{List: "channels", Index: i, Field: "calibration.offset" + suffix, To: "-0.0125"},
				Change{List: "channels", Index: i, Field: "calibration.gain", To: "1.01234"})
			for _, f := range scaleFields(&c.Scale, &c.Scale) {
				all = append(all, Change{List: "channels", Index: i, Field: "scale." + f.name, To: write(f.from * 0.99)})
			}
		}
		for i := range cfg.Board.Contacts {
			all = append(all, Change{List: "contacts", Index: i, Field: "active", To: rapid.SampledFrom([]string{"high", "low"}).Draw(t, "level")})
		}
		changes := rapid.SliceOfNDistinct(rapid.SampledFrom(all), 1, 6, rapid.ID).Draw(t, "changes")
		edited, err := Edit(name, text, changes)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Count(edited, []byte("#")) != bytes.Count(text, []byte("#")) {
			t.Fatal("comments are lost")
		}
		if diff := Diff(text, edited); len(diff) > 2*len(changes) {
			t.Fatalf("changed too much: %s", diff)
		}
	})
}

// What can't be edited in place is refused, and says what is to be done.
func TestEditRefuses(t *testing.T) {
	text := examples(t)["../../deploy/board-two-batteries.yaml"]
	for _, tt := range []struct {
		change Change
		want   string
	}{
		{Change{List: "channels", Index: 99, Field: "battery", To: "a"}, "no such entry"},
		{Change{List: "channels", Index: 0, Field: "scale.color", To: "1"}, "no such field"},
		{Change{List: "channels", Index: 0, Field: "scale.top_ohm", To: "abc"}, "invalid syntax"},
		{Change{List: "channels", Index: 0, Field: "scale.top_ohm", To: "1e99"}, "not valid"},
		{Change{List: "channels", Index: 0, Field: "battery", To: "b"}, "not valid"}, // twice then
		{Change{List: "contacts", Index: 0, Field: "pull", To: "up"}, "no such field"},
	} {
		_, err := Edit("unit.yaml", text, []Change{tt.change})
		assert.ErrorContains(t, err, tt.want, "%v", tt.change)
	}
	_, err := Edit("unit.yaml", []byte("unit: ["), nil)
	assert.Error(t, err)
}

func TestDiff(t *testing.T) {
	assert.Empty(t, Diff([]byte("a\nb"), []byte("a\nb")))
	assert.Equal(t, []string{"- b", "+ x", "+ y"}, Diff([]byte("a\nb\nc"), []byte("a\nx\nc\ny")))
}

// Every step has what to do; what is typed in it has a range; names are unique; a bank of one parts
// nothing.
func TestSteps(t *testing.T) {
	for name, text := range examples(t) {
		cfg, err := config.Parse(name, text)
		require.NoError(t, err)
		ids := map[string]bool{}
		for _, s := range Steps(&cfg) {
			assert.False(t, ids[s.ID], "%s: %s twice", name, s.ID)
			ids[s.ID] = true
			assert.NotEmpty(t, s.Do, s.ID)
			assert.NotEmpty(t, s.Title, s.ID)
			for _, a := range s.Asks {
				assert.Less(t, a.Min, a.Max, "%s %s", s.ID, a.Name)
			}
			if s.Runs {
				assert.Contains(t, s.Caution.String(), "nobody on it, under it", s.ID)
			}
			if s.Kind == Part {
				assert.Contains(t, s.Caution.String(), "lock and tag", s.ID)
			}
		}
		n := len(cfg.Bank.Batteries)
		assert.False(t, ids[stepID(Part, cfg.Bank.Batteries[n-1].ID)], "the last one follows from the others")
	}
}

// Frames that a board never gives end nothing: a step is not ready without readings, and nothing is
// concluded of what was skipped.
func TestNothingSeenNothingConcluded(t *testing.T) {
	text := examples(t)["../../deploy/board-four-batteries.yaml"]
	cfg, err := config.Parse("unit.yaml", text)
	require.NoError(t, err)
	s := NewSession(&cfg, State{})
	now := time.Date(2026, 3, 9, 6, 30, 0, 0, time.UTC)
	for at := range 2000 {
		f := FrameOf(&cfg)
		f.At = time.Duration(at) * 50 * time.Millisecond
		for i := range f.Readings {
			f.Readings[i] = Reading{Fault: "no answer", Lost: true}
		}
		s.Feed(f)
	}
	steps := 0
	for {
		st, ok := s.Step()
		if !ok {
			break
		}
		if st.Kind != Begin && st.Kind != Look && steps > 1 {
			typed := map[string]string{}
			for _, a := range st.Asks {
				typed[a.Name] = figure(math.Max(a.Min, 1))
			}
			require.ErrorIs(t, s.Answer(typed, now), ErrWait, st.ID)
		}
		s.Skip("no", now)
		if steps++; steps > 100 {
			t.Fatal("it does not end")
		}
	}
	for _, v := range s.Verdicts() {
		assert.Equal(t, Untested, v.Outcome, "%s %s: %s", v.Subject, v.Test, v.Text)
		assert.Empty(t, v.Changes)
	}
	assert.NotEmpty(t, s.Verdicts())
	d := s.Document(now, "test", "")
	assert.Len(t, d.Steps, steps)
}
