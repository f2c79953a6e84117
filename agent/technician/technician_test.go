package technician

import (
	"math/rand/v2"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

func unit() *config.Config {
	var c config.Config
	c.Bank.Batteries = []config.Battery{
		{ID: "a", Chemistry: "flooded", RatedAh: 100, RatedCCA: 950},
		{ID: "b", Chemistry: "flooded", RatedAh: 100, RatedCCA: 950},
	}
	return &c
}

// fitted is another battery in place b.
func fitted(by string, ah string) Change {
	return Change{
		Values: map[string]string{
			BatteryPath("b", Chemistry): "agm", BatteryPath("b", RatedAh): ah, BatteryPath("b", RatedCCA): "900",
		},
		Passports: map[string]snapshot.Passport{"b": {Make: "group 31", Serial: "M2-77105", Place: "street side"}},
		By:        by, At: noon, ClockTrusted: true,
	}
}

func effective(all []Effective, path string) Effective {
	for _, e := range all {
		if e.Path == path {
			return e
		}
	}
	return Effective{}
}

// What a technician sets holds over a restart, says who and when, and ends when the configuration is
// changed there.
func TestSettingsOverTheConfiguration(t *testing.T) {
	path := t.TempDir() + "/visits/technician.json"
	o, err := Open(path)
	require.NoError(t, err)
	_, all := o.Apply(*unit())
	ah := Accepts{Group: Ratings, Kind: Number, Min: 20, Max: 400, Battery: "b"}
	require.Len(t, all, 6+2+2+9+4)
	assert.Equal(t, Effective{Path: "bank.batteries.b.rated_ah", Value: "100", Unit: "Ah", Origin: FromConfiguration, Accepts: ah}, effective(all, "bank.batteries.b.rated_ah"))

	require.NoError(t, o.Set(unit(), fitted("R. Vale", "105")))
	o, err = Open(path)
	require.NoError(t, err)
	base := unit()
	cfg, all := o.Apply(*base)
	assert.Equal(t, config.Battery{ID: "b", Chemistry: "agm", RatedAh: 105, RatedCCA: 900}, cfg.Bank.Batteries[1])
	assert.Equal(t, *unit(), *base, "the base stays")
	assert.Equal(t, Effective{
		Path: "bank.batteries.b.rated_ah", Value: "105", Unit: "Ah", Origin: FromTechnician, Base: "100", By: "R. Vale", At: noon, Accepts: ah,
	}, effective(all, "bank.batteries.b.rated_ah"))
	assert.Equal(t, "M2-77105", o.Passport("b").Serial)
	assert.Nil(t, o.Passport("a"))
	require.Len(t, o.Journal(), 4)
	assert.Equal(t, Entry{
		Seq: 2, At: noon, By: "R. Vale", Path: "bank.batteries.b.rated_ah", Old: "100", New: "105", ClockTrusted: true,
	}, o.Journal()[1])

	newer := unit()
	newer.Bank.Batteries[1].RatedAh = 110 // somebody has put the label into the configuration
	cfg, all = o.Apply(*newer)
	assert.Equal(t, 110.0, cfg.Bank.Batteries[1].RatedAh)
	assert.Contains(t, effective(all, "bank.batteries.b.rated_ah").Unused, "the configuration has changed since")
	assert.Equal(t, 900.0, cfg.Bank.Batteries[1].RatedCCA, "the others hold")

	one := unit()
	one.Bank.Batteries = one.Bank.Batteries[:1]
	_, all = o.Apply(*one)
	assert.Contains(t, effective(all, "bank.batteries.b.rated_ah").Unused, "no such setting")

	back := Change{Values: map[string]string{BatteryPath("b", RatedAh): "100"}, By: "R. Vale", At: noon}
	require.NoError(t, o.Set(unit(), back))
	_, all = o.Apply(*unit())
	assert.Equal(t, FromConfiguration, effective(all, "bank.batteries.b.rated_ah").Origin)
}

// What is out of range is refused with what is wanted, and nothing of the change is made.
func TestSettingsThatCannotBe(t *testing.T) {
	o, err := Open("")
	require.NoError(t, err)
	for path, c := range map[string]struct{ value, want string }{
		BatteryPath("b", RatedAh):   {"4000", "20 to 400 Ah"},
		BatteryPath("b", RatedCCA):  {"90", "100 to 2000 A"},
		BatteryPath("b", Chemistry): {"salt", "flooded, agm"},
		BatteryPath("d", RatedAh):   {"100", "one of this unit's settings"},
		"http.listen":               {":80", "one of this unit's settings"},
	} {
		change := fitted("R. Vale", "105")
		change.Values[path] = c.value
		require.ErrorContains(t, o.Set(unit(), change), c.want)
		for _, bad := range []string{"NaN", "Inf", "", "x"} {
			change.Values[path] = bad
			require.Error(t, o.Set(unit(), change), "%s %q", path, bad)
		}
	}
	cfg, _ := o.Apply(*unit())
	assert.Equal(t, *unit(), cfg)
	assert.Empty(t, o.Journal())
	assert.Nil(t, o.Passport("b"))
}

var diskErrors = []error{syscall.EIO, syscall.ENOSPC, syscall.EROFS}

// Each operation on the disk fails while a second battery is set, once or from then on, or the power
// is cut there: what is there afterwards is the first whole or the second whole, and the second once
// that was confirmed. What can't be read is never taken for nothing.
func TestEachOperationOfASettingFails(t *testing.T) {
	const path = "/card/visits/technician.json"
	chance := rand.New(rand.NewPCG(1, 2))
	for _, fault := range diskErrors {
		for _, forever := range []bool{false, true} {
			for n := 1; ; n++ {
				d := crash.New("/card")
				undo := disk.Use(d)
				o, err := Open(path)
				require.NoError(t, err)
				require.NoError(t, o.Set(unit(), fitted("first", "101")))
				begun := d.Operations()
				d.FailWith(func(at int, _, _ string) error {
					if at == begun+n || forever && at > begun+n {
						return fault
					}
					return nil
				})
				err = o.Set(unit(), fitted("second", "102"))
				done := d.Operations() < begun+n
				d.FailWith(nil)
				now, _ := o.Apply(*unit())
				after := d.Cut(chance)
				undo()
				undo = disk.Use(after)
				again, openErr := Open(path)
				require.NoError(t, openErr, "operation %d", n)
				cfg, _ := again.Apply(*unit())
				if err == nil {
					assert.Equal(t, 102.0, cfg.Bank.Batteries[1].RatedAh, "operation %d", n)
					assert.Equal(t, 102.0, now.Bank.Batteries[1].RatedAh)
				} else {
					assert.Contains(t, []float64{101, 102}, cfg.Bank.Batteries[1].RatedAh, "operation %d", n)
					assert.Equal(t, 101.0, now.Bank.Batteries[1].RatedAh, "what failed is not in force")
				}
				begun = after.Operations()
				after.FailWith(func(at int, _, _ string) error {
					if at == begun+n%5+1 {
						return fault
					}
					return nil
				})
				if _, err := Open(path); err != nil {
					require.ErrorIs(t, err, safefile.ErrUnreadable)
				}
				undo()
				if done {
					break
				}
			}
		}
	}
}

// Whatever the file holds, it is read, or set aside and said; never a crash, never an impossible
// rating.
func FuzzOpen(f *testing.F) {
	f.Add(`{"schema":"liftbank.technician.v1","settings":{"bank.batteries.b.rated_ah":{"value":"-1","base":"100"}}}`)
	f.Add(`{"schema":"liftbank.technician.v9"}`)
	f.Add(`[]`)
	f.Add(`{"schema":"liftbank.technician.v1","settings":null,"passports":null,"journal":null}`)
	f.Fuzz(func(t *testing.T, text string) {
		d := crash.New("/card")
		defer disk.Use(d)()
		require.NoError(t, safefile.Save("/card/technician.json", []byte(text)))
		o, err := Open("/card/technician.json")
		require.NotNil(t, o, "%v", err)
		cfg, _ := o.Apply(*unit())
		for _, b := range cfg.Bank.Batteries {
			require.NoError(t, b.Check())
		}
		require.NoError(t, o.Set(unit(), fitted("next", "102")))
	})
}

// Settings and their end, in any order: what holds is what was set last, or the configuration.
func TestSettingAndEnding(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o, err := Open("")
		require.NoError(rt, err)
		want := unit()
		for range rapid.IntRange(0, 20).Draw(rt, "changes") {
			i := rapid.IntRange(0, 1).Draw(rt, "battery")
			ah := float64(rapid.IntRange(20, 400).Draw(rt, "Ah"))
			if rapid.Bool().Draw(rt, "back") {
				ah = 100
			}
			path := BatteryPath([]string{"a", "b"}[i], RatedAh)
			require.NoError(rt, o.Set(unit(), Change{Values: map[string]string{path: strconv.FormatFloat(ah, 'f', -1, 64)}, By: "x", At: noon}))
			want.Bank.Batteries[i].RatedAh = ah
		}
		got, _ := o.Apply(*unit())
		assert.Equal(rt, *want, got)
	})
}
