// Package blocks follows how far one battery of a string falls behind the other, and why: both carry one
// current, so that what differs is theirs, or that of the taps that measure them.
//
// What taps show apart at rest is what the taps differ by, what the last charge has left on one and not on the
// other, and what one battery has less charge: of the same amperehours drawn one that holds less loses a
// larger part, and one that leaks or feeds a load of its own loses with the days. Each changes with something
// else: capacity with the depth, a leak with time, what a charge leaves fades within a day, in the cold in
// several, at a pace that is the pair's own, and taps change with nothing. So all are solved for together, each with its
// uncertainty. Taps that were never compared hide what does not change, and nothing else. (tap.Strings, for what is
// shown, takes the first full batteries for equal; here that would call one sound that was behind from the first
// day.) Resistance, with a joint that is not measured, shows at the beginning of each motor run, and is kept by
// itself. Runs under a charger are left out, for how that shared its voltage before is no resistance.
package blocks

import (
	"fmt"
	"math"
	"time"
)

// What is solved for.
const (
	taps   = iota // V: that the taps show the other above this one
	behind        // share of the capacity: charge that this one lags, capacity apart
	rate          // share a day: by which that grows
	less          // share: of the other's capacity, that this one has less
	fresh         // V: that a charge has left more on the other, as it ended
	pace          // ratio: by which that fades faster than the slowest
	unlike        // V: by how much more it fades on the other first, and on this one then
	states
)

// What is expected of a battery of which nothing is known, one standard deviation, and by how much that may
// change in a day (its root: it wanders).
const (
	priorBehind = 0.10 // ratio: of the capacity, that a new pair may be apart; our choice
	priorRate   = 0.03 // ratio: a day, of the capacity; our choice
	priorLess   = 0.12 // ratio: of the capacity; our choice
	priorFresh  = 0.10 // V: of what a charge leaves; our choice
	priorUnlike = 0.06 // V: of 0.4 V that a charge leaves on each, at paces a seventh apart; our choice
	meanPace    = 1.4  // ratio: the middle between 10 h and 5 h; our choice
	priorPace   = 0.4  // ratio: and how far a pair may be from it; our choice
	slowest     = 0.5  // ratio: pace that is never gone below; our choice
	quickest    = 3.0  // ratio: pace that is never gone above; our choice

	walkTaps   = 0.001  // V: a day, that taps drift; our choice
	walkBehind = 0.003  // ratio: a day, of the capacity; our choice
	walkRate   = 0.0015 // ratio: a day, each day; our choice
	walkLess   = 0.002  // ratio: a day; our choice

	walkFresh   = 0.08  // V: from one charge to the next; our choice
	walkUnlike  = 0.005 // V: from one charge to the next; our choice
	walkFade    = 0.02  // V: a day, as what it leaves fades sooner on one than on the other; our choice
	freshPart   = 0.1   // ratio: of what a charge leaves, that does not fade as expected; our choice
	chargeApart = 0.06  // ratio: of the capacity, that a charge brings two batteries nearer, or further apart; our choice

	farSigmas = 5.0  // ratio: of what is expected, a difference further off is not believed; our choice
	farLook   = 3    // count: of such in a row that are: it has changed; our choice
	maxDays   = 30.0 // count: days, a longer gap changes nothing more; our choice

	maxRuns   = 15.0   // count: motor runs over which resistances are averaged; our choice
	runsApart = 0.0002 // Ω: that many runs leave unsure; our choice

	priorOhm    = 0.002   // Ω: that resistances differ by; our choice
	walkOhm     = 0.00001 // Ω: from one run to the next; our choice
	walkRunLess = 0.001   // ratio: from one run to the next; our choice
	runNoiseOhm = 0.0003  // Ω: of one run; our choice
)

// Seen is one look at two batteries in series that carry one current.
type Seen struct {
	At        time.Duration
	DiffV     float64 // of the other battery less that of this one, at one temperature
	SigmaV    float64 // noise of that
	PerShare  float64 // V: by which the rested voltage falls over the whole capacity, at this charge
	OutShare  float64 // share of the capacity that is drawn
	Fresh     float64 // part of what the last charge left that is still there, 0 to 1
	Recharged bool    // since the last look
}

// State is what is known of one battery against the other. It is saved as it is.
type State struct {
	Have    bool
	At      time.Duration
	X       [states]float64
	P       [states][states]float64
	Looks   uint32
	Far     uint8
	Runs    float64       // motor runs behind the resistance
	RunOhm  float64       // Ω: its mean,
	RunVar  float64       // and its variance
	RunLeft float64       // Ω: the mean of what a charge may have left in it
	FullOhm float64       // Ω: of it, what is there at full charge, too
	RunLess float64       // share: capacity that this one has less, as its resistance grows with the depth
	Q       [2][2]float64 // covariance of these two
	FarRuns uint8
	Least   float64 // share drawn at the shallowest look,
	Most    float64 // and at the deepest
}

