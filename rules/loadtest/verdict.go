package loadtest

import "liftbank/rules/unit"

// Verdict is what a battery's capability allows to be said of it. The zero value is: nothing yet.
type Verdict uint8

// Verdicts.
const (
	Unknown Verdict = iota // not enough evidence yet
	Fit                    // good and charged
	FitLow                 // good, needs charge
	Tired                  // capability below the service limit
	Failed                 // capability below the replacement limit, or a dead cell
)

// String returns the code of the verdict.
func (v Verdict) String() string {
	if int(v) < len(verdictWords) {
		return verdictWords[v]
	}
	return "unknown"
}

var verdictWords = [...]string{"unknown", "fit", "fit-low", "tired", "failed"}

// Evidence is what a verdict rests on.
type Evidence struct {
	Runs         uint32        // behind the capability
	ChargedRuns  uint32        // see Meter.ChargedRuns
	Cranking     unit.Estimate // capability over rated CCA
	Capacity     unit.Estimate // full capacity over rated
	SoC          unit.Estimate // %
	RestedV      unit.Reading  // at 25 °C
	EMFV         unit.Reading  // see Meter.EMFV
	NeighborEMFV unit.Reading  // the highest of the other batteries in the bank
	TakingRuns   uint8         // see Meter.TakingRuns
	InString     bool          // with another in series
	BesideFailed bool          // another battery has failed, of those that it shares the current with
}

// Limits of a verdict.
//
// The service limit is 80 % of rated (IEEE Std 450: replace below 80 % of capacity), the
// replacement limit 60 %: about there a battery no longer passes the half-CCA load test of vehicle
// service manuals. A verdict gets worse when the figure is tiredSigmas or failedSigmas of its own
// uncertainty below a limit, and better again when it is clearSigmas above it, so that a figure
// near the limit does not flicker, with the season's temperature either. To replace is expensive
// advice: metal grown alone makes a warm battery look a sixth weaker than it is.
//
// False alarms. What moves a good battery's figure is fixed for it: noise of the runs has averaged
// out in 20. Against the simulator, new batteries of all kinds at -20 to 40 °C with gains at the
// ends of their class are within 6 % of the truth. Makers' spread comes on top: 5 % to 8 % in
// resistance within one batch (trade articles). With 5 % for the one and 2.5 % for the other, 5.6 %
// together, tired begins (at 78 %) 3.9 standard deviations down: 5e-5 for each battery if errors
// were normal. 1,000 unit-years are some 400 batteries, two a unit and five years each: 0.02 false
// ones. A figure that the runs' split of metal and acid leaves open has a wide uncertainty: half of
// it on either side of the limit says nothing.
//
// In strings a sound battery's figure is off by 4 % (RMS, suite healthy), and it comes and goes with the
// charges; where each run follows one, by 10 %. What an uncertainty has beyond stringSigma counts wideSigmas
// times there: at 4.5 % tired begins at 75 %, at 10 % at 65 %, some 3 standard deviations below a good one's.
const (
	// ServiceShare is the service limit.
	ServiceShare = 0.80 // ratio: of rated; published: US Bureau of Reclamation storage battery guide

	// ReplaceShare is the replacement limit.
	ReplaceShare = 0.60 // ratio: of rated; our choice

	// VerdictRuns are needed before there is a verdict.
	VerdictRuns  = 20   // count: runs before a verdict; our choice
	tiredSigmas  = 0.5  // ratio: of a figure's own uncertainty; our choice
	stringSigma  = 0.03 // ratio: of rated, the part of an uncertainty that is fixed, in a string; our choice
	wideSigmas   = 2.0  // ratio: of what a figure's uncertainty has beyond that; our choice
	failedSigmas = 1.0  // ratio: of a figure's own uncertainty; our choice
	clearSigmas  = 1.0  // ratio: of a figure's own uncertainty; our choice
	besideRuns   = 100  // count: runs after it gave a failed battery's part, till its figure is its own again; our choice
	besideShare  = 0.12 // ratio: standard uncertainty that this adds to resistance and capability; our choice
	tooGoodShare = 1.5  // ratio: of rated, no battery is so much better than its rating; our choice
	fitLowPct    = 75.0 // %: 12.45 V rested, flooded; below it a battery needs charge before a test; trade practice
	fitLowSigmas = 1.0  // ratio: of the charge's own uncertainty; our choice
	fitLowBack   = 3.0  // %: above that, for a battery to be charged again; our choice
)

