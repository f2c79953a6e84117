package label_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/label"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// shown returns a judge that has seen so much at some depths, and then one more rest like the first of
// them.
func shown(t *testing.T, told *leadacid.Chemistry, class unit.SensorClass, before bool, depth ...label.Depth) *label.Judge {
	t.Helper()
	j := newJudge(told, class)
	s := j.State()
	for i := range depth {
		s.Depth[int(depth[i].DownPct/10)] = depth[i]
	}
	s.FullSeen, s.Begun = true, true
	if before {
		s.Against, s.LikeliestK = true, 1
	}
	require.NoError(t, j.Restore(s))
	first := &depth[0]
	for _, restFor := range []time.Duration{5 * time.Hour, 11 * time.Hour} {
		j.Step(&label.Scan{Now: 9*time.Hour + restFor, RestFor: restFor, V25: first.V25, TempC: 25, StoredAh: -first.DownPct})
	}
	require.Greater(t, j.State().Depth[int(first.DownPct/10)].Rests, first.Rests, "it was read")
	return j
}

// batch is the evidence for a chemistry written out as one normal distribution of all depths: what a
// curve may be off by is in its covariance, where the judge has a filter that goes over the depths.
type batch struct {
	inverse [][]float64
	off     []float64
	logDet  float64
}

// newBatch has the doubts of a curve as they are meant: any full block may rest 50 mV off its table, the
// acid may hold a tenth more or less than rated, half of the table's error is of its shape, and four
// rests at a depth average out.
func newBatch(c *leadacid.Chemistry, s *label.State) *batch {
	var b batch
	var h [][3]float64
	var own []float64
	for i := range s.Depth {
		d := &s.Depth[i]
		if d.Rests == 0 {
			continue
		}
		down, table := d.DownPct/100, c.RestedVFromSoC(100-d.DownPct)
		_, pctPerV := c.SoCFromRestedV(table)
		h = append(h, [3]float64{(1 - down) * max(c.FullSigmaV, 0.05), down * c.RestedSigmaV, down * 100 / pctPerV * 0.10})
		own = append(own, (d.VarV+d.VarPct/pctPerV/pctPerV)/min(d.Rests, 4)+math.Pow(c.RestedSigmaV/2, 2))
		b.off = append(b.off, d.V25-table)
	}
	n := len(h)
	m := make([][]float64, n) // covariance beside the unit matrix
	for i := range n {
		m[i] = make([]float64, 2*n)
		m[i][n+i] = 1
		for k := range n {
			for u := range h[i] {
				m[i][k] += h[i][u] * h[k][u]
			}
		}
		m[i][i] += own[i]
	}
	for i := range n { // Gauss and Jordan
		pivot := m[i][i]
		b.logDet += math.Log(pivot)
		for k := range m[i] {
			m[i][k] /= pivot
		}
		for r := range n {
			if f := m[r][i]; r != i {
				for k := range m[r] {
					m[r][k] -= f * m[i][k]
				}
			}
		}
	}
	for i := range n {
		b.inverse = append(b.inverse, m[i][n:])
	}
	return &b
}

// miss is the sum of squares for a tap that reads tap volts too much.
func (b *batch) miss(tap float64) (sum float64) {
	for i := range b.off {
		for k := range b.off {
			sum += (b.off[i] - tap) * b.inverse[i][k] * (b.off[k] - tap)
		}
	}
	return sum
}

// best is the tap's error within ±most that misses least.
func (b *batch) best(most float64) float64 {
	var off, all float64
	for i := range b.off {
		for k := range b.off {
			off, all = off+b.inverse[i][k]*b.off[k], all+b.inverse[i][k]
		}
	}
	return min(max(off/all, -most), most)
}

func (b *batch) logL(tap float64) float64 { return -(b.miss(tap) + b.logDet) / 2 }

// judged is what the evidence comes to.
type judged struct {
	weight  []float64
	likely  int
	odds    float64 // against the label, its tap as suits it best
	surplus float64 // of what the likeliest misses the rests by, in standard deviations of its chi-square
}

// judgedOf weighs chemistries of which the label's, the first, is right in 95 of 100, read by the mean
// of two taps whose errors are even within the class: the same 33 errors are tried.
func judgedOf(s *label.State, class unit.SensorClass) (w judged) {
	most := class.ReadLow(leadacid.All()[0].RestedVFromSoC(100))
	var miss []float64
	var label, sum float64
	for k, c := range leadacid.All() {
		b := newBatch(c, s)
		mean, parts := 0.0, 0.0
		for i := -16; i <= 16; i++ {
			u := float64(i) / 16
			part := math.Exp(-u * u / 2 * 3 * 2)
			mean, parts = mean+part*math.Exp(b.logL(u*most)), parts+part
		}
		prior := 0.05 / float64(len(leadacid.All())-1)
		best := b.best(most)
		if k == 0 {
			prior = 0.95
			label = prior * math.Exp(b.logL(best))
		}
		w.weight = append(w.weight, prior*mean/parts)
		miss = append(miss, b.miss(best))
		sum += w.weight[k]
		if w.weight[k] > w.weight[w.likely] {
			w.likely = k
		}
	}
	w.odds = (sum - w.weight[0]) / label
	n := 0.0
	for i := range s.Depth {
		if s.Depth[i].Rests > 0 {
			n++
		}
	}
	w.surplus = (miss[w.likely] - n) / math.Sqrt(2*n)
	for k := range w.weight {
		w.weight[k] /= sum
	}
	return w
}

