package network_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/network"
	"liftbank/rules/unit"
)

// seen is a scan with what it does not say.
type seen struct {
	unit.Scan
	network.Facts
}

func known(e unit.Estimate) (value, sigma float64, ok bool) { return e.Value, e.Sigma, e.Known }

// work plays a unit: a bank, what its sensors add, and where the time has got to.
type work struct {
	c       circuit
	m       *network.Meter
	at      time.Duration
	offset  [3][unit.MaxBatteries]float64 // V, V, A
	gain    [3][unit.MaxBatteries]float64
	noise   [3]float64
	draw    *rand.Rand
	loadPos int
	loadNeg int
	feedPos int
	feedNeg int
	spoil   func(*seen)
	runs    int
}

func newWork(n int, c circuit) *work {
	m := network.New(n, [unit.MaxBatteries]bool{true, true, true, true}, unit.DefaultClasses())
	w := &work{c: c, m: m, draw: rand.New(rand.NewPCG(1, 2))}
	for q := range w.gain {
		for k := range w.gain[q] {
			w.gain[q][k] = 1
		}
	}
	return w
}

// err sets all sensors to ends of their ranges: ±10 mV, ±0.2 A, ±1 %.
func (w *work) err() {
	sign := func() float64 { return float64(w.draw.IntN(2)*2 - 1) }
	for q, off := range []float64{0.010, 0.010, 0.2} {
		for k := range unit.MaxBatteries {
			w.offset[q][k], w.gain[q][k] = off*sign(), 1+0.01*sign()
		}
	}
	w.noise = [3]float64{0.001, 0.0003, 0.1}
}

func (w *work) step(running, feeding bool, runFor time.Duration) {
	r := seen{unit.Scan{At: unit.Moment{Mono: w.at}}, network.Facts{Running: running, RunFor: runFor, MaybeFed: feeding}}
	w.c.read(&r.Scan)
	for q := range w.gain {
		for k := range r.Battery {
			b := &r.Battery[k]
			v := [...]*unit.Reading{&b.VoltageV, &b.NegativeV, &b.CurrentA}[q]
			v.Value = v.Value*w.gain[q][k] + w.offset[q][k] + w.noise[q]*w.draw.NormFloat64()
		}
	}
	if w.spoil != nil {
		w.spoil(&r)
	}
	w.m.Step(&r.Scan, r.Facts)
}

// rest lets so many seconds pass without current at the leads.
func (w *work) rest(seconds int, inA float64) {
	w.c.leadPos, w.c.leadNeg, w.c.inA = w.feedPos, w.feedNeg, inA
	for range seconds {
		w.at += time.Second
		w.step(false, inA > 0, 0)
	}
}

// run is a motor run of four seconds, after half a minute of rest.
func (w *work) run(drawA float64) {
	w.rest(30, 0)
	w.c.leadPos, w.c.leadNeg, w.c.inA = w.loadPos, w.loadNeg, -drawA
	for t := time.Duration(0); t < 4*time.Second; t += 20 * time.Millisecond {
		w.step(true, false, t)
		w.at += 20 * time.Millisecond
	}
	w.rest(5, 0)
	w.runs++
}

// day is ten runs and a charge from 12.2 V to 14.4 V that tapers.
func (w *work) day() {
	emf := append([]float64(nil), w.c.emfV...)
	lift := func(v float64) {
		for k := range emf {
			w.c.emfV[k] = emf[k] + v
		}
	}
	for range 10 {
		w.run(90 + 40*w.draw.Float64())
	}
	for s := range 40 {
		lift(-0.4 + 2.2*min(float64(s)/20, 1))
		w.rest(120, 40*math.Exp(-max(float64(s-20), 0)/6))
	}
	lift(0)
	w.rest(600, 0)
}

func (w *work) link(t require.TestingT, k int, side network.Side, want, within float64) {
	got, sigma, ok := known(w.m.Link(k, side))
	require.True(t, ok, "%v link %d is told", side, k)
	assert.InDelta(t, want, got, within, "%v link %d, ±%.3f", side, k, sigma)
	assert.Positive(t, sigma)
}

