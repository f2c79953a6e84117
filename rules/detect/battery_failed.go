package detect

import (
	"math"

	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BatteryFailed is a battery below the replacement limit, or with a dead cell.
var BatteryFailed = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "battery-failed",
		Severity: finding.Urgent,
		About:    finding.Battery,
		Title:    "{subject} has failed",
		Summary:  "{subject} has failed: it gives less than 60 % of its rating, or a cell is dead.",
		Detected: "Cold cranking capability or capacity is below 60 % of rating by more than its uncertainty, over 20 " +
			"motor runs or more (at about that point a battery no longer passes the half-CCA load test of vehicle service " +
			"manuals). Or there are signs of a dead cell: the battery's voltage points 2 V low, or the battery takes current " +
			"while the motor pulls its posts down.",
		Causes: []*unit.Text{
			cause("battery-failed.worn", "worn out: plates shed or corroded"),
			failedCell,
			failedSulfation,
			failedSensor,
			failedJoint,
		},
		NextCheck: []string{
			"Check the sensor first: have a second person run the lift, nobody on, under or beside the platform, and put a DC " +
				"clamp meter on this battery's cable. Sign and amperes must match the monitor. If not, fix the sensor and wait " +
				"for 20 runs.",
			"Case hot or swollen, or a rotten-egg smell: do not charge. Ventilate, lock out, take it out of the bank.",
			"Lock out, feed off, take this battery's cables off, grounded lead first. Charge it alone, let it rest and test it.",
			"Flooded: measure every cell with a hydrometer. A cell 0.050 or more below the others is dead.",
			"Replace the battery. A new battery beside a much older one wears out early.",
		},
		Clears:       "The battery's figures are back above the limit, as after a replacement.",
		Steady:       "Needs 20 runs. Raised one standard uncertainty below the limit; clears one above it.",
		RaisedWithin: "30 motor runs; a dead cell: 3 runs on a charged bank",
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed"},
	},
	Of:    []view.Kind{view.OfBattery},
	Needs: view.Parallel,
	Ends:  []Work{NewBattery, RightCCA},
	Judge: func(v view.View, _, _ *None) finding.Verdict {
		return judgeBattery(v, loadtest.Failed, failedSensor, failedSulfation, failedJoint)
	},
}

var (
	failedCell      = cause("battery-failed.cell", "cell shorted or open")
	failedSulfation = cause("battery-failed.sulfation", "hard sulfation after standing discharged")
	failedSensor    = cause("battery-failed.sensor", "no fault of the battery: current sensor reversed, or with a wrong "+
		"scale")

	failedJoint = cause("battery-failed.joint", "no fault of the battery: bad joint in the middle of its string, below it")

	jointBelow = why("joint-below", "its negative post is not measured: what the joint below it drops looks like resistance of its own")

	channelsDisagree = why("channels-disagree", "its channels contradict the others")
	cellDead         = why("cell-dead", "its voltage is 2 V low, or it takes current while the motor draws")

	scaleOpen = why("scale-open", "a sensor that shows too little would look the same: the capacity, not known yet, "+
		"would tell")
	scaleAlike = why("scale-alike", "capability and capacity are low by the same part, as a sensor that shows too little "+
		"makes both")

	cellIs       = finding.NewLabel("cell", "cell", "")
	takingRuns   = finding.NewLabel("taking-runs", "motor runs in which it took current", "")
	cranking     = finding.NewLabel("cranking", "cold cranking capability", "A")
	ratedA       = finding.NewLabel("rated-a", "rated", "A")
	resistance25 = finding.NewLabel("resistance-25", "resistance at 25 °C", "mΩ")
	capacity     = finding.NewLabel("capacity", "capacity", "Ah")
	capacityIs   = finding.NewLabel("capacity-is", "capacity", "")
	runsJudged   = finding.NewLabel("runs-judged", "motor runs judged", "")

	oneDead    = word("one-dead", "one is dead")
	notLearned = word("not-learned", "not learned yet")
)

// judgeBattery turns the verdict on a battery into one on its finding: is says which verdict that
// is, sensor, sulfation and joint are causes that are likely at times.
func judgeBattery(v view.View, is loadtest.Verdict, sensor, sulfation, joint *unit.Text) finding.Verdict {
	b := v.Own()
	s := b.State()
	switch {
	case b.Disagrees():
		return finding.Unjudged(channelsDisagree)
	case s.Verdict == loadtest.Unknown:
		if s.RunsJudged < loadtest.VerdictRuns {
			return finding.Unjudged(s.WaitsFor).Having(int(s.RunsJudged), loadtest.VerdictRuns)
		}
		return finding.Unjudged(s.WaitsFor)
	case s.Verdict != is:
		return absent
	case b.Facts().DeadCell:
		return v.Holds(cellIs.Says(oneDead), takingRuns.Is(float64(b.Facts().TakingRuns))).Suspect(failedCell, cellDead)
	}
	ah := capacityIs.Says(notLearned)
	if s.CapacityAh.Known {
		ah = capacity.Is(s.CapacityAh.Value)
	}
	verdict := v.Holds(cranking.Is(s.CrankingA.Value), sigmaA.Is(s.CrankingA.Sigma), ratedA.Is(b.Spec().RatedCCA),
		resistance25.Is(s.Resistance.Value), ah, runsJudged.Is(float64(s.RunsJudged)))
	if why := scaleSuspect(b); why != nil {
		verdict = verdict.Suspect(sensor, why)
	}
	if v.Active("bank-undercharged", true) {
		verdict = verdict.Suspect(sulfation, notFull)
	}
	if v.JointUnknown(v.Subject().Index) {
		verdict = verdict.Suspect(joint, jointBelow)
	}
	return verdict
}

const scaleSigmas = 2.0 // ratio: of the uncertainty of capability against capacity; our choice

// scaleSuspect returns why a current sensor that shows too little may be all that is wrong with a weak
// battery; nil if it can't be. Such a sensor makes the resistance look higher and the capacity lower,
// both by the same part, and nothing at the posts contradicts it.
func scaleSuspect(b view.Battery) *unit.Text {
	s, rated := b.State(), b.Spec()
	if !s.CapacityAh.Known {
		return scaleOpen
	}
	cranking, capacity := s.CrankingA.Value/rated.RatedCCA, s.CapacityAh.Value/rated.RatedAh
	sigma := math.Hypot(s.CrankingA.Sigma/rated.RatedCCA, s.CapacityAh.Sigma/rated.RatedAh)
	if math.Abs(cranking-capacity) > scaleSigmas*sigma {
		return nil
	}
	return scaleAlike
}
