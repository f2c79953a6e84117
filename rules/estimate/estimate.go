// Package estimate follows one battery: its state of charge by counted charge, corrected by rested
// voltage, a charge seen to its end and the knee at the empty end; the zero of its current sensor;
// and its capacity.
//
// State of charge is in percent of the present full capacity at the 20 h rate. What a rested
// voltage is worth depends on what came before it: a charge leaves a surface charge that takes
// hours to go at rest and about 1 % of the capacity under load; a discharge leaves a dip that
// recovers in about an hour. Both are states that say how far the terminals may still be from the
// rested voltage. The published table is off by tens of millivolts for any one block, always the
// same way: readings of it within half a day count as one.
package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Params describes the battery and its sensors. A class that is zero is that of unit.DefaultClass.
type Params struct {
	Chemistry *leadacid.Chemistry
	RatedAh   float64 // 20 h capacity, Ah; > 0
	Voltage   unit.SensorClass
	Current   unit.SensorClass
	Taps      int // whose mean Voltage's readings follow; 0: its own
	// String is the class of Facts.StringV, of a battery that stands on another and is known less well by its own
	// two taps; zero of others.
	String unit.SensorClass
}

// Facts are what the readings of a battery do not say.
type Facts struct {
	// Idle says that neither feed nor motor is on: what flows is a trickle, and the current
	// sensor's zero shows.
	Idle bool
	// Running says that a motor run is under way: the voltage is that of the run.
	Running bool
	// Held says that the current before these readings held until now: they were taken at once on a
	// change. Otherwise the change is taken as even between the two.
	Held bool
	// Zero is what the current sensor shows without current, where somebody else learned it: it has
	// been taken off the reading, and only its deviation is used. Not known: it is learned here.
	Zero unit.Estimate
	// Past says that charge flows in past the current sensor, MaybePast that it may.
	Past, MaybePast bool
	// Work says that somebody works on the battery: a charger or a tester may be on it, past its
	// sensor. The charge is counted, and nothing is learned.
	Work bool
	// Gap is the mean current since the readings before, where nobody read one and it is known all the same.
	Gap unit.Estimate
	// NeighborA is what the battery's part would be of what its neighbors in a parallel bank carry.
	NeighborA unit.Reading
	// StringV is the mean voltage of the batteries that are in series with this one, itself included, as the tap
	// at their plus has it. Not good: there are none.
	StringV unit.Reading `json:",omitzero"`
}

// Sample is what is known of one instant. Readings that are not usable are zero.
type Sample struct {
	At time.Duration // monotonic
	unit.Battery
	Facts
}

// Counting the charge, and when the battery is at rest.
const (
	maxGap        = 20 * time.Minute // without a current, for what flowed to be known; our choice
	knownSigmaPct = 25.0             // %: above it the charge counts as unknown; our choice
	minRest       = 1.5              // ratio: of a zero's class, as small as the sensor can tell from none; our choice
	restShare     = 0.012            // 1/h: current over capacity below which the battery is at rest; our choice
	gasFromV      = 13.0             // V: below it gassing is too little to count; our choice
	lossSigma     = 0.5              // ratio: of what charging loses, known to a factor of two; our choice

	maxVoltageV = 18.0   // V: of a reading; no charger gives a block of six cells more in any frost; our choice
	maxCurrentA = 5000.0 // A: of a reading; our choice
	maxTempC    = 200.0  // °C: of a reading; our choice
)

// Battery is the estimator of one battery. It is not safe for concurrent use.
type Battery struct {
	p      Params
	s      State
	limits limits

	agreedPct float64 // counted since the charge was stated last, as far as two readings agree on it
}

// limits are what follows from the class of the sensors.
type limits struct {
	restA     float64 // current below which the battery is at rest
	fullV25   float64 // held at 25 °C or above, for a charge to be at its end
	absorbV   float64 // or at this, with which it is in absorption: in float the current falls off long before
	stringV25 float64 // held at 25 °C or above by the mean of its string, for the same
}

func (p *Params) limits() limits {
	return limits{
		restA:     max(restShare*p.RatedAh, minRest*p.Current.Zero),
		fullV25:   minFloatV - floatSlackV - p.Voltage.ReadLow(minFloatV),
		absorbV:   minAbsorbV - absorbSlackV - p.Voltage.ReadLow(minAbsorbV),
		stringV25: minFloatV - floatSlackV - p.String.ReadLow(minFloatV),
	}
}

// stands reports whether the battery stands on another: it is known by two taps.
func (p *Params) stands() bool { return p.String != (unit.SensorClass{}) }

