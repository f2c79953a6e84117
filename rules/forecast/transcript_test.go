package forecast_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/forecast"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

var update = flag.Bool("update", false, "write testdata")

// story collects what a meter says.
type story struct{ strings.Builder }

func (s *story) say(about string, a forecast.Answer) {
	if !a.Known {
		fmt.Fprintf(s, "%s: waits for %s\n", about, a.WaitsFor.Said())
		return
	}
	value := a.Value
	if math.Abs(value) < 1e-9 {
		value = 0
	}
	fmt.Fprintf(s, "%s: %.4g±%.3g\n", about, value, a.Sigma)
}

// lifts is what is left with each figure in turn another.
func (s *story) lifts(u *bankUnit) {
	was := u.known
	with := func(about string, change func(k int)) {
		for k := range u.n {
			change(k)
		}
		s.say(about, u.m.LiftsLeft(&u.known))
		u.known = was
	}
	for _, pct := range []float64{1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 20, 35, 50, 65, 80, 95, 100} {
		for _, sigma := range []float64{1, 8} {
			with(fmt.Sprintf("  %g±%g %%", pct, sigma), func(k int) {
				u.known.SoC[k].Value, u.known.SoC[k].Sigma = pct, sigma
			})
		}
	}
	for _, c := range []float64{-25, -10, 0, 10, 40} {
		with(fmt.Sprintf("  %g °C", c), func(k int) { u.known.TempC[k].Value = c })
	}
	for _, mohm := range []float64{3, 8, 20} {
		with(fmt.Sprintf("  %g mΩ", mohm), func(k int) { u.known.Mohm[k] = unit.Estimate{Value: mohm, Sigma: mohm / 20, Known: true} })
	}
	with("  60 Ah", func(k int) { u.known.CapacityAh[k].Value = 60 })
	with("  no capacity", func(k int) { u.known.CapacityAh[k].Known = false })
	with("  one low", func(k int) { u.known.SoC[k].Value -= 30 * float64(k) })
}

// liftsAt has lifts of one length and current, with rests between.
func (u *bankUnit) liftsAt(n int, amps, volt, motorV float64, long, rest time.Duration) {
	for range n {
		start := u.at
		for t := time.Duration(0); t < long; t += 200 * time.Millisecond {
			u.at = start + t
			u.scan(-amps, volt, motorV, true, t, false)
		}
		u.at = start + long
		u.m.EndRun(start, long, amps*long.Hours(), &u.known)
		for range 5 {
			u.scan(0, volt+0.4, 0, false, 0, false)
			u.at += rest / 5
		}
	}
}

// drive is a feed of so many amperes over some hours, with a forecast each quarter.
func (s *story) drive(u *bankUnit, hours, limitA, tauH, volt, missing float64) {
	for k := range int(hours * 4) {
		for end := u.at + 15*time.Minute; u.at < end; u.at += 10 * time.Second {
			amps, v := min(limitA, missing/tauH), volt
			if amps == limitA {
				v = volt - 1 + 0.5*(1-missing/200)
			}
			u.scan(amps+0.15, v, 0, false, 0, true)
			missing = max(missing-amps/360, 0)
			for k := range u.n {
				u.known.SoC[k].Value = 100 * (1 - missing/(100*float64(u.n)))
			}
		}
		s.say(fmt.Sprintf("  %.2f h, %.3g Ah missing", float64(k+1)/4, missing), u.m.TimeToFull(&u.known))
	}
}

// What is said of simple units stays the same to four digits: testdata has it. Whoever changes a
// constant sees here what it does, and renews the file with -update once that is meant.
func TestTranscript(t *testing.T) {
	var s story
	for _, c := range leadacid.All() {
		u := newUnit(2, func(p *forecast.Params) {
			for k := range p.Batteries {
				p.Batteries[k].Chemistry = c
			}
		})
		for n := range 14 {
			u.liftsAt(1, 120, 11.9, 11.5, 9*time.Second, 40*time.Second)
			s.say(fmt.Sprintf("%v: %d lifts", c, n+1), u.m.LiftsLeft(&u.known))
		}
		s.lifts(u)
		s.say("a lift", u.m.LiftAh())
		s.say("its energy", u.m.LiftWh())
	}
	u := newUnit(3, nil)
	s.WriteString("rests of a few minutes, runs of other lengths\n")
	for k := range 12 {
		u.liftsAt(2, 90+5*float64(k), 12.1-0.03*float64(k), 11.6, time.Duration(2+k)*time.Second, time.Duration(20*k+20)*time.Second)
		s.say(fmt.Sprintf("  %d", k), u.m.LiftsLeft(&u.known))
	}
	s.lifts(u)
	far := newUnit(2, nil)
	far.liftsAt(9, 120, 11.9, 11.5, 9*time.Second, 10*time.Minute)
	s.say("lifts ten minutes apart", far.m.LiftsLeft(&far.known))
	for _, tt := range []struct{ hours, limitA, tauH, volt, missing, tempC float64 }{
		{9, 30, 1.5, 14.4, 90, 25}, {3, 30, 1.5, 14.4, 100, 25}, {5, 12, 2.2, 14.2, 60, 25}, {8, 30, 3, 14.9, 90, 0},
		{5, 30, 1.2, 13.6, 40, 25}, {3, 30, 1.5, 13.1, 40, 25}, {2, 0.4, 1.5, 14.4, 40, 25}, {4, 60, 0.8, 14.7, 120, 25},
	} {
		fmt.Fprintf(&s, "a charge %+v\n", tt)
		for k := range u.n {
			u.known.TempC[k] = good(tt.tempC)
		}
		s.drive(u, tt.hours, tt.limitA, tt.tauH, tt.volt, tt.missing)
		fmt.Fprintf(&s, "  tapers %.3g\n", u.m.State().Tapers)
		u.at += 2 * time.Minute
		u.scan(0, 12.8, 0, false, 0, false)
	}
	const file = "testdata/transcript.txt"
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(s.String()), 0o644))
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	want, got := strings.Split(string(text), "\n"), strings.Split(s.String(), "\n")
	for k := range min(len(want), len(got)) {
		require.Equal(t, want[k], got[k], "line %d", k+1)
	}
	assert.Len(t, got, len(want))
}
