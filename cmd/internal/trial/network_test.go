package trial_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/cmd/internal/trial"
	"liftbank/rules"
	"liftbank/rules/feed"
	"liftbank/rules/network"
	"liftbank/sim/scenario"
)

// watched is a unit whose wiring is worked out while it lives.
type watched struct {
	t        *testing.T
	sc       scenario.Scenario
	rig      *trial.Rig
	core     *agent.Core
	meter    *network.Meter
	runStart time.Duration
	running  bool
}

// erring sets each voltage and current sensor to one end of its range of errors, drawn from a seed: ±10 mV or ±0.2 A, and ±1 %.
func erring(sc *scenario.Scenario, seed uint64) {
	draw := rand.New(rand.NewPCG(seed, 5))
	sign := func() float64 { return float64(draw.IntN(2)*2 - 1) }
	err := func(channel string, offset, noise float64) {
		sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{
			Channel: channel, Offset: offset * sign(), GainPct: sign(), NoiseRMS: noise,
		})
	}
	for i, b := range sc.Bank.Batteries {
		err("voltage-"+b.ID, 0.010, 0.002)
		err("current-"+b.ID, 0.2, 0.1)
		if i > 0 {
			err("negative-"+b.ID, 0.010, 0.0005)
		}
	}
	err("motor", 0.010, 0.002)
	err("feed", 0.010, 0.002)
}

func watch(t *testing.T, sc scenario.Scenario, seed uint64) *watched {
	t.Helper()
	sc.Seed = seed
	erring(&sc, seed)
	cfg, err := trial.Config(&sc, "watched", trial.Board{})
	require.NoError(t, err)
	rig, err := trial.NewRig(sc, cfg, false)
	require.NoError(t, err)
	core, err := agent.NewCore(cfg, rig.Parts())
	require.NoError(t, err)
	return &watched{t: t, sc: sc, rig: rig, core: core,
		meter: network.New(len(sc.Bank.Batteries), [network.MaxBatteries]bool{true, true, true, true})}
}

// until lets time pass.
func (w *watched) until(at time.Duration) {
	for w.rig.Clock.Now() < at {
		out, err := w.core.Next(w.t.Context())
		require.NoError(w.t, err)
		r := w.reading(out)
		w.meter.Step(&r)
	}
}

func (w *watched) reading(out *rules.Output) network.Reading {
	in := w.core.Input()
	r := network.Reading{At: in.At.Mono, Running: out.Motor.Running, MotorV: in.MotorV.Value, MotorOK: in.MotorV.OK(),
		FeedV: in.FeedV.Value, FeedOK: in.FeedV.OK(),
		Feeding: in.WakeLine == rules.ContactOn || out.Feed.Status == feed.Present || out.Feed.Status == feed.Unasked}
	if r.Running && !w.running {
		w.runStart = r.At
	}
	w.running = r.Running
	for _, e := range in.CommandEdges {
		if e.On {
			w.runStart = e.At
		}
	}
	r.RunFor = r.At - w.runStart
	for k := range w.sc.Bank.Batteries {
		b := &in.Battery[k]
		r.PositiveV[k], r.PositiveOK[k] = b.VoltageV.Value, b.VoltageV.OK()
		r.NegativeV[k], r.NegativeOK[k] = b.NegativeV.Value, b.NegativeV.OK()
		r.CurrentA[k], r.CurrentOK[k] = b.CurrentA.Value, b.CurrentA.OK()
	}
	return r
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

// Links within ±0.1 mΩ or 10 % and leads told right, with sensors at the ends of their ranges (±10 mV, ±0.2 A, ±1 %) and noisy.
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
			if underRace && c.days > 1 {
				t.Skip("too long under the race detector; runs without it")
			}
			var worst errorsSeen
			for seed := range uint64(networkSeeds) {
				w := watch(t, load(t, c.name), seed+1)
				w.until(time.Duration(c.days * float64(24*time.Hour)))
				w.compare(&c.want, &worst)
			}
			t.Logf("links %d, off by %.3f mΩ at most (%.1f %%), %.1f sigma; motor path by %.2f, feed path by %.2f mΩ; leads told %d of %d, wrong %d",
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
			got, sigma, ok := m.Link(k, network.Side(side))
			require.True(t, ok, "%v link %d", network.Side(side), k)
			off := math.Abs(got - mohm)
			assert.LessOrEqual(t, off, max(0.1, 0.1*mohm), "%v link %d: got %.3f ± %.3f, want %.3f mΩ", network.Side(side), k, got, sigma, mohm)
			if mohm != offLink {
				worst.links++
				worst.mohm, worst.pct, worst.sigmas = max(worst.mohm, off), max(worst.pct, 100*off/mohm), max(worst.sigmas, off/sigma)
			}
		}
	}
	for k := range w.sc.Bank.Batteries {
		got, sigma, ok := m.Post(k, network.Positive)
		require.Equal(t, want.posts[k] > 0, ok, "post %d", k)
		if ok {
			assert.InDelta(t, want.posts[k], got, 2*sigma)
		}
		_, _, ok = m.Post(k, network.Negative)
		assert.False(t, ok, "negative post %d", k)
	}
	motor, sigma, ok := m.MotorPath()
	require.True(t, ok)
	assert.InDelta(t, want.motorPath, motor, max(0.2, 3*sigma))
	worst.motor = max(worst.motor, math.Abs(want.motorPath-motor))
	feedPath, sigma, ok := m.FeedPath()
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
