package bank

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"liftbank/sim/cell"
)

// The network alone: batteries as EMFs behind resistances, against operating points of a circuit
// simulator.

type row map[string]string

// rows reads a file of testdata: a comment line with the origin, a header, rows.
func rows(t *testing.T, file string) []row {
	t.Helper()
	f, err := os.Open("testdata/" + file)
	require.NoError(t, err)
	defer f.Close()
	var all []row
	var keys []string
	for s := bufio.NewScanner(f); s.Scan(); {
		cells := strings.Split(s.Text(), ",")
		switch {
		case strings.HasPrefix(s.Text(), "#"):
		case keys == nil:
			keys = cells
		default:
			r := row{}
			for i, k := range keys {
				r[k] = cells[i]
			}
			all = append(all, r)
		}
	}
	require.NotEmpty(t, all)
	return all
}

func (r row) numbers(t *testing.T, key string) []float64 {
	t.Helper()
	var all []float64
	for _, word := range strings.Fields(r[key]) {
		v, err := strconv.ParseFloat(word, 64)
		require.NoError(t, err, key)
		all = append(all, v)
	}
	return all
}

func (r row) number(t *testing.T, key string) float64 {
	t.Helper()
	all := r.numbers(t, key)
	require.Len(t, all, 1, key)
	return all[0]
}

// within checks for 0.1 %, or 10 µA or µV near zero.
func within(t *testing.T, want, got float64, what string) {
	t.Helper()
	assert.InDelta(t, want, got, math.Max(1e-5, 1e-3*math.Abs(want)), what)
}

// drawing is a load that takes this current whatever the voltage: a huge EMF behind a huge
// resistance.
func drawing(a float64) Load { return Load{Joined: true, BackEMFV: -a * 1e9, Ohm: 1e9} }

// giving is a charger that gives this current whatever the voltage.
func giving(a float64) Source {
	return Source{Joined: true, On: a > 0, SetV: 1e9, LimitA: a, LimitW: 1e12}
}

// solveEMFs solves a bank of plain EMFs.
func solveEMFs(t *testing.T, w Wiring, emf, ohm []float64, src Source, load Load) Flow {
	t.Helper()
	b := &Bank{n: len(emf)}
	require.NoError(t, b.SetWiring(w))
	var lin rungs
	for k := range emf {
		lin.linear(k, emf[k], ohm[k], 0, b.rungOhm[k])
	}
	x := b.solveLinear(&lin, src, load)
	b.settle(&lin, &x, src, load)
	return b.Flow
}

func TestNetworkAgainstCircuitSimulator(t *testing.T) {
	for _, r := range rows(t, "network.csv") {
		t.Run(fmt.Sprintf("%s, %d", r["name"], len(r.numbers(t, "emf"))), func(t *testing.T) {
			at := func(key string) int { return int(r.number(t, key)) }
			w := Wiring{
				FeedPositive: Lead{at("feed_pos"), 2e-3}, FeedNegative: Lead{at("feed_neg"), 2e-3},
				LoadPositive: Lead{at("load_pos"), 1.5e-3}, LoadNegative: Lead{at("load_neg"), 1e-3},
			}
			copy(w.PositivePost[:], r.numbers(t, "post_pos"))
			copy(w.NegativePost[:], r.numbers(t, "post_neg"))
			copy(w.PositiveLink[:], r.numbers(t, "link_pos"))
			copy(w.NegativeLink[:], r.numbers(t, "link_neg"))
			flow := solveEMFs(t, w, r.numbers(t, "emf"), r.numbers(t, "ohm"), giving(r.number(t, "feed_a")),
				drawing(r.number(t, "load_a")))
			want := r.numbers(t, "current_a")
			for k := range want {
				within(t, want[k], flow.CurrentA[k], fmt.Sprintf("current of battery %d", k))
			}
			assert.InDelta(t, r.number(t, "last_positive_v"), flow.PositiveV[len(want)-1], 1e-5)
			assert.InDelta(t, r.number(t, "load_v"), flow.LoadV, 1e-5)
			assert.InDelta(t, r.number(t, "feed_v"), flow.FeedV, 1e-5)
		})
	}
}

