package visit

import (
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
)

// What people type for a number is understood, or refused with the reason; never taken for another.
func TestParseWithin(t *testing.T) {
	for _, c := range []struct {
		text, unit string
		low, high  float64
		whole      bool
		want       float64
		why        Problem
	}{
		{"12,70", "V", 0, 40, false, 12.7, ""}, {"12.70 V", "V", 0, 40, false, 12.7, ""}, {"−120", "A", -300, 300, false, -120, ""},
		{"−120", "A", 0, 300, false, 0, OutOfSpan}, {"12.70 V", "Ah", 0, 400, false, 0, WrongUnit},
		{"5,000", "", 0, 1e6, true, 5000, ""}, {"5.000", "", 0, 1e6, true, 5000, ""}, {"1.250.000", "", 0, 1e6, true, 0, OutOfSpan},
		{"5 000", "", 0, 1e6, true, 5000, ""}, {"5.5", "", 0, 1e6, true, 0, NotWhole}, {"0.500", "", 0, 1e6, true, 0, NotWhole},
		{"365 days", "d", 0, 3650, true, 365, ""}, {"365d", "d", 0, 3650, true, 365, ""}, {"1,000 días", "d", 0, 3650, true, 1000, ""},
		{"200 hours", "h", 0, 1e4, false, 200, ""}, {"12,5h", "h", 0, 1e4, false, 12.5, ""}, {"days", "d", 0, 1, true, 0, NotNumber},
		{"", "d", 0, 1, true, 0, NotNumber}, {"NaN", "", 0, 1, true, 0, NotNumber}, {"1e3", "", 0, 1e6, true, 0, NotNumber},
	} {
		v, why := ParseWithin(c.text, c.unit, c.low, c.high, c.whole)
		assert.Equal(t, c.why, why, "%q", c.text)
		assert.InDelta(t, c.want, v, 1e-12, "%q", c.text)
	}
}

// Whatever is typed, what is understood is within what the setting takes.
func FuzzParseWithin(f *testing.F) {
	for _, text := range []string{"12,70", "5.000 d", "1 000 h", "−1", "1,2,3", "\u00a05", "9999999999999999999"} {
		f.Add(text, true)
		f.Add(text, false)
	}
	f.Fuzz(func(t *testing.T, text string, whole bool) {
		for _, unit := range []string{"", "d", "h", "Ah"} {
			v, why := ParseWithin(text, unit, 1, 5000, whole)
			if why == "" {
				require.GreaterOrEqual(t, v, 1.0, "%q", text)
				require.LessOrEqual(t, v, 5000.0, "%q", text)
				require.True(t, !whole || v == float64(int64(v)), "%q", text)
			}
		}
	})
}

// A change of a setting in a visit, and its undoing: noted once, and each file operation may fail or
// be the last before a power cut.
func TestEachOperationOfANotedSettingFails(t *testing.T) {
	chance := rand.New(rand.NewPCG(5, 6))
	s := Setting{Seq: 3, Path: "unit.name", Old: "", New: "Ferry lift"}
	for _, undoing := range []bool{false, true} {
		for n := 1; ; n++ {
			d := crash.New("/card")
			undo := disk.Use(d)
			o := Options{Dir: "/card/visits", Unit: "t-1", Form: NewForm(DefaultChecklist(), []string{"a", "b"})}
			k, err := Open(o)
			require.NoError(t, err)
			now := Facts{At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)}
			require.NoError(t, k.NoteSetting(s, "R. Vale", now), "without a visit it is nobody's")
			has, err := k.UnnoteSetting(3, now)
			require.NoError(t, err)
			require.False(t, has)
			_, err = k.Begin("R. Vale", "abcdef", now)
			require.NoError(t, err)
			act := func() error { return k.NoteSetting(s, "R. Vale", now) }
			if undoing {
				require.NoError(t, act())
				require.NoError(t, act(), "sent twice")
				act = func() error { _, err := k.UnnoteSetting(3, now); return err }
			}
			begun := d.Operations()
			d.FailWith(func(at int, _, _ string) error {
				if at == begun+n {
					return syscall.EIO
				}
				return nil
			})
			err = act()
			done := d.Operations() < begun+n
			d.FailWith(nil)
			mine := k.Draft().Work
			after := d.Cut(chance)
			undo()
			undo = disk.Use(after)
			again, openErr := Open(o)
			require.NoError(t, openErr)
			if err == nil {
				require.Len(t, again.Draft().Work, 1, "operation %d", n)
				assert.Equal(t, mine[0], again.Draft().Work[0])
				assert.Equal(t, undoing, mine[0].TakenBack != nil)
				assert.Equal(t, &s, mine[0].Setting)
			} else {
				k = again
				require.NoError(t, act(), "the form is sent again")
				require.Len(t, again.Draft().Work, 1)
			}
			undo()
			if done {
				break
			}
		}
	}
}