// Two batteries of 12.6 V and 4.5 mΩ unless said, 0.5 mΩ patches in both rails, 120 A: operating
// points by ngspice 39.3, and by hand.
func TestSolvedCircuits(t *testing.T) {
	for _, c := range []struct {
		name               string
		emf, ohm           []float64
		leadNeg            int
		battery1, battery2 float64 // A out of each
		want               network.Arrangement
	}{
		{"both leads on battery 1", []float64{12.6, 12.6}, []float64{4.5, 4.5}, 0, 66.00, 54.00, network.SamePost},
		{"positive on 1, negative on 2", []float64{12.6, 12.6}, []float64{4.5, 4.5}, 1, 60.00, 60.00, network.Diagonal},
		{"both on 1, battery 2 at 6.75 mΩ", []float64{12.6, 12.6}, []float64{4.5, 6.75}, 0, 75.92, 44.08, network.SamePost},
		{"diagonal, battery 2 at 6.75 mΩ", []float64{12.6, 12.6}, []float64{4.5, 6.75}, 1, 71.02, 48.98, network.Diagonal},
		{"diagonal, battery 2 at 12.5 V", []float64{12.6, 12.5}, []float64{4.5, 4.5}, 1, 70.00, 50.00, network.Diagonal},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWork(2, circuit{emfV: c.emf, ohmMohm: c.ohm, positive: []float64{0.5}, negative: []float64{0.5}})
			// What the meter is handed is retyped from the solved case, not taken from this test's
			// solver.
			var run, rest unit.Scan
			for k := range 2 {
				for _, s := range []*unit.Scan{&run, &rest} {
					s.Battery[k] = unit.Battery{VoltageV: good(0), NegativeV: good(0), CurrentA: good(0)}
				}
			}
			one, two := &run.Battery[0], &run.Battery[1]
			one.CurrentA.Value, two.CurrentA.Value = -c.battery1, -c.battery2
			// Of a battery's resistance 0.1 mΩ is taken to be in each of its joints, as in a real
			// one; the currents stay.
			const joint = 0.1
			one.VoltageV.Value = c.emf[0] - c.battery1*(c.ohm[0]-2*joint)/1000
			// All that battery 2 gives comes over the positive patch.
			two.VoltageV.Value = one.VoltageV.Value + (c.battery2*0.5+joint*(c.battery2-c.battery1))/1000
			two.NegativeV.Value = two.VoltageV.Value - (c.emf[1] - c.battery2*(c.ohm[1]-2*joint)/1000)
			one, two = &rest.Battery[0], &rest.Battery[1]
			if flow := (c.emf[0] - c.emf[1]) / 0.010; flow != 0 { // 10 A from 1 to 2, at 12.55 V: the sixth case
				one.CurrentA.Value, two.CurrentA.Value = -flow, flow
				// Joints taken from the batteries.
				one.VoltageV.Value, two.VoltageV.Value, two.NegativeV.Value = 12.557, 12.550, 0.007
			} else {
				one.VoltageV.Value, two.VoltageV.Value = 12.6, 12.6
			}
			for range 6 {
				for range 30 {
					w.at += time.Second
					rest.At.Mono = w.at
					w.m.Step(&rest, network.Facts{})
				}
				for f := time.Duration(0); f < 2*time.Second; f += 20 * time.Millisecond {
					run.At.Mono = w.at + f
					w.m.Step(&run, network.Facts{Running: true, RunFor: f})
				}
				w.at += 2 * time.Second
			}
			rest.At.Mono = w.at + time.Second
			w.m.Step(&rest, network.Facts{})
			w.link(t, 0, network.Positive, 0.5, 0.01) // currents and volts are rounded to 10 mA
			w.link(t, 0, network.Negative, 0.5, 0.01)
			assert.Equal(t, c.want, w.m.Load().Arrangement, "%+v", w.m.Load())
			assert.Equal(t, network.Unknown, w.m.Feed().Arrangement, "no charge was seen")
		})
	}
}

func TestNothingIsSaidWithoutEvidence(t *testing.T) {
	m := network.New(2, [4]bool{}, unit.DefaultClasses())
	_, _, ok := known(m.Link(0, network.Positive))
	assert.False(t, ok)
	_, _, ok = known(m.MotorPath())
	assert.False(t, ok)
	_, _, ok = known(m.FeedPath())
	assert.False(t, ok)
	assert.Equal(t, network.Unknown, m.Load().Arrangement)
	assert.NotNil(t, m.Load().WaitsFor)
	one := network.New(1, [4]bool{}, unit.DefaultClasses())
	assert.NotNil(t, one.Load().WaitsFor)
	_, _, ok = known(one.Link(0, network.Positive))
	assert.False(t, ok)
}

