// Package label weighs which chemistry a battery is against the one on its label, by how it rests.
//
// The evidence is pairs of a rested voltage and the charge counted out since the battery was seen
// full: where the curve begins and how steep it is. What a charger is set to says nothing of the
// battery. Each chemistry's curve may be off at either end, in its shape and in how much charge its
// acid holds, as the makers' are; and the voltage tap may be off by its class, the same each time.
// That is as much as two chemistries differ by where dividers are good to 1 %: then only both ends of
// the curve tell them apart, or nothing does, and the weights say so.
//
// Rests at one depth are one piece of evidence, however many there were: their errors repeat.
package label

import (
	"fmt"
	"math"
	"slices"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// What is believed before any rest.
const (
	labelPrior  = 0.95 // ratio: of batteries whose label is right; our choice
	fullSpreadV = 0.05 // V: of any full block, at least; published: full flooded ones rest at 12.65 to 12.75 V
	acidSigma   = 0.10 // ratio: of the charge that a block's acid holds, over its rating; our choice
	shapePart   = 0.5  // ratio: of the table's error that is of its shape; our choice
)

// What counts as evidence.
const (
	fallAfter = 4 * time.Hour  // of rest, before the fall of the voltage is read; our choice
	fallTime  = 6 * time.Hour  // over which it is read; our choice
	fallV     = 0.008          // V: of two readings hours apart, at another temperature; our choice
	again     = 12 * time.Hour // of the same rest, until it is read once more; our choice
	unsettled = 0.03           // V: how well a rest must have settled; our choice
	fullPct   = 2.0            // %: of a charge seen to its end; our choice
	gain      = 0.01           // ratio: of the charge counted since; our choice
	selfPct   = 0.1            // %: in a day, that a battery loses by itself and nobody counts; our choice
	maxPct    = 6.0            // %: of the charge counted since, in more doubt it is no evidence; our choice
	depths    = 10             // count: of evidence, each of a tenth of the rating; our choice
	mostRests = 4              // count: of rests at one depth by which their errors average out; our choice
	halfReads = 20.0           // count: of rests at one depth, older ones fade; our choice
)

// When the label is said to be wrong.
const (
	decided   = 99.0          // ratio: of the odds against the label, its tap at its best; our choice
	released  = 9.0           // ratio: of the same; our choice
	leastRest = 3             // count: of rests; our choice
	fitSigmas = 3.0           // ratio: of what the chemistry named instead may miss the rests by; our choice
	weighTime = 6 * time.Hour // over which the weights follow the evidence; our choice
	taps      = 33            // count: of tap errors over its class that are tried; our choice
	evenVar   = 3.0           // ratio: of a limit squared over the variance, anywhere inside it; physical
)

// Params describes the battery and its tap.
type Params struct {
	Chemistry *leadacid.Chemistry // by its label
	RatedAh   float64
	Voltage   unit.SensorClass
	Taps      int // whose mean the readings follow
}

// Scan is what is known of one instant.
type Scan struct {
	Now      time.Duration
	RestFor  time.Duration // 0: not at rest
	V25      float64       // the voltage at rest, smoothed, at 25 °C
	TempC    float64
	StoredAh float64       // counted in less out, what charging loses left out
	FullAt   time.Duration // when the battery was last seen full
	Full     bool          // if it ever was
	ZeroA    float64       // standard deviation of the current sensor's zero
	Unfit    bool          // the battery or its sensors are at fault: no evidence
}

// Depth is what rests have shown at one depth of discharge.
type Depth struct {
	Rests   float64 // behind it
	V25     float64
	DownPct float64 // counted out since full, of the rating
	VarV    float64 // V²: of one rest
	VarPct  float64 // %²: of one count
}

// State is what has been learned. It is saved as it is.
type State struct {
	Depth      [depths]Depth
	FullAt     time.Duration
	FullAh     float64 // Scan.StoredAh when it was full
	FullSeen   bool
	ReadFor    time.Duration // of the rest under way, when it was last read
	FallV      float64       // where the reading of its fall began,
	FallFor    time.Duration // and how long after it did
	Last       time.Duration
	Begun      bool
	Goal       []float64 // weights by the evidence, in the order of leadacid.All
	Weight     []float64 // those that are used, on their way there
	Against    bool      // the label is said to be wrong
	Label      string    // of the battery: a chemistry by its name
	LikeliestK int       // index of the likeliest
}

// Judge weighs the label of one battery. It belongs to one goroutine.
type Judge struct {
	p     Params
	all   []*leadacid.Chemistry
	prior []float64
	own   int // index of the label's
	tapV  float64
	s     State
	tried []evidence
}

// New returns a judge that has seen no rest.
func New(p Params) *Judge {
	all := leadacid.All()
	j := &Judge{
		p: p, all: all, own: slices.Index(all, p.Chemistry), tapV: p.Voltage.ReadLow(p.Chemistry.RestedVFromSoC(100)),
		tried: make([]evidence, len(all)),
	}
	for k := range all {
		share := labelPrior
		if k != j.own {
			share = (1 - labelPrior) / float64(len(all)-1)
		}
		j.prior = append(j.prior, share)
	}
	j.s = State{
		Label: p.Chemistry.Name, Goal: slices.Clone(j.prior), Weight: slices.Clone(j.prior), LikeliestK: j.own,
	}
	return j
}

// Weight returns how likely it is that the battery is of the kth chemistry of leadacid.All.
func (j *Judge) Weight(k int) float64 { return j.s.Weight[k] }

// Against returns the chemistry that the battery rests like, where that is not its label's beyond
// doubt; nil while it may be.
func (j *Judge) Against() *leadacid.Chemistry {
	if !j.s.Against {
		return nil
	}
	return j.all[j.s.LikeliestK]
}

// Step applies one scan.
func (j *Judge) Step(in *Scan) {
	s := &j.s
	if s.Begun {
		part := float64(in.Now-s.Last) / float64(weighTime)
		for k := range s.Weight {
			s.Weight[k] += (s.Goal[k] - s.Weight[k]) * part / (1 + part)
		}
	}
	s.Begun, s.Last = true, in.Now
	if in.Full && (!s.FullSeen || in.FullAt > s.FullAt) {
		s.FullSeen, s.FullAt, s.FullAh = true, in.FullAt, in.StoredAh
	}
	if in.RestFor < fallAfter {
		s.ReadFor, s.FallFor = 0, 0
		return
	}
	if s.FallFor == 0 || in.RestFor < s.FallFor {
		s.FallV, s.FallFor = in.V25, in.RestFor
		return
	}
	if span := in.RestFor - s.FallFor; span >= fallTime {
		j.read(in, leftV(s.FallV-in.V25, in.TempC, span))
		s.FallV, s.FallFor = in.V25, in.RestFor
	}
}

// leftV is how much of what a charge left may still stand in a voltage that fell so far in a time.
func leftV(fallenV, tempC float64, span time.Duration) float64 {
	tau := leadacid.SlowSurfaceDecay.Hours() * leadacid.SurfaceSlowing(tempC)
	left := math.Exp(-span.Hours() / tau)
	return (max(fallenV, 0) + fallV) * left / (1 - left)
}

// read takes in a rest in whose voltage surfaceV may stand of a charge.
func (j *Judge) read(in *Scan, surfaceV float64) {
	s := &j.s
	_, tempV := leadacid.TemperatureShiftV(in.TempC)
	sigmaV := math.Hypot(surfaceV/2, tempV)
	if in.Unfit || !s.FullSeen || sigmaV > unsettled || s.ReadFor > 0 && in.RestFor-s.ReadFor < again {
		return
	}
	down := 100 * (s.FullAh - in.StoredAh) / j.p.RatedAh
	since := (in.Now - s.FullAt).Hours()
	sigma := math.Sqrt(sq(fullPct) + sq(gain*down) + sq(100*in.ZeroA*since/j.p.RatedAh) + sq(selfPct*since/hoursPerDay))
	if sigma > maxPct {
		return
	}
	s.ReadFor = in.RestFor
	s.Depth[min(max(int(down/(100/depths)), 0), depths-1)].take(in.V25-surfaceV/2, sq(sigmaV), down, sq(sigma))
	j.weigh()
}

const hoursPerDay = 24.0 // h: in a day; physical

// take takes in one rest; one that has settled better counts for more.
func (d *Depth) take(v, varV, down, varPct float64) {
	d.Rests = min(d.Rests+1, halfReads)
	part := 1 / d.Rests
	if d.Rests > 1 && d.VarV+varV > 0 {
		part = min(2*part*d.VarV/(d.VarV+varV), 1)
	}
	d.V25 += (v - d.V25) * part
	d.DownPct += (down - d.DownPct) * part
	d.VarV += (varV - d.VarV) * part
	d.VarPct += (varPct - d.VarPct) * part
}

// evidence is what the rests say of one chemistry: the sum of (off + offPerTap t)²/variance over the
// depths for a tap that reads t too much, and the logarithms of the variances.
type evidence struct {
	off2, cross, tap2 float64
	logVar            float64
	n                 float64
}

// miss is the sum of squares for a tap that reads t too much.
func (e *evidence) miss(t float64) float64 { return e.off2 + t*(2*e.cross+t*e.tap2) }

// logL is the logarithm of the likelihood for that.
func (e *evidence) logL(t float64) float64 { return -(e.miss(t) + e.logVar) / 2 }

// best returns the tap's error within ±most that suits the evidence best.
func (e *evidence) best(most float64) float64 {
	if e.tap2 <= 0 {
		return 0
	}
	return min(max(-e.cross/e.tap2, -most), most)
}

// The unknowns of a curve: how far it is off at the full end and at the empty end (V), and how much
// more charge than rated its acid gives off (a share).
const (
	iFull = iota
	iEmpty
	iAcid
	unknowns
)

// evidenceOf goes over the depths with a Kalman filter of the curve's unknowns. Its innovations are
// linear in the tap's error: x[1] is what x[0] gains with that.
func evidenceOf(c *leadacid.Chemistry, depth *[depths]Depth) (e evidence) {
	var x [2][unknowns]float64
	var p [unknowns][unknowns]float64
	p[iFull][iFull] = sq(max(c.FullSigmaV, fullSpreadV))
	p[iEmpty][iEmpty], p[iAcid][iAcid] = sq(c.RestedSigmaV), sq(acidSigma)
	for i := range depth {
		d := &depth[i]
		if d.Rests == 0 {
			continue
		}
		down := d.DownPct / 100
		table := c.RestedVFromSoC(100 - d.DownPct)
		_, pctPerV := c.SoCFromRestedV(table)
		h := [unknowns]float64{1 - down, down, down * 100 / pctPerV}
		r := (d.VarV+d.VarPct/sq(pctPerV))/min(d.Rests, mostRests) + sq(shapePart*c.RestedSigmaV)
		off := [2]float64{d.V25 - table, -1}
		var ph [unknowns]float64
		for a := range unknowns {
			off[0], off[1] = off[0]-h[a]*x[0][a], off[1]-h[a]*x[1][a]
			for b := range unknowns {
				ph[a] += p[a][b] * h[b]
			}
		}
		for a := range unknowns {
			r += h[a] * ph[a]
		}
		e.off2, e.cross, e.tap2 = e.off2+off[0]*off[0]/r, e.cross+off[0]*off[1]/r, e.tap2+off[1]*off[1]/r
		e.logVar, e.n = e.logVar+math.Log(r), e.n+1
		for a := range unknowns {
			x[0][a], x[1][a] = x[0][a]+ph[a]/r*off[0], x[1][a]+ph[a]/r*off[1]
			for b := range unknowns {
				p[a][b] -= ph[a] * ph[b] / r
			}
		}
	}
	return e
}

// weigh works out the weights, and whether the label is said to be wrong: by odds that hold even if
// the tap errs, within its class, as suits the label best.
func (j *Judge) weigh() {
	s, sum, top := &j.s, 0.0, math.Inf(-1)
	for k, c := range j.all {
		j.tried[k] = evidenceOf(c, &s.Depth)
		top = max(top, j.tried[k].logL(j.tried[k].best(j.tapV)))
	}
	for k := range j.all {
		s.Goal[k] = j.prior[k] * j.averaged(&j.tried[k], top)
		sum += s.Goal[k]
	}
	others := 0.0
	s.LikeliestK = 0
	for k := range s.Goal {
		if k != j.own {
			others += s.Goal[k]
		}
		if s.Goal[k] > s.Goal[s.LikeliestK] {
			s.LikeliestK = k
		}
	}
	label, rests := &j.tried[j.own], 0.0
	for i := range s.Depth {
		rests += s.Depth[i].Rests
	}
	odds := others / (j.prior[j.own] * math.Exp(label.logL(label.best(j.tapV))-top))
	like := &j.tried[s.LikeliestK]
	fits := like.miss(like.best(j.tapV)) <= like.n+fitSigmas*math.Sqrt(2*like.n)
	s.Against = s.LikeliestK != j.own && fits && rests >= leastRest && (odds >= decided || s.Against && odds >= released)
	for k := range s.Goal {
		s.Goal[k] /= sum
	}
}

// averaged is the likelihood over the errors that the tap may have, over exp(top).
func (j *Judge) averaged(e *evidence, top float64) (mean float64) {
	sum := 0.0
	for i := range taps {
		u := 2*float64(i)/(taps-1) - 1 // of the class
		p := math.Exp(-evenVar * float64(max(j.p.Taps, 1)) * u * u / 2)
		sum += p
		mean += p * math.Exp(e.logL(u*j.tapV)-top)
	}
	return mean / sum
}

// State returns what has been learned.
func (j *Judge) State() State {
	s := j.s
	s.Goal, s.Weight = slices.Clone(s.Goal), slices.Clone(s.Weight)
	return s
}

// Restore takes over what had been learned. One that can't be is refused and changes nothing; one
// saved by a version that weighed none too, without an error.
func (j *Judge) Restore(s State) error {
	if s.Label == "" && !s.Begun {
		return nil
	}
	var c unit.Check
	own := j.p.Chemistry.Name
	if s.Label != own || len(s.Goal) != len(j.all) || len(s.Weight) != len(j.all) ||
		s.LikeliestK < 0 || s.LikeliestK >= len(j.all) || s.Against && s.LikeliestK == j.own {
		return fmt.Errorf("label: got %q with %d weights: want %s with %d", s.Label, len(s.Weight),
			own, len(j.all))
	}
	for k := range s.Goal {
		c.In("weight", s.Goal[k], 0, 1)
		c.In("weight", s.Weight[k], 0, 1)
	}
	for i := range s.Depth {
		d := &s.Depth[i]
		c.In("rests", d.Rests, 0, halfReads)
		c.Finite("rest", d.V25, d.DownPct)
		c.Sum("variance", d.VarV, d.VarPct)
	}
	c.Finite("charge when full", s.FullAh)
	c.Time("time at rest", s.ReadFor, s.FallFor)
	c.Finite("rested voltage", s.FallV)
	if err := c.Err(); err != nil {
		return fmt.Errorf("label: %w", err)
	}
	s.Goal, s.Weight = slices.Clone(s.Goal), slices.Clone(s.Weight)
	j.s = s
	return nil
}

func sq(x float64) float64 { return x * x }