func TestNetworkSolvedCases(t *testing.T) {
	for _, r := range rows(t, "solved.csv") {
		t.Run(r["name"], func(t *testing.T) {
			w := Wiring{
				PositiveLink: [3]float64{0.5e-3}, NegativeLink: [3]float64{0.5e-3},
				LoadNegative: Lead{At: int(r.number(t, "load_negative"))},
			}
			flow := solveEMFs(t, w, r.numbers(t, "emf_v"), r.numbers(t, "ohm"), Source{},
				drawing(r.number(t, "load_a")))
			assert.InDelta(t, r.number(t, "battery_1_a"), -flow.CurrentA[0], 0.006) // printed with two decimals
			assert.InDelta(t, r.number(t, "battery_2_a"), -flow.CurrentA[1], 0.006)
			negative := flow.NegativeV[w.LoadNegative.At] // no post resistance: the post is the rail
			assert.InDelta(t, r.number(t, "load_v"), flow.LoadV-negative, 0.0006)
		})
	}
}

// dense is a second solver, slow and plain: modified nodal analysis over all nodes and batteries
// with gonum's LU, batteries linearised anew from no current, steps cut until the error falls. The
// charger and the motor are the currents given.
type dense struct {
	n     int
	w     Wiring
	cells []cell.Battery
	in    func(node int) float64 // external current into a node: 2k positive, 2k+1 negative of battery k
}

func (d *dense) solve(t *rapid.T) []float64 {
	current := make([]float64, d.n)
	for range 200 {
		next := d.linear(t, current)
		far := 0.0
		for k := range current {
			far = math.Max(far, math.Abs(next[k]-current[k]))
		}
		step := 1.0
		for step > 1e-4 && d.violation(d.mix(current, next, step)) > (1-step/8)*d.violation(current)+1e-12 {
			step /= 2
		}
		current = d.mix(current, next, step)
		if far < 1e-7 {
			return current
		}
	}
	t.Fatalf("second solver did not settle")
	return nil
}

func (d *dense) mix(a, b []float64, share float64) []float64 {
	out := make([]float64, len(a))
	for k := range a {
		out[k] = a[k] + share*(b[k]-a[k])
	}
	return out
}

// violation is the largest voltage by which battery currents break Kirchhoff's voltage law around a
// loop.
func (d *dense) violation(current []float64) float64 {
	worst, sum, feedPos, feedNeg := 0.0, 0.0, 0.0, 0.0
	volts := func(k int) float64 {
		v, _ := d.cells[k].Terminal(current[k])
		return v + current[k]*(d.w.PositivePost[k]+d.w.NegativePost[k])
	}
	total := 0.0
	for k := range d.n {
		total += d.in(2 * k)
	}
	for k := range d.n {
		sum += current[k]
		feedPos += d.in(2 * k)
		feedNeg += d.in(2*k + 1)
		if k+1 < d.n {
			loop := volts(k) - volts(k+1) - d.w.PositiveLink[k]*(feedPos-sum) + d.w.NegativeLink[k]*(feedNeg+sum)
			worst = math.Max(worst, math.Abs(loop))
		}
	}
	return math.Max(worst, math.Abs(total-sum))
}