// sound returns a ladder drawn at random.
func sound(t *rapid.T, n int) circuit {
	c := circuit{}
	draw := func(low, high float64, name string) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	for k := range n {
		c.emfV = append(c.emfV, draw(12.58, 12.62, "emf"))
		c.ohmMohm = append(c.ohmMohm, draw(3, 8, "battery"))
		if k > 0 {
			c.positive = append(c.positive, draw(0.2, 1.4, "positive"))
			c.negative = append(c.negative, draw(0.2, 1.4, "negative"))
		}
	}
	return c
}

// With a balancer nothing is learned of a charge: the feed's leads stay unknown, and links and the motor's leads come
// from the runs.
func TestChargesLeftOut(t *testing.T) {
	c := circuit{emfV: []float64{12.6, 12.6}, ohmMohm: []float64{5, 5}, positive: []float64{0.6}, negative: []float64{0.8}}
	w := newWork(2, c)
	w.m.LeaveChargesOut()
	w.draw = rand.New(rand.NewPCG(1, 1))
	w.err()
	w.loadPos, w.loadNeg, w.feedPos, w.feedNeg = 0, 1, 1, 1
	for range 3 {
		w.day()
		require.NoError(t, w.m.Restore(w.m.State()))
	}
	feed := w.m.Feed()
	assert.Equal(t, []int{-1, -1}, []int{feed.Positive, feed.Negative})
	require.NotNil(t, feed.WaitsFor)
	assert.Contains(t, feed.WaitsFor.English, "balancer")
	assert.Equal(t, network.Diagonal, w.m.Load().Arrangement)
	for side, mohm := range []float64{0.6, 0.8} {
		got, _, ok := known(w.m.Link(0, network.Side(side)))
		require.True(t, ok)
		assert.InDelta(t, mohm, got, 0.1)
	}
	_, _, ok := known(w.m.FeedPath())
	assert.False(t, ok)
}

// Links within ±0.1 mΩ or 10 %, with all sensors at the limits of their ranges and leads on either
// end. The last link of four, with a weak battery behind it, carries a tenth of the motor's
// current: it may be off by what the meter says of itself.
//
// That is a normal deviation sigma, so a limit of a few sigmas fails by chance. rapid draws 100
// ladders of at most 6 links, N = 600. A normal error exceeds 7 sigma with 2.6e-12, so one of N
// does with 1.5e-9: no link may. It exceeds 3 sigma with p = 0.0027, of N some 1.6; by the binomial
// distribution more than 14 of N do with 2e-10: no more may, or sigma is too small.
func TestRandomLaddersGiveTheirLinksBack(t *testing.T) {
	const maxSigmas, maxBeyond3 = 7, 14
	links, beyond3 := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 4).Draw(t, "n")
		w := newWork(n, sound(t, n))
		w.draw = rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		w.err()
		end := func(name string) int { return rapid.SampledFrom([]int{0, n - 1}).Draw(t, name) }
		w.loadPos, w.loadNeg, w.feedPos, w.feedNeg = end("load +"), end("load -"), end("feed +"), end("feed -")
		for range 3 {
			w.day()
		}
		for k := range n - 1 {
			for side, mohm := range []float64{w.c.positive[k], w.c.negative[k]} {
				got, sigma, ok := known(w.m.Link(k, network.Side(side)))
				if !ok && mohm < 0.4 { // its sign, and so the place of the lead, may be hidden by what two sound joints differ
					continue
				}
				require.True(t, ok)
				wanted := max(0.1, 0.1*mohm)
				assert.InDelta(t, mohm, got, max(wanted, maxSigmas*sigma), "%v link %d", network.Side(side), k)
				if links++; math.Abs(mohm-got) > max(wanted, 3*sigma) {
					beyond3++
				}
				assert.Less(t, sigma, 0.3)
			}
		}
		for _, l := range []struct {
			got      network.Leads
			pos, neg int
		}{{w.m.Load(), w.loadPos, w.loadNeg}, {w.m.Feed(), w.feedPos, w.feedNeg}} {
			if l.got.Arrangement != network.Unknown {
				assert.Equal(t, [2]int{l.pos, l.neg}, [2]int{l.got.Positive, l.got.Negative})
			}
		}
		if least := min(slices.Min(w.c.positive), slices.Min(w.c.negative)); least > 0.4 {
			assert.NotEqual(t, network.Unknown, w.m.Load().Arrangement, "%+v", w.m.Load())
		}
	})
	assert.LessOrEqual(t, beyond3, maxBeyond3*max(1, links/600), "of %d links", links)
}

