package label_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/label"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// tap is a voltage tap whose dividers are good to a share.
func tap(share float64) unit.SensorClass { return unit.SensorClass{Zero: share, Gain: share} }

func newJudge(c *leadacid.Chemistry, class unit.SensorClass) *label.Judge {
	return label.New(label.Params{Chemistry: c, RatedAh: 100, Voltage: class, Taps: 2})
}

// cycle shows a judge so many full charges, each with a rest after so much was drawn, in % of 100 Ah,
// at which a reader sees restedV.
func cycle(j *label.Judge, times int, downs []float64, restedV func(down float64) float64) {
	at := j.State().Last
	for range times {
		for _, down := range downs {
			in := label.Scan{Now: at + 8*time.Hour, Full: true, FullAt: at + 8*time.Hour}
			j.Step(&in)
			in.StoredAh = -down
			for in.RestFor < 14*time.Hour {
				in.Now, in.RestFor = in.Now+time.Hour, in.RestFor+time.Hour
				in.V25, in.TempC, in.ZeroA = restedV(down), 20, 0.05
				j.Step(&in)
			}
			in.RestFor = 0
			at = in.Now + time.Hour
			in.Now = at
			j.Step(&in)
		}
	}
}

// scale returns a published scale of rested voltages at 100, 75, 50 %, and so on.
func scale(step float64, v ...float64) func(down float64) float64 {
	return func(down float64) float64 {
		i := min(int(down/step), len(v)-2)
		return v[i] + (down/step-float64(i))*(v[i+1]-v[i])
	}
}

var deep = []float64{3, 15, 35, 55, 75}

// Published scales of flooded blocks differ by up to 0.3 V at half charge: none of them, told as
// flooded, is against its label. A gel block by another table than the rules', told as flooded, is,
// and so is an AGM block with a maker's full voltage at the upper end of what is published.
func TestPublishedScales(t *testing.T) {
	sg := func(gravity ...float64) (v []float64) { // 0.84 V over the gravity, a cell: common rule
		for _, g := range gravity {
			v = append(v, leadacid.Cells*(g+0.84))
		}
		return v
	}
	tests := []struct {
		name   string
		told   *leadacid.Chemistry
		v      func(float64) float64
		tap    float64
		wanted string
	}{
		{"Battery Council, 26.7 °C", leadacid.Flooded, scale(25, 12.65, 12.45, 12.24, 12.06, 11.89), 0.001, ""},
		{"recreational vehicles, question and answer", leadacid.Flooded, scale(25, 12.66, 12.45, 12.30, 12.15), 0.001, ""},
		{"US Army TM-5-1185 table II, by gravity", leadacid.Flooded,
			scale(25, sg(1.280, 1.250, 1.220, 1.190, 1.130)...), 0.001, ""},
		{"solar, 3 h of rest, 10.5 V is empty", leadacid.Flooded,
			scale(10, 12.70, 12.50, 12.42, 12.32, 12.20, 12.06, 11.90, 11.75, 11.58, 11.31, 10.50), 0.001, ""},
		{"gel, the other reprint", leadacid.Flooded, scale(25, 12.85, 12.65, 12.35, 12.00, 11.80), 0.003, "agm or gel"},
		{"gel, the other reprint, as told", leadacid.Gel, scale(25, 12.85, 12.65, 12.35, 12.00, 11.80), 0.001, ""},
		{"AGM of a maker's 13.0 V", leadacid.Flooded, scale(25, 13.0, 12.75, 12.4, 12.05, 11.8), 0.01, "agm or gel"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			j := newJudge(tt.told, tap(tt.tap))
			cycle(j, 4, deep, tt.v)
			if tt.wanted == "" {
				assert.Nil(t, j.Against(), "%v", j.State().Goal)
				return
			}
			require.NotNil(t, j.Against(), "%v", j.State().Goal)
			assert.Contains(t, tt.wanted, j.Against().String())
		})
	}
}

// Sound batteries with the right label, each off its table as makers' are and read by taps at a
// limit of their class, are never against it.
func TestRightLabelsAreNeverDoubted(t *testing.T) {
	said := 0
	for seed := range uint64(3000) {
		random := rand.New(rand.NewPCG(seed, 0x6C6162))
		c := leadacid.All()[random.IntN(len(leadacid.All()))]
		class := tap([]float64{0.001, 0.003, 0.01}[random.IntN(3)])
		sign := float64(2*random.IntN(2) - 1)
		full, empty := c.FullSigmaV*random.NormFloat64(), c.RestedSigmaV*random.NormFloat64()
		acid, shape := 1+0.1*random.NormFloat64(), c.RestedSigmaV/2*random.NormFloat64()
		j := newJudge(c, class)
		cycle(j, 3, deep[:1+random.IntN(len(deep))], func(down float64) float64 {
			z := 1 - down/100*acid
			v := c.RestedVFromSoC(100*z) + z*full + (1-z)*empty + 4*z*(1-z)*shape + 0.01*random.NormFloat64()
			return v + sign*class.ReadLow(v)
		})
		if a := j.Against(); a != nil {
			said++
			t.Logf("seed %d: %s rests like %s: full %+.3f empty %+.3f acid %.2f", seed, c, a, full, empty, acid)
		}
	}
	assert.LessOrEqual(t, said, 3, "one in a thousand")
}

