package detect_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

// What may be drawn for a figure: what good sensors say, what bad ones do, and what can't be.
var (
	volts = []string{"12.6", "12.1", "10.2", "13.9", "14.6", "15.4", "25.3", "3.2", "0.4", "-0.7",
		"20.5 saturated", "0 saturated", "99 impossible"}
	amps     = []string{"0", "0.1", "-0.6", "0.7", "3.2", "22", "-35", "-120", "210 saturated", "-5000"}
	celsius  = []string{"25", "51", "-12", "-31", "48", "140 impossible"}
	missing  = []string{"none", "waiting", "silent", "stuck", "not-ready", "saturated", "reset", "impossible"}
	contacts = []string{"none", "off", "on", "unread"}
	percent  = []string{"unknown", "100 ± 1", "90 ± 2", "58 ± 1", "20 ± 3", "0 ± 5", "50 ± 40"}
	yesNo    = []string{"yes", "no"}
	last     = []string{"now", "1h", "8d", "never"}

	drawnOfBattery = map[string][]string{
		"voltage": volts, "post": append([]string{"12.5", "24.9", "25.1"}, volts...), "counted in": {"0", "40"}, "negative": {"0", "0.1", "0.5", "-0.4", "12 saturated"}, "current": amps,
		"temperature": celsius, "charge": percent,
		"cranking": {"unknown", "900 ± 20", "400 ± 30", "0 ± 0"}, "resistance": {"unknown", "5 ± 0.1", "7 ± 0.1"},
		"capacity": {"unknown", "60 ± 4"}, "verdict": {"unknown", "fit", "fit-low", "tired", "failed"},
		"dead cell": yesNo, "rests like": {"agm", "itself"},
		"rested": {"unknown", "12.2 ± 0.05", "12.2 ± 0.3", "12.6 ± 0.02"}, "at rest": yesNo, "full": last,
		"maybe full": last,
		"chemistry":  {"flooded", "agm", "gel"}, "drawn": {"0", "0.2", "5", "7"}, "share of a run": {"0", "0.5", "1"},
		"still voltage": {"0", "2", "3"}, "still current": {"0", "1", "3"}, "suspect": yesNo,
	}
	drawnOfUnit = map[string][]string{
		"wake": contacts, "command": contacts, "disconnect": contacts, "feed voltage": volts, "terminal": volts,
		"input": volts, "controls": volts, "ambient": celsius, "oil": {"0", "72", "171", "260 impossible"},
		"held diff": {"unknown", "0.4 ± 0.1"}, "taps class": {"1 %", "0.1 %"},
		"lamp": contacts, "lamp on bank": yesNo, "idle input": {"unknown", "14", "12.1"},
		"held": {"0 for 0s", "172 for 2s", "120 for 9s"}, "relief at": {"0", "90", "171", "230"},
		"oil over usual": {"0.5", "1", "1.4"},
		"clock":          {"set", "unsure"},
		"charge":         percent, "spread": {"unknown", "3 ± 1", "30 ± 4"}, "parked draw": {"unknown", "0.02 ± 0.01"},
		"rested": {"unknown", "12.2 ± 0.02", "12.7 ± 0.02"}, "quiet": yesNo,
		"relief": {"0s", "4s", "9s"}, "lifting at": {"0", "100"}, "learned runs": {"0", "30"},
		"compared runs": {"0", "12"},
		"ratio":         {"0", "0.7", "1", "1.3", "50"}, "usual": {"0", "110"}, "last run": {"0", "130"},
		"drop runs":    {"0", "3"},
		"drop":         {"2 mΩ at 110 A from 11.8 V", "9 mΩ at 90 A from 10 V", "-3 mΩ at 120 A from 12 V"},
		"feed":         {"unknown", "off", "starting", "present", "missing", "unrequested"},
		"feed current": {"unknown", "0.2", "12", "38"},
		"feed can":     {"unknown", "40"}, "feed carries": yesNo,
		"motor leads":   {"unknown", "same-post on a", "diagonal", "between on c"},
		"since service": {"0 cycles 0h", "900 cycles 2h", "1 cycles 90h"}, "known days": {"0", "4"}, "chips": {"volts amps", "one"},
		"midnights": {"80 84", "80 79", "97 99"}, "feed hours": {"0", "3", "23"}, "wake hours": {"0", "4"},
		"incomplete": yesNo,
		"balance":    {"unknown", "-9 Ah a day", "4 Ah a day"}, "confirmed fall": {"0 ± 1", "9 ± 1"},
		"extra hours": {"0", "2", "30"},
	}
	drawnWords = []string{
		"wait 1s", "wait 10s", "wait 30s by 10s", "wait 5m by 30s", "wait 1h by 10m", "wait 2d by 2h", "gap 21m",
		"gap 2d", "joints opened",
		"new battery a", "new battery b", "new battery c", "new battery d", "day ends", "work day ends",
		"work day ends", "fall charge 90 to 60 in 5d by 2h",
		"link positive a-b: 5 ± 0.3", "link negative b-c: 200 ± 60", "link positive a-b: 0.5 ± 0.1",
		"link negative a-b: unknown",
		"joint positive b: 1.4 ± 0.1", "joint positive b: unknown", "doubt battery a voltage: noise",
		"doubt feed voltage: feed-low",
		"doubt battery a voltage: none", "doubt battery b temperature: jump",
	}
)