// Batteries numbered from the other end give the same links in reverse. The ground moves with
// battery 0, so sensors are exact here.
func TestRenaming(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 4).Draw(t, "n")
		c := sound(t, n)
		back := circuit{
			emfV: reversed(c.emfV), ohmMohm: reversed(c.ohmMohm),
			positive: reversed(c.positive), negative: reversed(c.negative),
		}
		a, b := newWork(n, c), newWork(n, back)
		a.loadNeg, b.loadPos = n-1, n-1
		for range 8 {
			a.run(120)
			b.run(120)
		}
		for k := range n - 1 {
			for _, side := range []network.Side{network.Positive, network.Negative} {
				x, _, okX := known(a.m.Link(k, side))
				y, _, okY := known(b.m.Link(n-2-k, side))
				assert.Equal(t, okX, okY)
				assert.InDelta(t, x, y, 1e-3) // each bank learns its taps' gains from its own ground
			}
		}
		if min(a.m.Load().Positive, b.m.Load().Positive) >= 0 {
			assert.Equal(t, a.m.Load().Positive, n-1-b.m.Load().Positive)
		}
	})
}

func reversed(x []float64) []float64 {
	out := make([]float64, len(x))
	for i := range x {
		out[len(x)-1-i] = x[i]
	}
	return out
}

func ladder(n int, linkMohm float64) circuit {
	c := circuit{}
	for k := range n {
		c.emfV, c.ohmMohm = append(c.emfV, 12.6), append(c.ohmMohm, 4.5)
		if k > 0 {
			c.positive, c.negative = append(c.positive, linkMohm), append(c.negative, linkMohm)
		}
	}
	return c
}

func TestALostChannelSilencesWhatDependsOnIt(t *testing.T) {
	w := newWork(3, ladder(3, 0.5))
	w.loadNeg, w.feedNeg = 2, 2
	w.day()
	w.link(t, 0, network.Positive, 0.5, 0.01)
	w.spoil = func(r *seen) { r.Battery[2].VoltageV.Quality = unit.NoAnswer }
	w.rest(30, 0)
	_, _, ok := known(w.m.Link(1, network.Positive))
	assert.False(t, ok, "a tap is missing")
	w.link(t, 0, network.Positive, 0.5, 0.01)
	w.link(t, 1, network.Negative, 0.5, 0.01)
	w.spoil = func(r *seen) { r.Battery[1].CurrentA.Quality = unit.NoAnswer }
	w.run(120)
	_, _, ok = known(w.m.Link(0, network.Positive))
	assert.False(t, ok, "a current is missing: nobody knows what passes")
	w.spoil = nil
	w.run(120)
	w.link(t, 1, network.Positive, 0.5, 0.01)
}

// A channel that stands still says good values; a link's figure must not follow it.
func TestAStuckChannelAccusesNoLink(t *testing.T) {
	for name, spoil := range map[string]func(*seen){
		"voltage": func(r *seen) { r.Battery[1].VoltageV.Value = 12.6 },
		"current": func(r *seen) { r.Battery[1].CurrentA.Value = 0 },
		"off":     func(r *seen) { r.Battery[1].VoltageV.Value += 0.5 },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWork(2, ladder(2, 0.5))
			w.loadNeg, w.feedNeg = 1, 1
			w.day()
			w.spoil = spoil
			for range 10 {
				w.run(120)
				if mohm, _, ok := known(w.m.Link(0, network.Positive)); ok {
					assert.InDelta(t, 0.5, mohm, 0.05)
				}
			}
		})
	}
}

func TestALinkThatCorrodesOrComesOffIsFollowed(t *testing.T) {
	w := newWork(2, ladder(2, 0.5))
	w.loadNeg, w.feedNeg = 1, 1
	w.err()
	w.day()
	w.c.positive[0] = 2.5
	for range 4 {
		w.run(110)
	}
	w.link(t, 0, network.Positive, 2.5, 0.25)
	w.link(t, 0, network.Negative, 0.5, 0.1)
	for w.c.positive[0] < 5 { // slowly, over forty runs
		w.c.positive[0] += 0.0625
		w.run(110)
	}
	w.link(t, 0, network.Positive, 5, 0.5)
	w.c.negative[0] = 1e8
	for range 5 {
		w.run(60)
	}
	mohm, _, ok := known(w.m.Link(0, network.Negative))
	assert.True(t, ok)
	assert.Equal(t, 200.0, mohm)
	assert.Equal(t, network.Diagonal, w.m.Load().Arrangement, "leads have not moved: %+v", w.m.Load())
}