// Figure is one of what is solved for, with its standard uncertainty.
type Figure struct{ Value, Sigma float64 }

// Beyond reports whether a figure is at least a limit, and above part of it by so many uncertainties.
func (f Figure) Beyond(limit, part, sigmas float64) bool {
	return f.Value >= limit && f.Value-sigmas*f.Sigma > part*limit
}

// Under reports whether a figure is below a limit, uncertainty included.
func (f Figure) Under(limit float64) bool { return f.Value+f.Sigma < limit }

// Begin forgets all; tapsV is how far the taps may differ, one standard deviation, V.
func (s *State) begin(in *Seen, tapsV float64) {
	*s = State{Have: true, At: in.At, Least: in.OutShare, Most: in.OutShare}
	s.X[pace] = meanPace
	for k, sigma := range [states]float64{tapsV, priorBehind, priorRate, priorLess, priorFresh, priorPace, priorUnlike} {
		s.P[k][k] = sigma * sigma
	}
}

// Look takes one look into account. tapsV is how far the taps may differ, one standard deviation.
func (s *State) Look(in *Seen, tapsV float64) {
	if !s.Have {
		s.begin(in, tapsV)
	}
	s.pass(in)
	there, sooner := math.Pow(in.Fresh, s.X[pace]), 0.0
	if there > 0 { // what a faster pace takes away
		sooner = there * math.Log(in.Fresh)
	}
	h := [states]float64{taps: 1, behind: in.PerShare, less: in.PerShare * in.OutShare, fresh: there, unlike: sooner}
	innovation, variance := in.DiffV, in.SigmaV*in.SigmaV
	for i := range states {
		innovation -= h[i] * s.X[i]
	}
	h[pace] = sooner * s.X[fresh]
	left := freshPart * there * s.X[fresh]
	variance += left * left
	var ph [states]float64
	for i := range states {
		for k := range states {
			ph[i] += s.P[i][k] * h[k]
		}
		variance += h[i] * ph[i]
	}
	if math.Abs(innovation) > farSigmas*math.Sqrt(variance) && s.Far < farLook {
		s.Far++
		return
	}
	if s.Far >= farLook { // it has changed: what it lags is another
		s.Far = 0
		s.P[behind][behind] += priorBehind * priorBehind
		return
	}
	s.Far = 0
	for i := range states {
		s.X[i] += ph[i] / variance * innovation
	}
	for i := range states {
		for k := range i + 1 {
			s.P[i][k] -= ph[i] * ph[k] / variance
			s.P[k][i] = s.P[i][k]
		}
	}
	s.X[pace] = min(max(s.X[pace], slowest), quickest)
	s.Least, s.Most = min(s.Least, in.OutShare), max(s.Most, in.OutShare)
	s.Looks++
}

// Run takes into account by how much more this battery's voltage fell than the other's when a motor run began,
// the current, by how much its resistance would be higher with so much drawn if it held nothing of what the other
// holds, Ω, and how much of the fall may be what a charge had left.
func (s *State) Run(fellV, amps, perLess, leftV float64) {
	r, left := fellV/amps, leftV/amps
	s.Runs = min(s.Runs+1, maxRuns)
	s.RunLeft += (left - s.RunLeft) / s.Runs
	d := r - s.RunOhm
	s.RunOhm += d / s.Runs
	if s.Runs > 1 {
		s.RunVar += (d*d*(s.Runs-1)/s.Runs - s.RunVar) / s.Runs
	}
	if s.Q[0][0] == 0 {
		s.Q[0][0], s.Q[1][1] = priorOhm*priorOhm, priorLess*priorLess
	}
	s.Q[0][0] += walkOhm * walkOhm
	s.Q[1][1] += walkRunLess * walkRunLess
	if s.FarRuns >= farLook { // a joint has come loose, or was tightened
		s.Q[0][0] += priorOhm * priorOhm
	}
	q0, q1 := s.Q[0][0]+s.Q[0][1]*perLess, s.Q[0][1]+s.Q[1][1]*perLess
	v := q0 + q1*perLess + runNoiseOhm*runNoiseOhm + left*left
	e := r - s.FullOhm - s.RunLess*perLess
	if math.Abs(e) > farSigmas*math.Sqrt(v) && s.FarRuns < farLook {
		s.FarRuns++
		return
	}
	s.FarRuns = 0
	s.FullOhm += q0 / v * e
	s.RunLess += q1 / v * e
	s.Q[0][0] -= q0 * q0 / v
	s.Q[1][1] -= q1 * q1 / v
	s.Q[0][1] -= q0 * q1 / v
	s.Q[1][0] = s.Q[0][1]
}