// rested are depths at which a block rests at a share of the way from a flooded one's table to an AGM
// one's, and so much above that.
func rested(share, aboveV, rests float64, downs ...float64) (depth []label.Depth) {
	for _, down := range downs {
		flooded, agm := leadacid.Flooded.RestedVFromSoC(100-down), leadacid.AGM.RestedVFromSoC(100-down)
		depth = append(depth, label.Depth{
			Rests: rests, V25: flooded + share*(agm-flooded) + aboveV, DownPct: down, VarV: 4e-4, VarPct: 4 + down*down/1e4,
		})
	}
	return depth
}

// The weights are Bayes' rule for normal errors, as a batch has it.
func TestWeightsAreBayes(t *testing.T) {
	assert.InDelta(t, 0.95, newJudge(leadacid.Flooded, tap(0.01)).Weight(0), 1e-12, "before any rest")
	for _, class := range []float64{0.001, 0.003, 0.01} {
		for _, depth := range [][]label.Depth{
			rested(0.5, 0, 1, 3), rested(1, 0.1, 3, 3), rested(0.5, 0, 4, 35), rested(0.3, 0.02, 6, 75),
			rested(0.7, 0, 1, 3, 55), rested(1, 0, 3, 3, 35, 75), rested(0.2, -0.05, 8, 3, 15, 35, 55, 75),
		} {
			s := shown(t, leadacid.Flooded, tap(class), false, depth...).State()
			for k, want := range judgedOf(&s, tap(class)).weight {
				assert.InEpsilon(t, want/(1-want), s.Goal[k]/(1-s.Goal[k]), 1e-6, "odds of %s, taps of %g, %v", leadacid.All()[k],
					class, depth)
			}
		}
	}
}

// A label is told wrong from 99 to 1 on, and until 9 to 1, only for a chemistry that fits the rests
// to three standard deviations: as `label-mismatch` says of itself.
func TestOddsDecide(t *testing.T) {
	const near = 0.001 // of a limit, that rounding leaves open
	below, above, fits, misses := map[float64]int{}, map[float64]int{}, 0, 0
	for _, before := range []bool{false, true} {
		limit := 99.0
		if before {
			limit = 9
		}
		for share := 0.0; share < 2.5; share += 0.01 {
			for _, downs := range [][]float64{{3}, {3, 75}, {3, 35, 55, 75}} {
				// With the sign changed from depth to depth no chemistry fits, and no tap makes up for it.
				for _, bentV := range []float64{0, 0.05, 0.08, 0.1, 0.12} {
					depth := rested(share, 0, 3, downs...)
					for i := range depth {
						depth[i].V25 += bentV * float64(1-2*(i%2))
					}
					j := shown(t, leadacid.Flooded, tap(0.001), before, depth...)
					s := j.State()
					w := judgedOf(&s, tap(0.001))
					if math.Abs(w.odds/limit-1) < near || math.Abs(w.surplus/3-1) < near {
						continue
					}
					want := w.likely != 0 && w.odds > limit && w.surplus < 3
					assert.Equal(t, want, j.Against() != nil, "odds %.4g, surplus %.3g, share %g, %v", w.odds, w.surplus, share, downs)
					switch {
					case w.surplus < 2.5 && w.odds > limit && w.odds < 1.2*limit:
						above[limit]++
					case w.surplus < 2.5 && w.odds < limit && w.odds > limit/1.2:
						below[limit]++
					case w.odds > 2*limit && w.surplus > 2.4 && w.surplus < 3:
						fits++
					case w.odds > 2*limit && w.surplus > 3 && w.surplus < 3.6:
						misses++
					}
				}
			}
		}
	}
	t.Log("tried about each limit:", below, above, fits, misses)
	assert.True(t, below[9] > 0 && below[99] > 0 && above[9] > 0 && above[99] > 0 && fits > 0 && misses > 0, "each limit was tried")
}

// Two rests are too few at any odds, three are not.
func TestNoOddsMakeUpForARest(t *testing.T) {
	for rests, said := range map[float64]bool{1: false, 2: true} { // and one more is read
		j := shown(t, leadacid.Flooded, tap(0.001), false, rested(2, 0, rests, 3)...)
		s := j.State()
		w := judgedOf(&s, tap(0.001))
		require.Greater(t, w.odds, 200.0)
		require.Less(t, w.surplus, 2.0)
		assert.Equal(t, said, j.Against() != nil, "%v rests and one", rests)
	}
}