// A sensor without error, or off by whole steps of its chip, shows exactly no current beyond a link
// that is off: there is no sign to go by.
func TestALinkThatIsOffIsFoundHoweverTheSensorErrs(t *testing.T) {
	for _, off := range []float64{0, 0.02, -0.02, 0.05, 0.1, 0.2} {
		for _, lead := range []int{0, 1} {
			for _, side := range []network.Side{network.Positive, network.Negative} {
				w := newWork(2, ladder(2, 0.5))
				w.loadPos, w.feedPos, w.loadNeg, w.feedNeg = lead, lead, 1-lead, 1-lead
				w.spoil = func(r *seen) {
					for k := range 2 {
						a := &r.Battery[k].CurrentA
						a.Value = 0.02 * math.Round((a.Value+off)/0.02)
					}
				}
				w.day()
				rail := w.c.positive
				if side == network.Negative {
					rail = w.c.negative
				}
				rail[0] = 1e8
				for range 5 {
					w.run(60)
				}
				mohm, _, ok := known(w.m.Link(0, side))
				assert.True(t, ok && mohm == 200, "%v link, leads on %d, %g A off: %g mΩ", side, lead, off, mohm)
			}
		}
	}
}

func TestALooseJointIsToldFromALink(t *testing.T) {
	w := newWork(3, ladder(3, 0.5))
	w.loadNeg, w.feedNeg = 2, 2
	w.c.posPost, w.c.negPost = []float64{0.1, 0.1, 0.1}, []float64{0.1, 0.1, 0.1}
	w.err()
	w.day()
	_, _, ok := known(w.m.Post(1, network.Positive))
	assert.False(t, ok)
	w.c.posPost[1] = 3.1
	for range 5 {
		w.run(110)
	}
	mohm, sigma, ok := known(w.m.Post(1, network.Positive))
	require.True(t, ok)
	assert.InDelta(t, 3.1, mohm, 2*sigma)
	w.link(t, 0, network.Positive, 0.5, 0.15)
	w.link(t, 1, network.Positive, 0.5, 0.15)
	assert.Equal(t, network.Diagonal, w.m.Load().Arrangement)
}

// With two batteries and a joint loose at the first post the drop changes its sign, as if the leads
// were moved: with both pairs on one post, and known before, the joint is the likelier.
func TestALooseJointDoesNotMoveTheLeads(t *testing.T) {
	w := newWork(2, ladder(2, 0.5))
	w.loadNeg, w.feedNeg = 1, 1
	w.c.posPost, w.c.negPost = []float64{0.1, 0.1}, []float64{0.1, 0.1}
	w.day()
	w.day()
	w.c.posPost[0] = 4
	w.day()
	assert.Contains(t, []network.Arrangement{network.Diagonal, network.Unknown}, w.m.Load().Arrangement)
	if mohm, _, ok := known(w.m.Link(0, network.Positive)); ok {
		assert.Less(t, mohm, 1.5)
	}
}

func TestWithoutANegativeTapThePlaceOfTheNegativeLeadIsNotTold(t *testing.T) {
	w := newWork(2, ladder(2, 0.5))
	w.m = network.New(2, [4]bool{true, false}, unit.DefaultClasses())
	w.loadNeg, w.feedNeg = 1, 1
	w.spoil = func(r *seen) {
		for k := range r.Battery {
			r.Battery[k].NegativeV = unit.Reading{}
		}
	}
	w.day()
	w.day()
	l := w.m.Load()
	assert.Equal(t, network.Unknown, l.Arrangement)
	assert.Equal(t, 0, l.Positive)
	assert.Equal(t, -1, l.Negative)
	assert.Contains(t, l.WaitsFor.Said(), "tap")
	w.link(t, 0, network.Positive, 0.5, 0.05)
	_, _, ok := known(w.m.Link(0, network.Negative))
	assert.False(t, ok)
}

