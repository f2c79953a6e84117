package crosscheck

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/rules/network"
	"liftbank/rules/unit"
	"liftbank/sim/scenario"
)

// watched is a unit whose wiring is worked out while it lives.
type watched struct {
	t        *testing.T
	sc       scenario.Scenario
	rig      *rig.Rig
	core     *agent.Core
	meter    *network.Meter
	runStart time.Duration
	running  bool
}

func watch(t *testing.T, sc scenario.Scenario, seed uint64) *watched {
	t.Helper()
	sc.Seed = seed
	draw.Sensors(&sc, draw.Limits, seed)
	cfg, err := refboard.Config(&sc, "watched", refboard.Options{RestEvery: "5s"})
	require.NoError(t, err)
	r, err := rig.New(sc, cfg, false)
	require.NoError(t, err)
	core, err := agent.NewCore(cfg, r.Parts())
	require.NoError(t, err)
	return &watched{t: t, sc: sc, rig: r, core: core,
		meter: network.New(len(sc.Bank.Batteries), [rules.MaxBatteries]bool{true, true, true, true}, unit.DefaultClasses())}
}

// until lets time pass.
func (w *watched) until(at time.Duration) {
	for w.rig.Clock.Now() < at {
		out, err := w.core.Next(w.t.Context())
		require.NoError(w.t, err)
		w.meter.Step(w.core.Input(), w.facts(out))
	}
}

func (w *watched) facts(out *rules.Output) network.Facts {
	in := w.core.Input()
	f := network.Facts{Running: out.Motor.Running, MaybeFed: in.WakeLine == unit.ContactOn || out.Feed.Status.On()}
	if f.Running && !w.running {
		w.runStart = in.At.Mono
	}
	w.running = f.Running
	for _, e := range in.CommandEdges {
		if e.On {
			w.runStart = e.At
		}
	}
	f.RunFor = in.At.Mono - w.runStart
	return f
}

// wiring is a unit's true wiring at the end of a case, in mΩ, by link or battery.
type wiring struct {
	positive, negative []float64
	posts              map[int]float64 // loose positive ones; sound joints have 0.1
	motorPath          float64         // positive lead, and a sound joint's share
	feedPath           float64
	load, feed         network.Arrangement
}

// offLink is a link that has come off.
const offLink = 200

// networkSeeds is how many seeds each scenario is run with.
const networkSeeds = 1

// Links within ±0.1 mΩ or 10 % and leads told right, with sensors at the ends of their ranges (±10
// mV, ±0.2 A, ±1 %) and noisy.
func TestTheWiringIsWorkedOut(t *testing.T) {
	sound := func(n int, mohm float64, arrangement network.Arrangement) wiring {
		return wiring{positive: slices.Repeat([]float64{mohm}, n-1), negative: slices.Repeat([]float64{mohm}, n-1),
			motorPath: 1.55, feedPath: 2.05, load: arrangement, feed: arrangement}
	}
	change := func(w wiring, f func(*wiring)) wiring { f(&w); return w }
	two := sound(2, 0.5, network.Diagonal)
	for _, c := range []struct {
		name string
		days float64
		want wiring
	}{
		{"healthy-day", 1, two},
		{"healthy-four", 3, sound(4, 0.25, network.Diagonal)},
		{"link-resistive", 6.9, change(two, func(w *wiring) { w.positive = []float64{2.5} })},
		{"link-resistive", 9, change(two, func(w *wiring) { w.positive = []float64{5.5} })},
		{"link-open", 3, change(two, func(w *wiring) {
			w.positive, w.negative = []float64{0.5}, []float64{offLink} // battery b alone
		})},
		{"same-post-year", 14, sound(2, 1.1, network.SamePost)},
		{"post-resistive", 4, change(sound(3, 0.5, network.Diagonal), func(w *wiring) { w.posts = map[int]float64{1: 3.1} })},
		{"motor-drop", 4, change(two, func(w *wiring) { w.motorPath += 5 })},
		{"feed-weak-lead", 3, change(two, func(w *wiring) { w.feedPath += 90 })},
	} {
		t.Run(fmt.Sprintf("%s after %g days", c.name, c.days), func(t *testing.T) {
			switch {
			case c.days > 3 || len(c.want.positive) > 2:
				slowtest.Long(t)
			case c.days > 1:
				slowtest.SkipUnderRace(t)
			}
			var worst errorsSeen
			for seed := range uint64(networkSeeds) {
				w := watch(t, load(t, c.name), seed+1)
				w.until(time.Duration(c.days * float64(24*time.Hour)))
				w.compare(&c.want, &worst)
			}
			t.Logf("links %d, off by %.3f mΩ at most (%.1f %%), %.1f sigma; motor path by %.2f, feed path by %.2f mΩ; "+
				"leads told %d of %d, wrong %d",
				worst.links, worst.mohm, worst.pct, worst.sigmas, worst.motor, worst.feed, worst.told, worst.asked, worst.wrong)
			assert.Zero(t, worst.wrong, "leads")
			assert.Equal(t, worst.asked, worst.told, "leads")
		})
	}
}

// errorsSeen keeps the largest errors of a case's seeds.
type errorsSeen struct {
	links, told, asked, wrong      int
	mohm, pct, sigmas, motor, feed float64
}

func (w *watched) compare(want *wiring, worst *errorsSeen) {
	t, m := w.t, w.meter
	for side, links := range [][]float64{want.positive, want.negative} {
		for k, mohm := range links {
			got, sigma, ok := known(m.Link(k, network.Side(side)))
			require.True(t, ok, "%v link %d", network.Side(side), k)
			off := math.Abs(got - mohm)
			assert.LessOrEqual(t, off, max(0.1, 0.1*mohm), "%v link %d: got %.3f ± %.3f, want %.3f mΩ", network.Side(side), k,
				got, sigma, mohm)
			if mohm != offLink {
				worst.links++
				worst.mohm, worst.pct, worst.sigmas = max(worst.mohm, off), max(worst.pct, 100*off/mohm),
					max(worst.sigmas, off/sigma)
			}
		}
	}
	for k := range w.sc.Bank.Batteries {
		got, sigma, ok := known(m.Post(k, network.Positive))
		require.Equal(t, want.posts[k] > 0, ok, "post %d", k)
		if ok {
			assert.InDelta(t, want.posts[k], got, 2*sigma)
		}
		_, _, ok = known(m.Post(k, network.Negative))
		assert.False(t, ok, "negative post %d", k)
	}
	motor, sigma, ok := known(m.MotorPath())
	require.True(t, ok)
	assert.InDelta(t, want.motorPath, motor, max(0.2, 3*sigma))
	worst.motor = max(worst.motor, math.Abs(want.motorPath-motor))
	feedPath, sigma, ok := known(m.FeedPath())
	require.True(t, ok)
	assert.InDelta(t, want.feedPath, feedPath, max(0.3, 3*sigma))
	worst.feed = max(worst.feed, math.Abs(want.feedPath-feedPath))
	for _, l := range []struct {
		got  network.Leads
		want network.Arrangement
	}{{m.Load(), want.load}, {m.Feed(), want.feed}} {
		worst.asked++
		switch l.got.Arrangement {
		case l.want:
			worst.told++
		case network.Unknown:
		default:
			worst.wrong++
		}
	}
}