// What decides: where dividers are good to 1 %, only both ends of the curve.
func TestWhatDecides(t *testing.T) {
	tests := []struct {
		name  string
		tap   float64
		downs []float64
		full  float64 // that the AGM block is over its table when full
		said  bool
	}{
		{"a full block's voltage, 1 %", 0.01, deep[:1], 0, false},
		{"the same, 0.1 %", 0.001, deep[:1], 0, false},
		{"a maker's 13.0 V, 0.1 %", 0.001, deep[:1], 0.2, true},
		{"a maker's 13.0 V, 1 %", 0.01, deep[:1], 0.2, false},
		{"down to half, 1 %", 0.01, deep[:3], 0, false},
		{"down to a quarter, 0.3 %", 0.003, deep, 0, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			j := newJudge(leadacid.Flooded, tap(tt.tap))
			cycle(j, 4, tt.downs, func(down float64) float64 {
				return leadacid.AGM.RestedVFromSoC(100-down) + tt.full*(1-down/100)
			})
			assert.Equal(t, tt.said, j.Against() != nil, "%v", j.State().Goal)
			if tt.said {
				assert.Less(t, j.Weight(0), 0.02)
			}
		})
	}
}

// What is no evidence: a short rest, one that has not settled, a sensor at fault, a count over weeks.
func TestWhatIsNoEvidence(t *testing.T) {
	tests := []struct {
		name   string
		change func(*label.Scan)
		counts float64
	}{
		{"a rest of 12 h", func(*label.Scan) {}, 1},
		{"a short one", func(in *label.Scan) { in.RestFor = min(in.RestFor, 9*time.Hour) }, 0},
		{"of a day, twice", func(in *label.Scan) { in.RestFor *= 2 }, 2},
		{"surface charge still falls", func(in *label.Scan) { in.V25 += 0.2 - in.RestFor.Hours()*0.012 }, 0},
		{"a hard frost, in which sources disagree", func(in *label.Scan) { in.TempC = -20 }, 0},
		{"at fault", func(in *label.Scan) { in.Unfit = true }, 0},
		{"never full", func(in *label.Scan) { in.Full = false }, 0},
		{"a zero not known", func(in *label.Scan) { in.ZeroA = 0.5 }, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			j := newJudge(leadacid.Flooded, tap(0.01))
			for hour := range 13 {
				at := time.Duration(hour) * time.Hour
				in := label.Scan{Now: 20*time.Hour + at, RestFor: at, V25: 12.7, TempC: 20, ZeroA: 0.05}
				in.Full, in.FullAt = true, time.Hour
				tt.change(&in)
				j.Step(&in)
			}
			assert.InDelta(t, tt.counts, j.State().Depth[0].Rests, 0)
		})
	}
}

func TestState(t *testing.T) {
	j := newJudge(leadacid.Flooded, tap(0.003))
	cycle(j, 4, deep, func(down float64) float64 { return leadacid.AGM.RestedVFromSoC(100 - down) })
	k := newJudge(leadacid.Flooded, tap(0.003))
	require.NoError(t, k.Restore(j.State()))
	assert.Equal(t, j.State(), k.State())
	assert.Equal(t, j.Against(), k.Against())
	require.NoError(t, k.Restore(label.State{}))
	assert.Equal(t, j.State(), k.State(), "a version without it")
	for name, change := range map[string]func(*label.State){
		"of another":   func(s *label.State) { s.Label = "gel" },
		"weights":      func(s *label.State) { s.Weight = s.Weight[:1] },
		"weight":       func(s *label.State) { s.Goal[0] = 1.5 },
		"rests":        func(s *label.State) { s.Depth[1].Rests = -1 },
		"variance":     func(s *label.State) { s.Depth[1].VarV = -1 },
		"likeliest":    func(s *label.State) { s.LikeliestK = 17 },
		"against self": func(s *label.State) { s.LikeliestK, s.Against = 0, true },
	} {
		s := j.State()
		change(&s)
		require.Error(t, k.Restore(s), name)
		assert.Equal(t, j.State(), k.State(), name)
	}
}

func ExampleJudge() {
	j := newJudge(leadacid.Flooded, tap(0.003))
	cycle(j, 4, deep, func(down float64) float64 { return leadacid.AGM.RestedVFromSoC(100 - down) })
	fmt.Println("rests like", j.Against())
	// Output: rests like agm
}

// Two rests that fit another chemistry by any odds may be one odd charge; three decide.
func TestThreeRestsDecide(t *testing.T) {
	for rests, said := range map[int]bool{2: false, 3: true, 4: true} {
		j := newJudge(leadacid.Flooded, tap(0.001))
		cycle(j, rests, deep[:1], func(down float64) float64 { return leadacid.AGM.RestedVFromSoC(100-down) + 0.2*(1-down/100) })
		assert.Equal(t, said, j.Against() != nil, "%d rests", rests)
	}
}

// Nobody counts what a battery loses by itself: at 3 % a month, in doubt by as much, a count of seven
// weeks still tells its charge to 6 %, one of nine weeks does not.
func TestACountGrowsOld(t *testing.T) {
	for days, counts := range map[int]float64{1: 1, 50: 1, 65: 0} {
		j := newJudge(leadacid.Flooded, tap(0.01))
		for hour := range 13 {
			at := time.Duration(hour) * time.Hour
			j.Step(&label.Scan{
				Now: time.Duration(24*days)*time.Hour + at, RestFor: at, V25: 12.7, TempC: 20, Full: true, FullAt: time.Hour,
			})
		}
		assert.InDelta(t, counts, j.State().Depth[0].Rests, 0, "%d days", days)
	}
}

// Rests that fit no chemistry within the tap's class name none: 0.3 V above any full block, then 0.3 V below any
// table, is a tap or a count that is wrong.
func TestWhatFitsNothingNamesNothing(t *testing.T) {
	j := newJudge(leadacid.Flooded, tap(0.001))
	cycle(j, 4, deep, func(down float64) float64 { return 13.3 - 0.035*down })
	assert.Nil(t, j.Against(), "%v", j.State().Goal)
}