// Paths: 120 A and 90 A over 1.5 mΩ, and a charge from 40 A to nothing over 2 mΩ, with taps that
// differ by 2 %.
func TestPaths(t *testing.T) {
	w := newWork(2, ladder(2, 0.5))
	w.loadNeg, w.feedNeg = 1, 1
	w.spoil = func(r *seen) {
		total, first := r.Battery[0].CurrentA.Value+r.Battery[1].CurrentA.Value, &r.Battery[0].VoltageV.Value
		if r.Running {
			r.MotorV = good((*first+total*1.5/1000)*1.01 + 0.01)
		}
		r.FeedV = good((*first+max(total, 0)*2/1000)*1.01 + 0.01)
		*first = *first*0.99 - 0.01
	}
	for range 3 {
		w.day()
	}
	mohm, sigma, ok := known(w.m.MotorPath())
	require.True(t, ok)
	assert.InDelta(t, 1.5, mohm, 0.3)
	assert.InDelta(t, 1.5, mohm, 3*sigma)
	mohm, sigma, ok = known(w.m.FeedPath())
	require.True(t, ok)
	assert.InDelta(t, 2, mohm, 0.3)
	assert.InDelta(t, 2, mohm, 3*sigma)
}

// A stated uncertainty is honest if it holds the error: with two of them in 95 of 100.
func TestUncertaintyIsHonest(t *testing.T) {
	held, told := 0, 0
	for seed := range uint64(40) {
		c := ladder(3, 0.5)
		w := newWork(3, c)
		w.draw = rand.New(rand.NewPCG(seed, 3))
		w.err()
		w.loadNeg, w.feedNeg = 2, 2
		for range 5 {
			w.run(120)
		}
		for k := range 2 {
			for _, side := range []network.Side{network.Positive, network.Negative} {
				mohm, sigma, ok := known(w.m.Link(k, side))
				if !ok {
					continue
				}
				told++
				if math.Abs(mohm-0.5) <= 2*sigma {
					held++
				}
			}
		}
	}
	assert.Greater(t, told, 100)
	assert.GreaterOrEqual(t, float64(held), 0.95*float64(told), "%d of %d", held, told)
}

// A restart at any instant but within a run changes nothing of what is said afterwards, bit for
// bit, with the state gone through JSON.
func TestSaveAndRestoreEqualsNeverStopping(t *testing.T) {
	play := func(restartAt int) (states []network.State, leads []network.Leads) {
		w := newWork(3, ladder(3, 0.7))
		w.loadNeg = 2
		w.err()
		n, ran := 0, false
		w.spoil = func(r *seen) {
			if n%911 <= 30 {
				r.Battery[2].NegativeV.Quality = unit.NoAnswer // a tap that comes and goes
			}
			under := r.Running || ran // a run is over with the first reading after it
			ran = r.Running
			if n++; n < restartAt || under || restartAt == 0 {
				return
			}
			restartAt = 0
			data, err := json.Marshal(w.m.State())
			require.NoError(t, err)
			var s network.State
			require.NoError(t, json.Unmarshal(data, &s))
			w.m = network.New(3, [4]bool{true, true, true, true}, unit.DefaultClasses())
			require.NoError(t, w.m.Restore(s))
			assert.Equal(t, s, w.m.State())
		}
		for range 3 {
			w.day()
			w.run(100)
			w.rest(40, 0)
			states, leads = append(states, w.m.State()), append(leads, w.m.Load(), w.m.Feed())
		}
		for k := range 2 {
			_, _, ok := known(w.m.Link(k, network.Positive))
			assert.True(t, ok)
		}
		return states, leads
	}
	wantStates, wantLeads := play(0)
	for _, at := range []int{1, 7, 100, 1234, 5003, 9001, 12345, 15000} {
		states, leads := play(at)
		assert.True(t, assert.ObjectsAreEqual(wantStates, states), "restarted at reading %d", at)
		assert.Equal(t, wantLeads, leads, "restarted at reading %d", at)
	}
}