// pass lets the time since the last look pass, and what was charged in it.
func (s *State) pass(in *Seen) {
	d := min(max((in.At-s.At).Hours()/24, 0), maxDays)
	s.At = in.At
	s.X[behind] += d * s.X[rate]
	for k := range states { // P = F P F', F: behind grows by rate
		s.P[behind][k] += d * s.P[rate][k]
	}
	for k := range states {
		s.P[k][behind] += d * s.P[k][rate]
	}
	for k, walk := range [states]float64{walkTaps, walkBehind, walkRate, walkLess, walkFade} {
		s.P[k][k] += walk * walk * d
	}
	if in.Recharged {
		s.P[fresh][fresh] += walkFresh * walkFresh
		s.P[unlike][unlike] += walkUnlike * walkUnlike
		s.P[behind][behind] += chargeApart * chargeApart
	}
}

func (s *State) figure(k int) Figure { return Figure{s.X[k], math.Sqrt(max(s.P[k][k], 0))} }

// Rate returns what this battery falls behind by in a day, as a share of its capacity.
func (s *State) Rate() Figure { return s.figure(rate) }

// Less returns how much less it holds than the other, as a share of that.
func (s *State) Less() Figure { return s.figure(less) }

// Ohm returns how much more resistance it has, Ω, the joint below it included where that is not measured.
func (s *State) Ohm() Figure {
	return Figure{s.RunOhm, math.Hypot(math.Hypot(runsApart, s.RunLeft), math.Sqrt(max(s.RunVar, 0)/max(s.Runs, 1)))}
}

// LessByRuns returns how much less it holds than the other, as a share of that, by how its resistance grows as
// the two are drawn down.
func (s *State) LessByRuns() Figure { return Figure{s.RunLess, math.Sqrt(max(s.Q[1][1], 0))} }

// Taps returns by how much the taps show the other higher, V.
func (s *State) Taps() Figure { return s.figure(taps) }

// Behind returns how far it is behind with so much of its capacity drawn, as a share of that.
func (s *State) Behind(outShare float64) Figure {
	v := s.P[behind][behind] + 2*outShare*s.P[behind][less] + outShare*outShare*s.P[less][less]
	return Figure{s.X[behind] + outShare*s.X[less], math.Sqrt(max(v, 0))}
}

// Depth returns by how much the charges differed in which it was seen, as a share of the capacity.
func (s *State) Depth() float64 { return s.Most - s.Least }

// Check refuses a saved state that can't be.
func (s *State) Check() error {
	for i := range states {
		if !(math.Abs(s.X[i]) <= 1e3) || !(s.P[i][i] >= 0 && s.P[i][i] <= 1e6) {
			return fmt.Errorf("figure %d: %g, variance %g: want one that can be", i, s.X[i], s.P[i][i])
		}
		for k := range i {
			if c := s.P[i][k]; c != s.P[k][i] || !(c*c <= s.P[i][i]*s.P[k][k]*1.001+1e-18) {
				return fmt.Errorf("figures %d and %d: covariance %g: want one that can be", i, k, c)
			}
		}
	}
	if !(math.Abs(s.FullOhm) < 1e3) || !(math.Abs(s.RunLess) < 1e6) || !(s.Q[0][0] >= 0 && s.Q[1][1] >= 0 && s.Q[0][0] < 1e6 && s.Q[1][1] < 1e6) ||
		s.Q[0][1] != s.Q[1][0] || !(s.Q[0][1]*s.Q[0][1] <= s.Q[0][0]*s.Q[1][1]*1.001+1e-18) {
		return fmt.Errorf("resistance when full %g Ω, capacity by runs %g: want what can be", s.FullOhm, s.RunLess)
	}
	if !(s.Runs >= 0 && s.Runs <= maxRuns) || !(math.Abs(s.RunOhm) < 1e3) || !(s.RunVar >= 0 && s.RunVar < 1e6) ||
		!(s.RunLeft >= 0 && s.RunLeft < 1e3) {
		return fmt.Errorf("resistance %g Ω, variance %g, of %g runs: want one that can be", s.RunOhm, s.RunVar, s.Runs)
	}
	if s.Far > farLook || s.FarRuns > farLook {
		return fmt.Errorf("looks far off: %d and %d: want %d at most", s.Far, s.FarRuns, farLook)
	}
	if !(s.Least >= -1 && s.Least <= s.Most && s.Most <= 2) {
		return fmt.Errorf("drawn %g to %g: want shares of the capacity", s.Least, s.Most)
	}
	return nil
}