// command draws one line of commands; running says whether a motor run is under way.
func command(t *rapid.T, running bool) string {
	of := func(whose string, figures map[string][]string) string {
		key := rapid.SampledFrom(sorted(figures)).Draw(t, "figure")
		values := figures[key]
		readings := []string{"voltage", "negative", "current", "temperature", "feed voltage", "terminal", "input",
			"controls", "ambient", "oil"}
		if slices.Contains(readings, key) {
			values = append(slices.Clone(values), missing...)
		}
		return whose + ": " + key + " = " + rapid.SampledFrom(values).Draw(t, "value")
	}
	switch rapid.IntRange(0, 9).Draw(t, "kind") {
	case 0, 1:
		return of(rapid.SampledFrom([]string{"a", "b", "c", "d"}).Draw(t, "battery"), drawnOfBattery)
	case 2:
		return of("all", drawnOfBattery)
	case 3, 4:
		return of("unit", drawnOfUnit)
	case 5:
		if running {
			return "unit: motor = " + rapid.SampledFrom([]string{"stopped", "did not run"}).Draw(t, "motor")
		}
		return "unit: motor = running"
	case 6: // all well again
		return "all: voltage = 12.6, current = 0, temperature = 25, negative = none, verdict = fit, dead cell = no"
	}
	return rapid.SampledFrom(drawnWords).Draw(t, "words")
}

func sorted(figures map[string][]string) (keys []string) {
	for k := range figures {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// Whatever is read and done, in a bank of any size: nothing panics, every change of the book
// follows from the one before, what is saved can be saved, and a restart in between changes nothing
// that is said.
func TestWhateverHappens(t *testing.T) {
	_, signs := drawnUnits(t, "")
	for k, sign := range signs {
		t.Run(sign, func(t *testing.T) {
			t.Parallel()
			rapid.Check(t, func(t *rapid.T) {
				a, _ := drawnUnits(t, "")
				b, _ := drawnUnits(t, "")
				straight, stopped := a[k], b[k]
				if rapid.Bool().Draw(t, "everything fitted") {
					for _, u := range []*played{straight, stopped} {
						u.do("limit oil.relief_up_bar = 170")
						u.do("fit everything")
					}
				}
				var changes, again []finding.Change
				check := consistent(t, straight)
				straight.seen = func(c finding.Change) { changes = append(changes, c); check(c) }
				stopped.seen = func(c finding.Change) { again = append(again, c) }
				for range rapid.IntRange(1, 40).Draw(t, "commands") {
					line := command(t, straight.f.State.Motor.Running)
					straight.do(line)
					stopped.do(line)
					// What belongs to a motor run is not saved: it is over, and the next begins
					// later.
					if !straight.f.State.Motor.Running && rapid.IntRange(0, 3).Draw(t, "restart") == 0 {
						straight.do("wait 1s")
						stopped.do("wait 1s")
						stopped.restart()
						straight.do("wait 1s")
						stopped.do("wait 1s")
					}
					require.Equal(t, changes, again, line)
					look(t, straight)
					require.Equal(t, saved(t, straight), saved(t, stopped), line)
				}
			})
		})
	}
}

// consistent returns a check of one change after another: raised and cleared alternate for each
// record, the numbers go up by one, and what is active in the book is what was raised.
func consistent(t *rapid.T, u *played) func(c finding.Change) {
	active, seq := map[int]bool{}, uint64(0)
	return func(c finding.Change) {
		seq++
		require.Equal(t, seq, c.Seq)
		switch c.Kind {
		case finding.Raised:
			require.False(t, active[c.Record], "raised twice")
			active[c.Record] = true
		case finding.Cleared:
			require.True(t, active[c.Record], "cleared without having been raised")
			active[c.Record] = false
		default:
			require.Equal(t, finding.Explained, c.Kind, "nobody did anything")
		}
		require.LessOrEqual(t, c.At, u.f.At.Mono)
	}
}

// look checks what can be said of every record at any time.
func look(t *rapid.T, u *played) {
	active := map[string]bool{}
	for i := range u.f.Book.Records {
		r := &u.f.Book.Records[i]
		active[r.Def.Name] = active[r.Def.Name] || r.Active()
		label := r.Def.Name + " " + r.Subject
		if r.Active() {
			require.NotEmpty(t, r.Evidence, label)
		}
		require.Equal(t, r.Active(), r.State == finding.Unacknowledged, label)
		for _, e := range r.Evidence {
			require.False(t, math.IsNaN(e.Value) || math.IsInf(e.Value, 0), "%s: %s", label, e.What.ID)
			require.NotNil(t, e.What)
		}
		for _, l := range r.Likely {
			require.Contains(t, r.Def.Causes, l.Cause, "%s: a cause that it does not have", label)
			require.NotEmpty(t, l.Reason.Said(), label)
		}
		if c := r.CausedBy; c >= 0 {
			require.NotEqual(t, i, c, label)
			if r.Active() && u.f.Book.Records[c].Active() {
				require.Negative(t, u.f.Book.Records[c].CausedBy, "%s: shown under one that is itself explained", label)
			}
		}
	}
	for name, is := range active {
		require.Equal(t, is, u.f.Book.AnyActive(name), name)
	}
}

// saved is what a restart would find.
func saved(t *rapid.T, u *played) string {
	text, err := json.Marshal(struct {
		Memory detect.Memory
		Book   finding.BookState
	}{u.set.Save(), u.f.Book.State()})
	require.NoError(t, err)
	return string(text)
}