// Limits of a dead cell.
//
// A 12 V block points to 10.6 V when a full one has a cell that gives nothing. Five cells can't
// reach deadCellV, and six good ones are at 11.8 V and more even when empty (Battery Council
// table). deadNeighborV is two thirds of a cell, three times what charge alone can do between
// paralleled blocks. After deadTakingAny runs charge would have evened out, whatever the count
// says.
const (
	deadCellV     = 11.2 // V: below it a cell gives nothing; our choice
	deadNeighborV = 1.2  // V: below a neighbor; our choice
	deadTaking    = 3    // count: runs in which it took current, while counted charge says it is not flat; our choice
	deadTakingAny = 20   // count: runs in which it took current, whatever the count says; our choice
	deadMinSoC    = 40.0 // %: counted charge that is not flat; our choice
	soundGiving   = 20   // count: runs in a row that no battery with a dead cell can have given; our choice
)

// What a verdict waits for.
var (
	waitsForRuns = unit.Says("waits.verdict-runs", "20 motor runs with the feed off, and voltage and current read")
	waitsForIdle = unit.Says("waits.verdict-charger", "20 motor runs with the tractor's engine off: lately the feed was on in "+
		"every run, and what it holds up is not the battery's strength")
	waitsForClear  = unit.Says("waits.verdict-clear", "a clearer capability: it is within its uncertainty of the limit")
	waitsForFailed = unit.Says("waits.verdict-failed", "the replacement of the failed battery beside it, and 100 motor runs after "+
		"it: a battery that has to give another's part looks weaker than it is")
	waitsForScale = unit.Says("waits.verdict-scale", "a check of its current sensor's scale and of the rating given: it "+
		"seems over 1.5 times as strong as that")
	waitsForCharge = unit.Says("waits.verdict-charge", "a state of charge: needs a rest or a full charge")
)

// Judge gives verdicts on one battery, and keeps to the last one near a limit. The zero value has
// judged nothing.
type Judge struct{ state JudgeState }

// DeadCell reports whether the evidence has shown a dead cell, in the last step or before: cells
// don't come back to life. The charge of such a battery has no meaning.
func (j *Judge) DeadCell() bool { return j.state.Dead }

// Gave takes whether the battery gave its part of a run that has ended, with the bank well above what
// five cells make. Enough such runs in a row, and what looked like a dead cell was a sensor, fixed since.
func (j *Judge) Gave(its bool) {
	if !its {
		j.state.GivingRuns = 0
		return
	}
	if j.state.GivingRuns = min(j.state.GivingRuns+1, soundGiving); j.state.GivingRuns == soundGiving {
		j.state.Dead = false
	}
}

// Step returns the verdict and, for Unknown, what it waits for; else nil.
func (j *Judge) Step(e *Evidence) (v Verdict, waitsFor *unit.Text) {
	v, waitsFor = j.judge(e)
	j.state.Last = v
	return v, waitsFor
}