// linear solves for node voltages and battery currents around the given currents.
func (d *dense) linear(t *rapid.T, current []float64) []float64 {
	size := 3 * d.n // nodes, then batteries
	m, rhs := mat.NewDense(size, size, nil), mat.NewVecDense(size, nil)
	add := func(i, j int, v float64) { m.Set(i, j, m.At(i, j)+v) }
	resistor := func(i, j int, ohm float64) {
		g := 1 / ohm
		add(i, i, g)
		add(j, j, g)
		add(i, j, -g)
		add(j, i, -g)
	}
	for k := range d.n - 1 {
		resistor(2*k, 2*k+2, d.w.PositiveLink[k])
		resistor(2*k+1, 2*k+3, d.w.NegativeLink[k])
	}
	for k := range d.n {
		p, n, i := 2*k, 2*k+1, 2*d.n+k
		add(p, i, 1) // battery current leaves its positive node
		add(n, i, -1)
		v, slope := d.cells[k].Terminal(current[k])
		add(i, p, 1)
		add(i, n, -1)
		add(i, i, -(slope + d.w.PositivePost[k] + d.w.NegativePost[k]))
		rhs.SetVec(i, v-slope*current[k])
		rhs.SetVec(p, d.in(p))
		rhs.SetVec(n, d.in(n))
	}
	for j := range size { // node 1 is the reference
		m.Set(1, j, 0)
	}
	m.Set(1, 1, 1)
	rhs.SetVec(1, 0)
	var x mat.VecDense
	if err := x.SolveVec(m, rhs); err != nil {
		if _, badly := err.(mat.Condition); !badly {
			t.Fatalf("second solver: %v", err)
		}
	}
	out := make([]float64, d.n)
	for k := range out {
		out[k] = x.AtVec(2*d.n + k)
	}
	return out
}

// drawBattery draws a battery in any state a scenario can bring about.
func drawBattery(t *rapid.T) cell.Battery {
	spec := cell.Spec{
		Chemistry: rapid.SampledFrom([]cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel}).Draw(t, "chemistry"),
		RatedAh:   rapid.Float64Range(40, 200).Draw(t, "rated_ah"),
	}
	spec.RatedCCA = spec.RatedAh * rapid.Float64Range(5, 9).Draw(t, "cca per ah")
	if rapid.Bool().Draw(t, "aged") {
		spec.Aging = cell.Aging{
			LostCapacityPct:     rapid.Float64Range(0, 70).Draw(t, "lost"),
			RaisedResistancePct: rapid.Float64Range(0, 300).Draw(t, "raised"),
			SulfationPct:        rapid.Float64Range(0, 60).Draw(t, "sulfation"),
			ShortedCells:        rapid.IntRange(0, 2).Draw(t, "shorted"),
		}
	}
	b, err := cell.New(spec, rapid.Float64Range(0, 100).Draw(t, "soc"), rapid.Float64Range(-30, 50).Draw(t, "temp"))
	if err != nil {
		t.Fatalf("battery: %v", err)
	}
	return b
}

func drawWiring(t *rapid.T, n int) Wiring {
	w := Wiring{}
	mohm := func(name string, most float64) float64 { return rapid.Float64Range(0.02, most).Draw(t, name) / 1000 }
	for k := range n {
		w.PositivePost[k], w.NegativePost[k] = mohm("post", 3), mohm("post", 3)
	}
	for k := range n - 1 {
		w.PositiveLink[k], w.NegativeLink[k] = mohm("link", 20), mohm("link", 20)
	}
	for _, lead := range []*Lead{&w.FeedPositive, &w.FeedNegative, &w.LoadPositive, &w.LoadNegative} {
		*lead = Lead{rapid.IntRange(0, n-1).Draw(t, "at"), mohm("lead", 30)}
	}
	return w
}

func drawBank(t *rapid.T) *Bank {
	n := rapid.IntRange(1, MaxBatteries).Draw(t, "batteries")
	cells := make([]cell.Battery, n)
	for k := range cells {
		cells[k] = drawBattery(t)
	}
	b, err := New(drawWiring(t, n), cells)
	if err != nil {
		t.Fatalf("bank: %v", err)
	}
	return b
}

func drawSource(t *rapid.T) Source {
	return Source{
		Joined: rapid.Bool().Draw(t, "feed joined"), On: rapid.Bool().Draw(t, "feed on"),
		SetV: rapid.Float64Range(12, 16).Draw(t, "set"), LimitA: rapid.Float64Range(1, 80).Draw(t, "limit_a"),
		LimitW: rapid.Float64Range(10, 1000).Draw(t, "limit_w"),
	}
}

