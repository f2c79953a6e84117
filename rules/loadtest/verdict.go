package loadtest

// Verdict is what a battery's capability allows to be said of it. The zero value is: nothing yet.
type Verdict uint8

// Verdicts.
const (
	Unknown Verdict = iota // not enough evidence yet
	Fit                    // sound and charged
	FitLow                 // sound, needs charge
	Tired                  // capability below the service limit
	Failed                 // capability below the replacement limit, or a dead cell
)

// String gives the word for it.
func (v Verdict) String() string {
	if int(v) < len(verdictWords) {
		return verdictWords[v]
	}
	return "unknown"
}

var verdictWords = [...]string{"unknown", "fit", "fit-low", "tired", "failed"}

// Evidence is what a verdict rests on. What is not known is marked so.
type Evidence struct {
	Runs           uint32  // behind the capability
	CrankingShare  float64 // capability over rated CCA
	CrankingSigma  float64 // its standard uncertainty, over rated CCA
	CrankingOK     bool
	CapacityShare  float64 // full capacity over rated
	CapacitySigma  float64
	CapacityOK     bool
	SoCPct         float64
	SoCSigma       float64
	SoCOK          bool
	RestedV        float64 // at 25 °C
	RestedOK       bool
	EMFV           float64 // see Meter.EMFV
	EMFOK          bool
	NeighbourEMFV  float64 // the highest of the other batteries in the bank
	NeighbourEMFOK bool
	TakingRuns     uint8 // see Meter.TakingRuns
}

// Limits of a verdict.
//
// The service limit is 80 % of rated (US Bureau of Reclamation storage battery guide; IEEE Std 450: replace below 80 % of capacity), the
// replacement limit 60 %: about there a battery no longer passes the half-CCA load test of vehicle service manuals. A verdict gets worse
// when the figure is tiredSigmas or failedSigmas of its own uncertainty under a limit, and better again when it is clearSigmas over it, so that a figure
// near the limit does not flicker, with the season's temperature either.
//
// False alarms. What moves a sound battery's figure is fixed for it: noise of the runs has averaged out in 20. Against the simulator, new
// batteries of all kinds at -20 to 40 °C with gains at the ends of their class stand within 6 % of the truth. Makers' spread comes on top:
// 5 % to 8 % in resistance within one batch (trade articles). With 5 % for the one and 2.5 % for the other, 5.6 % together, tired
// begins (at 79.4 %) 3.68 standard deviations down: 1.2e-4 for each battery if errors were normal. 1,000 unit-years are some 400 batteries,
// two a unit and five years each: 0.05 false ones.
const (
	verdictRuns  = 20
	serviceShare = 0.80
	replaceShare = 0.60
	tiredSigmas  = 0.15
	failedSigmas = 1.0 // to replace is a dear advice: metal grown alone makes a warm battery look a sixth weaker than it is
	clearSigmas  = 1.0
	fitLowPct    = 75.0 // 12.45 V rested, flooded: under it a battery needs charge before it is tested
	fitLowSigmas = 1.0

	// deadCellV: under this a 12 V block points when a cell gives nothing (10.6 V full); five cells can't reach it, and six sound ones stand
	// at 11.8 V and more even when empty (Battery Council table).
	deadCellV     = 11.2
	deadNeighbour = 1.2  // V under a neighbour: two thirds of a cell, three times what charge alone can do between paralleled blocks
	deadTaking    = 3    // runs in which it took current, while counted charge says that it is not flat, ...
	deadTakingAny = 20   // ... or whatever that says: charge would have evened out
	deadLeastSoC  = 40.0 // or, without neighbour, while counted charge says that it is not flat
)

// What a verdict waits for.
const (
	waitsForRuns   = "20 motor runs with voltage and current read"
	waitsForClear  = "a capability clear of the limit: it lies within its uncertainty"
	waitsForCharge = "a state of charge: a rest or a full charge"
)

// Judge gives verdicts, one battery's, and keeps to the last one near a limit. The zero value has judged nothing.
type Judge struct {
	last Verdict
	dead bool
}

// DeadCell reports whether the last evidence told of a dead cell. The charge of such a battery has no meaning.
func (j *Judge) DeadCell() bool { return j.dead }

// Step gives the verdict and, for Unknown, what it waits for in words.
func (j *Judge) Step(e *Evidence) (v Verdict, waitsFor string) {
	v, waitsFor = j.judge(e)
	j.last = v
	return v, waitsFor
}

func (j *Judge) judge(e *Evidence) (Verdict, string) {
	if j.dead = e.deadCell(); j.dead {
		return Failed, ""
	}
	switch {
	case e.Runs < verdictRuns:
		return Unknown, waitsForRuns
	case !e.CrankingOK:
		return Unknown, waitsForCharge
	}
	failed, tired := j.under(e, replaceShare, failedSigmas, Failed), j.under(e, serviceShare, tiredSigmas, Tired)
	switch {
	case failed:
		return Failed, ""
	case tired:
		return Tired, ""
	case e.near(serviceShare) && j.last == Unknown:
		return Unknown, waitsForClear
	case !e.SoCOK:
		return Unknown, waitsForCharge
	case e.low(j.last):
		return FitLow, ""
	}
	return Fit, ""
}

// deadCell reports whether a cell gives nothing.
func (e *Evidence) deadCell() bool {
	charged := e.SoCOK && e.SoCPct-e.SoCSigma > deadLeastSoC
	if e.TakingRuns >= deadTakingAny || e.TakingRuns >= deadTaking && charged {
		return true
	}
	if e.EMFOK && e.EMFV < deadCellV {
		return charged && !e.NeighbourEMFOK || e.NeighbourEMFOK && e.EMFV < e.NeighbourEMFV-deadNeighbour
	}
	return charged && e.RestedOK && e.RestedV < deadCellV
}

// low reports whether it needs charge; once said, it takes a little more to take it back.
func (e *Evidence) low(last Verdict) bool {
	limit := fitLowPct - fitLowSigmas*e.SoCSigma
	if last == FitLow {
		limit += fitLowBack
	}
	return e.SoCPct < limit
}

const fitLowBack = 3.0

// under reports whether capability or capacity is so many sigmas under a limit, which is worth the verdict `worth`.
func (j *Judge) under(e *Evidence, limit, sigmas float64, worth Verdict) bool {
	if j.last >= worth {
		sigmas = -clearSigmas
	}
	return e.CrankingShare+sigmas*e.CrankingSigma < limit || e.CapacityOK && e.CapacityShare+sigmas*e.CapacitySigma < limit
}

// near reports whether capability or capacity is not clear above a limit.
func (e *Evidence) near(limit float64) bool {
	return e.CrankingShare-tiredSigmas*e.CrankingSigma < limit || e.CapacityOK && e.CapacityShare-tiredSigmas*e.CapacitySigma < limit
}