func TestRestoreRefusesWhatCannotBe(t *testing.T) {
	fitted := [4]bool{true, true}
	good := network.New(2, fitted, unit.DefaultClasses()).State()
	refuse := func(part string, change func(*network.State)) {
		t.Helper()
		s := good
		change(&s)
		m := network.New(2, fitted, unit.DefaultClasses())
		before := m.State()
		assert.ErrorContains(t, m.Restore(s), part)
		assert.Equal(t, before, m.State())
	}
	refuse("batteries", func(s *network.State) { s.Batteries = 3 })
	refuse("batteries", func(s *network.State) { s.NegativeFitted[1] = false })
	refuse("leads", func(s *network.State) { s.Held[0].Run = 2 })
	refuse("link", func(s *network.State) { s.Run[0][0].Var = math.NaN() })
	refuse("link", func(s *network.State) { s.Run[1][0].Count = -1 })
	refuse("link", func(s *network.State) { s.Charge[0][0].Cov[2][2] = -1 })
	refuse("link", func(s *network.State) { s.Charge[0][0].Mean[0] = math.Inf(1) })
	refuse("paths", func(s *network.State) { s.Motor.Count = -3 })
	refuse("gathered", func(s *network.State) { s.Pending.Base.Scans = -1 })
	refuse("gathered", func(s *network.State) { s.Pending.Stretch.Feed = network.Sum{Sum: math.NaN()} })
	refuse("gathered", func(s *network.State) { s.Pending.Settle = time.Hour })
	refuse("paths", func(s *network.State) { s.FeedAt = 2 })
	refuse("share", func(s *network.State) { s.ChargeShare[0] = math.NaN() })
}

func TestAStepAllocatesNothing(t *testing.T) {
	w := newWork(4, ladder(4, 0.5))
	w.day()
	s := unit.Scan{At: unit.Moment{Mono: w.at}}
	w.c.read(&s)
	assert.Zero(t, testing.AllocsPerRun(1000, func() {
		s.At.Mono += time.Second
		w.m.Step(&s, network.Facts{Running: s.At.Mono/time.Second%20 < 8})
	}))
}

// Mostly rest, one scan a second, as in service: 3 s of every minute at rest are a run at 150 scans
// a second.
func BenchmarkStep(b *testing.B) {
	for _, n := range []int{2, 4} {
		b.Run([]string{2: "two", 4: "four"}[n], func(b *testing.B) {
			w := newWork(n, ladder(n, 0.5))
			w.loadNeg = n - 1
			w.day()
			var rest, run unit.Scan
			w.c.inA = 0
			w.c.read(&rest)
			w.c.inA = -120
			w.c.read(&run)
			at, i := w.at, 0
			b.ReportAllocs()
			for b.Loop() {
				i++
				if i%510 < 450 {
					run.At.Mono = at
					at += 7 * time.Millisecond
					w.m.Step(&run, network.Facts{Running: true, RunFor: time.Duration(i%510) * 7 * time.Millisecond})
					continue
				}
				at += time.Second
				rest.At.Mono = at
				w.m.Step(&rest, network.Facts{})
			}
		})
	}
}

// Channels of a worse class leave links, paths and places less sure, by the same readings.
func TestAWorseClassIsLessSure(t *testing.T) {
	sigmas := func(change func(unit.Signal, *unit.SensorClass)) (byRuns, byCharge, path float64) {
		classes := unit.DefaultClasses()
		for c := range classes {
			change(unit.Channel(c).Signal(), &classes[c])
		}
		w := newWork(2, ladder(2, 0.5))
		w.m = network.New(2, [4]bool{true, true}, classes)
		w.loadNeg, w.feedNeg = 1, 1
		w.spoil = func(r *seen) {
			r.FeedV = good(r.Battery[0].VoltageV.Value + max(r.Battery[0].CurrentA.Value+r.Battery[1].CurrentA.Value, 0)*2/1000)
		}
		w.day()
		s := w.m.State()
		return w.m.Link(0, network.Positive).Sigma, s.Charge[network.Negative][0].Cov[2][2], w.m.FeedPath().Sigma
	}
	links, charge, path := sigmas(func(unit.Signal, *unit.SensorClass) {})
	moreLinks, _, _ := sigmas(func(_ unit.Signal, c *unit.SensorClass) { c.Gain *= 3 })
	assert.Greater(t, moreLinks, links)
	_, moreCharge, morePath := sigmas(func(s unit.Signal, c *unit.SensorClass) {
		if s != unit.BatteryCurrent {
			c.Step, c.Noise = 5*c.Step, 5*c.Noise
		}
	})
	assert.Greater(t, moreCharge, charge, "a chip with larger steps")
	assert.Greater(t, morePath, path)
	_, lessCharge, lessPath := sigmas(func(_ unit.Signal, c *unit.SensorClass) { c.Step, c.Noise = c.Step/5, c.Noise/5 })
	assert.Less(t, lessCharge, charge, "a chip with smaller steps")
	assert.Less(t, lessPath, path)
}