func (j *Judge) judge(e *Evidence) (Verdict, *unit.Text) {
	j.beside(e)
	if e.deadCell() {
		j.state.Dead, j.state.GivingRuns = true, 0
	}
	if j.state.Dead {
		return Failed, nil
	}
	switch {
	case e.Runs < VerdictRuns && e.ChargedRuns >= VerdictRuns:
		return Unknown, waitsForIdle
	case e.Runs < VerdictRuns:
		return Unknown, waitsForRuns
	case !e.Cranking.Known:
		return Unknown, waitsForCharge
	case e.Cranking.Value-e.Cranking.Sigma > tooGoodShare:
		return Unknown, waitsForScale
	}
	failed, tired := j.under(e, ReplaceShare, failedSigmas, Failed), j.under(e, ServiceShare, tiredSigmas, Tired)
	switch {
	case (failed || tired) && j.state.Last < Tired && e.Runs < j.state.BesideTill:
		return Unknown, waitsForFailed
	case failed:
		return Failed, nil
	case tired && (j.state.Last >= Tired || e.clearlyUnder(ServiceShare)):
		return Tired, nil
	case tired, e.near(ServiceShare) && j.state.Last == Unknown:
		return Unknown, waitsForClear
	case !e.SoC.Known:
		return Unknown, waitsForCharge
	case e.low(j.state.Last):
		return FitLow, nil
	}
	return Fit, nil
}

// Failed reports whether the last verdict was that.
func (j *Judge) Failed() bool { return j.state.Last == Failed }

// beside notes how long the figure is that of a battery that gives more than its part: with half as much
// current again, the last of a charge is gone within seconds, and counts as resistance (a fifth more).
func (j *Judge) beside(e *Evidence) {
	switch {
	case e.BesideFailed:
		j.state.BesideTill = e.Runs + besideRuns
	case j.state.BesideTill > e.Runs+besideRuns: // its runs are counted anew
		j.state.BesideTill = 0
	}
}

// Doubt returns how far the figures of a battery may be off for having given another's part.
func (j *Judge) Doubt(runs uint32) (share float64) {
	if runs < j.state.BesideTill {
		return besideShare
	}
	return 0
}

// deadCell reports whether a cell gives nothing.
func (e *Evidence) deadCell() bool {
	charged := e.SoC.Known && e.SoC.Value-e.SoC.Sigma > deadMinSoC
	if e.TakingRuns >= deadTakingAny || e.TakingRuns >= deadTaking && charged {
		return true
	}
	if e.EMFV.OK() && e.EMFV.Value < deadCellV {
		neighbor := e.NeighborEMFV
		return charged && !neighbor.OK() || neighbor.OK() && e.EMFV.Value < neighbor.Value-deadNeighborV
	}
	return charged && e.RestedV.OK() && e.RestedV.Value < deadCellV
}

// low reports whether the battery needs charge; once said, a little more is needed to take it back.
func (e *Evidence) low(last Verdict) bool {
	limit := fitLowPct - fitLowSigmas*e.SoC.Sigma
	if last == FitLow {
		limit += fitLowBack
	}
	return e.SoC.Value < limit
}

// under reports whether capability or capacity is so many sigmas below a limit, which is worth the
// verdict `worth`.
func (j *Judge) under(e *Evidence, limit, sigmas float64, worth Verdict) bool {
	if j.state.Last >= worth {
		sigmas = -clearSigmas
	}
	return e.Cranking.Value+sigmas*e.Cranking.Sigma < limit ||
		e.Capacity.Known && e.Capacity.Value+sigmas*e.Capacity.Sigma < limit
}

// clearlyUnder reports whether capability or capacity is below a limit by what a wide uncertainty asks for in a string.
func (e *Evidence) clearlyUnder(limit float64) bool {
	if !e.InString {
		return true
	}
	margin := func(sigma float64) float64 {
		return tiredSigmas*min(sigma, stringSigma) + wideSigmas*max(0, sigma-stringSigma)
	}
	return e.Cranking.Value+margin(e.Cranking.Sigma) < limit ||
		e.Capacity.Known && e.Capacity.Value+margin(e.Capacity.Sigma) < limit
}

// near reports whether capability or capacity is not clear above a limit.
func (e *Evidence) near(limit float64) bool {
	return e.Cranking.Value-tiredSigmas*e.Cranking.Sigma < limit ||
		e.Capacity.Known && e.Capacity.Value-tiredSigmas*e.Capacity.Sigma < limit
}