// resting reports whether a battery with this current is at rest.
func (l *limits) resting(currentA float64) bool { return math.Abs(currentA) < l.restA }

// New returns an estimator that knows nothing yet.
func New(p Params) *Battery {
	p.Voltage = p.Voltage.Or(unit.DefaultClass(unit.BatteryVoltage))
	p.Current = p.Current.Or(unit.DefaultClass(unit.BatteryCurrent))
	return &Battery{limits: p.limits(), p: p, s: State{Chemistry: p.Chemistry.Name, RatedAh: p.RatedAh}}
}

// Step applies the readings of one scan: the voltage between the battery's own posts, its current
// and its temperature. An unusable one is left out. Scans come in order of time; one that is not
// later than the last is ignored.
func (b *Battery) Step(at time.Duration, readings *unit.Battery, facts Facts) {
	in := Sample{at, *readings, facts}
	in.dropImpossible()
	if !b.s.Begun {
		b.begin(&in)
		return
	}
	dt := at - b.s.Last.At
	if dt <= 0 {
		return
	}
	b.s.told = unit.Estimate{}
	if facts.Zero.Known {
		b.s.Belief.takeZero(facts.Zero.Sigma, &b.p)
	}
	if b.standIn(&in); in.CurrentA.OK() && !in.NeighborA.OK() {
		in.CurrentA.Value -= b.s.ZeroA
	}
	watched := dt
	if in.Work != b.s.Last.Work {
		b.turnWork()
		watched = 0
	}
	if dt > maxGap {
		b.interrupt()
		watched = 0
	}
	b.s.Surface.relax(dt, b.s.Last.tempC())
	b.count(&in)
	if in.Work {
		b.watchWork(&in, dt)
		b.s.Last = in
		b.say()
		return
	}
	b.watchRest(&in, watched)
	if in.Past {
		if !b.s.Last.Past {
			b.Mistrust()
		}
		b.passBy(watched)
	}
	if in.Past || in.MaybePast {
		b.s.Held.lose()
		b.s.LoadFor = 0
	} else {
		b.watchHeld(&in, watched)
		b.watchLoad(&in, watched)
		b.watchCharge(&in)
	}
	b.watchKnee(&in, watched)
	if !in.Zero.Known {
		b.s.Belief.learnZero(&in, watched, &b.s.Rest, &b.p)
	}
	b.s.Last = in
	b.say()
}

// Steps of an estimator whose answer counts for little.
const (
	seldom    = 10 * time.Second       // between them: the slowest scan that is still judged; our choice
	seldomRun = 250 * time.Millisecond // the same in a run, whose end is between two scans; our choice
	movedA    = 2.0                    // A: by which a current has moved, for its scan to be worth one; our choice
)

// StepSeldom is Step for an estimator whose answer counts for little: it leaves out scans that say
// nothing new. Where one does, the current before it held until then.
func (b *Battery) StepSeldom(at time.Duration, readings *unit.Battery, facts Facts) {
	if last := &b.s.Last; b.s.Begun {
		changed := facts.Held || facts.Running != last.Running || facts.Idle != last.Idle || facts.Past != last.Past ||
			facts.MaybePast != last.MaybePast || facts.Work || last.Work || facts.Zero.Known != last.Zero.Known ||
			readings.CurrentA.OK() != last.CurrentA.OK() || readings.VoltageV.OK() != last.VoltageV.OK() ||
			math.Abs(readings.CurrentA.Value-last.CurrentA.Value) > movedA
		running, every := facts.Running || last.Running, seldom
		if running {
			every = seldomRun
		}
		if !changed && at-last.At < every {
			return
		}
		facts.Held = facts.Held || changed && !running
	}
	b.Step(at, readings, facts)
}

// pastPctPerHour is how much of the capacity an unknown charger may put in or not in an hour: 10 A
// into 100 Ah is what a workshop has.
const pastPctPerHour = 10.0 // %: in an hour, charge past the sensor that nobody counts; our choice

// passBy lets charge flow in for dt that nobody counts: a later rest shows how much.
func (b *Battery) passBy(dt time.Duration) {
	b.s.Down.Open, b.s.Up.Open, b.s.AfterPast, b.s.SurfaceV = false, false, true, surfaceV
	b.s.CountedSigmaPct += pastPctPerHour * dt.Hours()
}

// ZeroMoved says that what the current sensor shows without current turned out to be more by so
// many amperes than what was taken off: what was counted with that is put right.
func (b *Battery) ZeroMoved(moreA float64) {
	if moreA == 0 || !b.s.Begun || b.s.ZeroVar == 0 {
		return
	}
	b.s.Belief.settle(&b.p)
	f := &b.s.Filter
	for i := range states {
		f.X[i] += f.Cross[i][kZero] / b.s.ZeroVar * moreA
	}
	f.clamp()
}