func drawLoad(t *rapid.T) Load {
	return Load{
		Joined: rapid.Bool().Draw(t, "motor"), BackEMFV: rapid.Float64Range(0, 11).Draw(t, "emf"),
		Ohm: rapid.Float64Range(0.01, 0.1).Draw(t, "motor ohm"), DrainA: rapid.Float64Range(0, 5).Draw(t, "drain"),
	}
}

func TestSolveAgainstSecondSolver(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBank(t)
		b.Solve(drawSource(t), drawLoad(t)) // somewhere to start from that is not the solution
		src, load := drawSource(t), drawLoad(t)
		b.Solve(src, load)
		flow, w := b.Flow, b.Wiring()
		second := dense{n: b.n, w: w, cells: b.cells[:b.n], in: func(node int) float64 {
			in, k := 0.0, node/2
			put := func(lead Lead, positive bool, a float64) {
				if lead.At == k && positive == (node%2 == 0) {
					in += a
				}
			}
			draw := flow.LoadA + load.DrainA
			put(w.FeedPositive, true, flow.FeedA)
			put(w.FeedNegative, false, -flow.FeedA)
			put(w.LoadPositive, true, -draw)
			put(w.LoadNegative, false, draw)
			return in
		}}
		for k, want := range second.solve(t) {
			if math.Abs(want-flow.CurrentA[k]) > 2e-3 {
				t.Fatalf("battery %d: second solver %v A, got %v A (%d iterations)", k, want, flow.CurrentA[k],
					b.iterations)
			}
			v, _ := b.cells[k].Terminal(flow.CurrentA[k])
			// Microvolts for a live battery; at the kink of an exhausted one, settledV times the
			// change of its slope.
			if d := flow.PositiveV[k] - flow.NegativeV[k] - v; math.Abs(d) > 1e-3 {
				t.Fatalf("battery %d: voltage at its posts is %v V off its terminal voltage", k, d)
			}
		}
	})
}

func TestSolveKeepsTheLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBank(t)
		for range rapid.IntRange(1, 4).Draw(t, "instants") {
			src, load := drawSource(t), drawLoad(t)
			b.Solve(src, load)
			f, w, sum := b.Flow, b.Wiring(), 0.0
			for k := range b.n {
				sum += f.CurrentA[k]
			}
			if d := sum - (f.FeedA - f.LoadA - load.DrainA); math.Abs(d) > 1e-9*math.Max(1, f.FeedA+f.LoadA) {
				t.Fatalf("currents into the batteries are %v A off feed less load", d)
			}
			if b.iterations >= maxIterations {
				t.Fatalf("did not settle")
			}
			if f.FeedA < 0 || f.LoadA < 0 || f.FeedA > src.LimitA+1e-9 {
				t.Fatalf("feed %v A of %v A, load %v A", f.FeedA, src.LimitA, f.LoadA)
			}
			if f.FeedA > 0 && b.outputV(f, w)*f.FeedA > src.LimitW*(1+1e-6) {
				t.Fatalf("feed gives %v W of %v W", f.FeedV*f.FeedA, src.LimitW)
			}
			for _, v := range []float64{f.FeedV, f.LoadV, f.PositiveV[b.n-1], f.NegativeV[b.n-1]} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("not a number in %+v", f)
				}
			}
			b.Step(rapid.SampledFrom([]float64{0.005, 1, 1}).Draw(t, "dt"), 20)
		}
	})
}

// outputV is the voltage between the charger's own terminals.
func (b *Bank) outputV(f Flow, w Wiring) float64 {
	k := w.FeedNegative.At
	rail := f.NegativeV[k] - w.NegativePost[k]*f.CurrentA[k]
	return f.FeedV - (rail - w.FeedNegative.Ohm*f.FeedA)
}

func newCell(t *testing.T, spec cell.Spec, soc, temp float64) cell.Battery {
	t.Helper()
	b, err := cell.New(spec, soc, temp)
	require.NoError(t, err)
	return b
}

var sound = cell.Spec{Chemistry: cell.Flooded, RatedAh: 100, RatedCCA: 950}