// What one rest is worth: of a charge seen to its end 2 % are open, of one counted since 1 %, of a zero
// what it comes to in that time, and 0.1 % a day that nobody counts.
func TestWhatARestIsWorth(t *testing.T) {
	tests := []struct {
		name        string
		down, zeroA float64
		hours       float64
		sigmaPct    float64
	}{
		{"near full", 1, 0, 12, 2.00},
		{"deep", 90, 0, 12, math.Hypot(2, 0.9)},
		{"ten days later", 1, 0, 240, math.Hypot(2, 1)},
		{"by a zero of 0.1 A in a day", 1, 0.1, 24, math.Hypot(2, 2.4)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			j := newJudge(leadacid.Flooded, tap(0.01))
			for _, restFor := range []time.Duration{0, 5 * time.Hour, 11 * time.Hour} {
				j.Step(&label.Scan{
					Now: time.Duration(tt.hours*float64(time.Hour)) + restFor - 11*time.Hour, RestFor: restFor, V25: 12.5, TempC: 25,
					ZeroA: tt.zeroA, Full: true, StoredAh: -tt.down * min(restFor.Hours(), 1),
				})
			}
			d := j.State().Depth[int(tt.down/10)]
			require.InDelta(t, 1, d.Rests, 0)
			assert.InDelta(t, tt.sigmaPct, math.Sqrt(d.VarPct), 0.01)
			// A voltage that seems steady hides a fall of 8 mV: of a time constant of 10 h, six hours take
			// 45 %, so that up to 9.7 mV are to come, half of which is the likeliest.
			left := math.Exp(-0.6) / (1 - math.Exp(-0.6)) * 0.008
			_, tempV := leadacid.TemperatureShiftV(25)
			assert.InDelta(t, 12.5-left/2, d.V25, 1e-5)
			assert.InDelta(t, math.Hypot(left/2, tempV), math.Sqrt(d.VarV), 1e-5)
		})
	}
}

// A rest has settled when what a charge left is known to 30 mV: with a time constant of ten hours, up to
// a fall of 41 mV in six, and the 8 mV that may hide in it.
func TestHowWellARestHasSettled(t *testing.T) {
	for fallV, counts := range map[float64]float64{0.024: 1, 0.036: 1, 0.046: 0, 0.060: 0} {
		j := newJudge(leadacid.Flooded, tap(0.01))
		j.Step(&label.Scan{Full: true})
		j.Step(&label.Scan{Now: 4 * time.Hour, RestFor: 4 * time.Hour, V25: 12.7, TempC: 25})
		j.Step(&label.Scan{Now: 10 * time.Hour, RestFor: 10 * time.Hour, V25: 12.7 - fallV, TempC: 25})
		assert.InDelta(t, counts, j.State().Depth[0].Rests, 0, "falls %g V", fallV)
	}
}

// Ten hours of rest are one, nine are none; a longer one is read again after twelve more, however
// seldom it is looked at.
func TestHowLongARestIs(t *testing.T) {
	tests := []struct {
		each, until time.Duration
		counts      float64
	}{
		{time.Hour, 9 * time.Hour, 0},
		{time.Hour, 10 * time.Hour, 1},
		{time.Hour, 21 * time.Hour, 1},
		{time.Hour, 22 * time.Hour, 2},
		{5 * time.Hour, 30 * time.Hour, 1}, // read at 15 h; at 25 h it is too early
		{5 * time.Hour, 35 * time.Hour, 2},
	}
	for _, tt := range tests {
		j := newJudge(leadacid.Flooded, tap(0.01))
		j.Step(&label.Scan{Full: true})
		for at := tt.each; at <= tt.until; at += tt.each {
			j.Step(&label.Scan{Now: at, RestFor: at, V25: 12.7, TempC: 25})
		}
		assert.InDelta(t, tt.counts, j.State().Depth[0].Rests, 0, "%v, every %v", tt.until, tt.each)
	}
}

// Old rests fade: a battery changes. The latest of many at one depth weighs a twentieth.
func TestOldRestsFade(t *testing.T) {
	j := newJudge(leadacid.Flooded, tap(0.01))
	show := func(v float64) float64 {
		cycle(j, 1, []float64{35}, func(float64) float64 { return v })
		return j.State().Depth[3].V25
	}
	for range 40 {
		show(12.40)
	}
	was := show(12.40)
	assert.InDelta(t, 0.1/20, show(12.50)-was, 2e-4)
}

// The weights follow the evidence as a lag of six hours does, so that no charge jumps with them.
func TestWeightsFollow(t *testing.T) {
	j := shown(t, leadacid.Flooded, tap(0.001), false, rested(1, 0.1, 4, 3, 75)...)
	s := j.State()
	from, goal, at := s.Weight[0], s.Goal[0], s.Last
	for range 6 * 60 {
		at += time.Minute
		j.Step(&label.Scan{Now: at})
	}
	assert.InDelta(t, 1-1/math.E, (j.Weight(0)-from)/(goal-from), 0.01)
}