// ZeroTold returns what a charge read in the last step says of the zero that is left in the current
// sensor, once: what was counted since the reading before, against both.
func (b *Battery) ZeroTold() unit.Estimate {
	told := b.s.told
	b.s.told = unit.Estimate{}
	return told
}

// Mistrust says that the current sensor has been wrong for nobody knows how long: what was counted
// is worth nothing.
func (b *Battery) Mistrust() {
	b.s.CountedSigmaPct += firstSigmaPct
	b.s.Down.Open, b.s.Up.Open = false, false
	b.s.Held.end()
}

// VoltageMoved says that the voltage reads otherwise from now on: what was being watched of it ends, and
// says nothing.
func (b *Battery) VoltageMoved() {
	b.s.Rest.end()
	b.s.Held.end()
	b.s.LoadFor, b.s.Knee = 0, Knee{}
}

// interrupt ends what was being watched: after a gap it is not known how long it has lasted.
func (b *Battery) interrupt() {
	if b.s.Resting {
		b.commitRest(&b.s.Last) // what the rest said is from before the gap
	}
	b.s.Rest.end()
	b.s.Held.end()
	b.s.LoadFor, b.s.Knee = 0, Knee{}
}

// dropImpossible clears readings that are not usable or that no battery can have, NaN included, so
// that they can't spread.
func (in *Sample) dropImpossible() {
	clear := func(r *unit.Reading, limit float64) {
		if !r.OK() || !(r.Value >= -limit && r.Value <= limit) {
			*r = unit.Reading{}
		}
	}
	clear(&in.VoltageV, maxVoltageV)
	clear(&in.CurrentA, maxCurrentA)
	clear(&in.TempC, maxTempC)
	clear(&in.StringV, maxVoltageV)
	clear(&in.NeighborA, maxCurrentA)
	in.NegativeV = unit.Reading{} // not looked at
}

// tempC returns the temperature, that of the rated figures where none is read.
func (in *Sample) tempC() float64 {
	if in.TempC.OK() {
		return in.TempC.Value
	}
	return leadacid.ReferenceC
}

// begin applies the first sample: a wide guess.
func (b *Battery) begin(in *Sample) {
	b.s.Begun, b.s.Last = true, *in
	b.s.Belief = newBelief(&b.p)
	b.s.TaperH, b.s.TaperVar = b.p.Chemistry.TaperH, fullTauSigma*fullTauSigma
	b.s.SurfaceV, b.s.DipV = surfaceV/2, dipV/2 // what came before is not known
	if in.CurrentA.OK() {
		b.s.CurrentAt, b.s.CurrentSeen = in.At, true
	}
	b.s.DrawnSinceChargeAh = coupDeFouetShare * b.s.CapAh // a discharge in progress is taken as past its first dip
	b.say()
}

// count adds the charge moved since the last usable current.
func (b *Battery) count(in *Sample) {
	held := in.Held && b.s.Last.CurrentA.OK()
	if !in.CurrentA.OK() && !held { // an inrush exceeds the sensor's range, and until it began the last current held
		b.goBlind(in)
		return
	}
	if b.s.Blind.Blind { // what flowed until now is in the doubt
		b.s.Blind.Blind, b.s.CurrentAt = false, in.At
		return
	}
	gap := in.At - b.s.CurrentAt
	known := b.s.CurrentSeen && gap <= maxGap
	b.s.CurrentAt, b.s.CurrentSeen = in.At, true
	if !known {
		// What flowed in between is not known: any charge is possible again after a day.
		days := float64(gap) / float64(24*time.Hour)
		doubt := firstSigmaPct * min(1, days)
		if in.Gap.Known {
			b.s.Belief.count(in.Gap.Value*gap.Hours(), 0, gap.Hours())
			doubt = min(doubt, 100*in.Gap.Sigma*gap.Hours()/b.s.CapAh)
			in.Gap = unit.Estimate{}
		}
		b.s.CountedSigmaPct += doubt
		b.s.Down.Open, b.s.Up.Open = false, false
		return
	}
	hours := gap.Hours()
	mean := b.meanA(in, held, hours)
	ah := mean * hours
	stored, lost := ah, 0.0
	if !in.Work {
		b.s.Blind.use(-ah, hours, b.s.CapAh)
	}
	if in.NeighborA.OK() {
		b.s.CountedSigmaPct += 100 * standInShare * math.Abs(ah) / b.s.CapAh
		b.s.Down.Open, b.s.Up.Open = false, false
	}
	if ah >= 0 {
		b.s.ChargedAh += ah
		lost = ah * (1 - b.p.Chemistry.ChargeEfficiency)
		if in.VoltageV.OK() && in.VoltageV.Value > gasFromV {
			lost += b.p.Chemistry.GassingA(b.p.RatedAh, in.VoltageV.Value, in.tempC()) * hours
		}
		lost = min(lost, ah)
		stored -= lost
		b.s.CountedSigmaPct += 100 * lossSigma * lost / b.s.CapAh
	} else {
		b.s.DrawnAh -= ah
	}
	b.s.StoredAh += stored
	if !b.limits.resting(mean) {
		share := stored / b.s.CapAh
		b.s.Surface.build(share)
		b.s.DrawnSinceChargeAh = max(b.s.DrawnSinceChargeAh-stored, 0)
		if stored > 0 {
			b.s.DrawnSinceChargeAh *= 1 - min(1, share/memoryShare)
		}
	}
	b.s.Belief.count(stored, lost, hours)
}