// A large current switched off is where plain Newton swings from side to side.
func TestSolveSettlesAfterSwitchingOff(t *testing.T) {
	for _, temp := range []float64{-30, 25, 50} {
		b, err := New(Wiring{PositiveLink: [3]float64{1e-3}, LoadNegative: Lead{At: 1}}, []cell.Battery{
			newCell(t, sound, 90, temp), newCell(t, sound, 20, temp),
		})
		require.NoError(t, err)
		b.Solve(Source{}, Load{Joined: true, Ohm: 0.01})
		require.Greater(t, b.Flow.LoadA, 300.0)
		b.Solve(Source{}, Load{})
		assert.Less(t, b.iterations, 15)
		assert.InDelta(t, 0, b.Flow.CurrentA[0]+b.Flow.CurrentA[1], 1e-9)
	}
}

func TestSeriesPair(t *testing.T) {
	w := Wiring{Layout: SeriesPairs, PositiveLink: [3]float64{0.5e-3}, LoadNegative: Lead{At: 1}}
	b, err := New(w, []cell.Battery{newCell(t, sound, 100, 25), newCell(t, sound, 100, 25)})
	require.NoError(t, err)
	b.Solve(Source{Joined: true, On: true, SetV: 14.4, LimitA: 40, LimitW: 500}, Load{})
	f := b.Flow
	assert.Zero(t, f.FeedA, "a 14.4 V charger can't charge 25 V")
	one, _ := b.Battery(0).Terminal(0)
	assert.InDelta(t, one, f.PositiveV[0]-f.NegativeV[0], 1e-6)
	assert.InDelta(t, one, f.NegativeV[1], 1e-6, "b stands on a")
	assert.InDelta(t, 2*one, f.PositiveV[1], 1e-6)
	assert.InDelta(t, 2*one, f.FeedV, 1e-6)

	b.Solve(Source{}, drawing(100))
	assert.InDelta(t, -100, b.Flow.CurrentA[0], 1e-3)
	assert.InDelta(t, -100, b.Flow.CurrentA[1], 1e-3, "the same current in both")
}

func TestReversedAlone(t *testing.T) {
	b, err := New(Wiring{Reversed: [4]bool{true}}, []cell.Battery{newCell(t, sound, 100, 25)})
	require.NoError(t, err)
	b.Solve(Source{Joined: true, On: true, SetV: 14.4, LimitA: 40, LimitW: 500}, Load{})
	assert.InDelta(t, -12.6, b.Flow.PositiveV[0]-b.Flow.NegativeV[0], 0.6)
	assert.Negative(t, b.BatteryA(0), "charging the place discharges the battery in it")
}

func TestOpenLinkLeavesABatteryAlone(t *testing.T) {
	w := Wiring{PositiveLink: [3]float64{OpenOhm}, LoadNegative: Lead{At: 1, Ohm: 1e-3}}
	b, err := New(w, []cell.Battery{newCell(t, sound, 100, 25), newCell(t, sound, 100, 25)})
	require.NoError(t, err)
	b.Solve(Source{}, drawing(120))
	assert.InDelta(t, -120, b.Flow.CurrentA[0], 1e-3)
	assert.InDelta(t, 0, b.Flow.CurrentA[1], 1e-3)
}

func TestWiringRefused(t *testing.T) {
	two := []cell.Battery{{}, {}}
	for name, c := range map[string]struct {
		w    Wiring
		n    int
		want string
	}{
		"no battery":       {Wiring{}, 0, "batteries: 0: want 1 to 4"},
		"odd pairs":        {Wiring{Layout: SeriesPairs}, 1, "1 in series pairs: want 2 or 4"},
		"lead off the end": {Wiring{LoadNegative: Lead{At: 2}}, 2, "negative load lead: at battery 2: want 0 to 1"},
		"negative ohms":    {Wiring{PositiveLink: [3]float64{-1}}, 2, "links 0: -1 and 0 Ω: want 0 or more"},
		"not a number": {Wiring{PositivePost: [4]float64{math.NaN()}}, 2,
			"posts of battery 0: NaN and 0 Ω: want 0 or more"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := New(c.w, two[:c.n])
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.want)
		})
	}
}