// meanA returns the mean current since the last usable one. What only one of the two readings says
// counts up to half of maxMovePct: there is such a part on either side of a reading.
func (b *Battery) meanA(in *Sample, held bool, hours float64) float64 {
	mean, agreed := in.CurrentA.Value, 0.0
	if last := b.s.Last.CurrentA; held {
		mean = last.Value
	} else if last.OK() {
		mean = (last.Value + in.CurrentA.Value) / 2
		if last.Value*in.CurrentA.Value > 0 {
			agreed = math.Copysign(min(math.Abs(last.Value), math.Abs(in.CurrentA.Value)), mean)
		}
	}
	most := maxMovePct / 2 / 100 * b.s.CapAh / hours
	b.agreedPct += 100 * agreed * hours / b.s.CapAh
	if alone := mean - agreed; math.Abs(alone) > most {
		b.s.CountedSigmaPct += min(100*(math.Abs(alone)-most)*hours/b.s.CapAh, maxMovePct)
		return agreed + math.Copysign(most, alone)
	}
	return mean
}

// ZeroA returns what the current sensor shows without current.
func (b *Battery) ZeroA() unit.Estimate {
	return unit.Estimate{Value: b.s.ZeroA, Sigma: math.Sqrt(b.s.ZeroVar), Known: true}
}

// SoC returns the state of charge in percent. It is not known while its uncertainty is too large
// for it to be shown.
func (b *Battery) SoC() unit.Estimate { return b.s.Said }

// CapacityAh returns the present full capacity at the 20 h rate. It is not known before it was
// learned well enough from a swing.
func (b *Battery) CapacityAh() unit.Estimate {
	sigma := math.Sqrt(b.s.CapVar)
	return unit.Estimate{Value: b.s.CapAh, Sigma: b.s.CapAh * sigma, Known: b.s.CapLearned && sigma <= capKnownSigma}
}

// RestedV returns the smoothed voltage at rest, at 25 °C; its uncertainty is how far it may still
// be from the settled one. It is not known when the battery is not at rest.
func (b *Battery) RestedV() unit.Estimate {
	if !b.s.Rest.readable() {
		return unit.Estimate{}
	}
	return unit.Estimate{Value: b.s.RestedV, Sigma: b.s.Rest.sigmaV(&b.s.Last, &b.p), Known: true}
}

// RestFor returns how long the battery has been at rest.
func (b *Battery) RestFor() time.Duration { return b.s.RestFor }

// Full returns when a charge was last seen to its end; ever is false before the first.
func (b *Battery) Full() (at time.Duration, ever bool) { return b.s.FullAt, b.s.EverFull }

// AtTailCurrent reports whether a charge held at absorption voltage for five minutes, or in float
// for half an hour, brings in next to nothing. In hard frost a block that misses a few percent
// takes as little as a full one.
func (b *Battery) AtTailCurrent() bool { return b.s.AtTail }

// ChargedAh returns the charge counted in.
func (b *Battery) ChargedAh() float64 { return b.s.ChargedAh }

// DrawnAh returns the charge counted out, positive.
func (b *Battery) DrawnAh() float64 { return b.s.DrawnAh }

// StoredAh returns the charge counted in less that counted out and less what charging loses. Only
// currents are in it.
func (b *Battery) StoredAh() float64 { return b.s.StoredAh }

// approach is the share of an exponential approach made in dt; the rational form is close enough
// and costs no exp.
func approach(dt, tau time.Duration) float64 {
	x := float64(dt) / float64(tau)
	return x / (1 + x)
}

func sq(x float64) float64 { return x * x }
