package rules

import (
	"math"
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
)

// Detectors is what the detectors of the findings remember, as plain values to be saved. What belongs to a motor run under way is not
// in it.
type Detectors struct {
	Quiet Quiet
	Feed  FeedMemory
	Day   DayMemory
	Motor MotorMemory
	Park  ParkMemory
	Rest  RestMemory
	Sense SenseMemory
	Low   LowMemory
	Serve [serviceKinds]ServiceMemory
}

// Quiet is since when nothing is on: no motor, no feed and none asked for.
type Quiet struct {
	On    bool
	Since time.Duration
}

// LowMemory is what bank-undercharged remembers.
type LowMemory struct {
	Begun     bool
	From      time.Duration // watched since
	Now       bool
	Since     time.Duration               // under the percentage
	FullAt    [MaxBatteries]time.Duration // when the charge worked out was last full
	FullKnown [MaxBatteries]bool
	MaybeAt   [MaxBatteries]time.Duration // when it was full by a charge known too little to be sure
	Maybe     [MaxBatteries]bool
}

// ServiceMemory is what was counted when service was entered last.
type ServiceMemory struct {
	Cycles  uint64
	RunTime time.Duration
}

// breakOff ends what has to last to be said: after a gap, as without power, nobody knows that it did.
func (e *Engine) breakOff() {
	d := &e.det
	e.book.EndWaits()
	d.Quiet.On, d.Rest.Have, d.Feed.HaveA = false, false, false
	d.Sense.WokenAt = e.last
	for i := range d.Sense.Channel {
		d.Sense.Channel[i].Have, d.Sense.Channel[i].IsOdd = false, false
	}
}

// quietFor gives how long nothing has been on; zero while something is.
func (e *Engine) quietFor() time.Duration {
	if !e.det.Quiet.On {
		return 0
	}
	return e.last - e.det.Quiet.Since
}

func (e *Engine) stepQuiet(use *Input) {
	running, _ := e.motor.Running()
	status, _ := e.feed.Status()
	still := !running && use.WakeLine != ContactOn && use.MotorCommand != ContactOn && status != feed.Present && status != feed.Unasked
	if !still || !e.det.Quiet.On {
		e.det.Day.MovedAh += e.movedAh
	}
	if still && !e.det.Quiet.On {
		e.det.Quiet.Since = e.last
	}
	e.det.Quiet.On = still
}

// judgeFindings judges all findings: those that must be prompt at every input, the others every five seconds.
func (e *Engine) judgeFindings(in, use *Input) {
	e.stepQuiet(use)
	e.watchRun(in, use)
	e.judgeSeries(in)
	e.judgeReversed(in)
	e.judgeFeedLost(use)
	e.judgeFeedWeak(use)
	e.judgeFeedHigh(use)
	e.judgeStuck(use)
	e.judgeDead(use)
	e.judgeOverrun()
	e.judgeSense(in)
	if !e.judged {
		if e.book.Pending() {
			e.diagnose()
		}
		return // capability, links and the like are as they were
	}
	e.stepDay(use)
	e.judgeBankLow()
	e.judgeUndercharged()
	e.judgeCirculating(use)
	e.judgeParked()
	e.judgeClimate(use)
	e.judgeService()
	e.judgeClock()
	e.judgeLinks()
	e.judgeBatteries()
	e.judgeMotor(use)
	e.diagnose()
}

// judgeLinks judges the resistance of every link, and of every joint that is told apart.
func (e *Engine) judgeLinks() {
	t := &e.cfg.Thresholds
	for k := range e.out.Links {
		l := &e.out.Links[k]
		e.judgeOhms(e.slots.link[k], l.Mohm, t.LinkMohm)
	}
	for k, p := range e.slots.posts {
		est := Estimate{}
		est.Value, est.Sigma, est.Known = e.net.Post(p.battery, p.side)
		slot := e.slots.post[k]
		if !est.Known && !e.book.Records[slot].Active() {
			e.give(slot, finding.Between, "")
			continue
		}
		if !est.Known { // sound joints are not told apart from the links
			est = Estimate{Known: e.anyLink()}
		}
		e.judgeOhms(slot, est, t.PostMohm)
	}
}

func (e *Engine) anyLink() bool {
	for k := range e.out.Links {
		if e.out.Links[k].Mohm.Known {
			return true
		}
	}
	return false
}

// clearPart is the part of a limit under which a resistance or a drop has to fall to count as mended.
const clearPart = 5.0 / 6

// linkOpenMohm: what the network says of a link that passes nothing.
const linkOpenMohm = 100.0

// offLimits: of a link that is off little more is known than that it is this many times over its limit. A sound one may seem twice over by as much
// after two runs.
const offLimits = 10

// overSigmas is by how many uncertainties a resistance must lie over its limit. By two, a sound link seems over it in one of some thousand banks,
// by charge alone, before the first motor run.
const overSigmas = 3

func (e *Engine) judgeOhms(slot int, r Estimate, limit float64) {
	if why := e.wiringUnread(); why != "" {
		e.give(slot, finding.NotJudged, why)
		return
	}
	if !r.Known {
		e.give(slot, finding.NotJudged, "not enough motor runs with all voltages and currents read")
		return
	}
	rec := &e.book.Records[slot]
	o := finding.Between
	switch {
	case r.Value-overSigmas*r.Sigma > limit, r.Value-r.Sigma > offLimits*limit:
		o = finding.Present
		rec.Show(
			finding.Evidence{What: "resistance", Value: r.Value, Unit: "mΩ", At: e.last},
			finding.Evidence{What: "standard uncertainty", Value: r.Sigma, Unit: "mΩ", At: e.last},
			finding.Evidence{What: "limit", Value: limit, Unit: "mΩ", At: e.last})
		rec.Suspect()
		if r.Value > linkOpenMohm {
			rec.Suspect(finding.Likely{Cause: finding.LinkResistiveOff, Reason: "it passes no current at all"})
		}
	case r.Value+r.Sigma < clearPart*limit:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// wiringUnread says why nothing can be said of how the batteries are joined.
func (e *Engine) wiringUnread() string {
	if e.book.Records[e.slots.series].Active() {
		return "the batteries are wired in series"
	}
	return ""
}

// judgeBatteries turns the verdicts into findings.
func (e *Engine) judgeBatteries() {
	for i := range e.out.Battery {
		b := &e.out.Battery[i]
		tired, failed := e.slots.tired[i], e.slots.failed[i]
		if why := e.wiringUnread(); why != "" {
			e.give(tired, finding.NotJudged, why)
			e.give(failed, finding.NotJudged, why)
			continue
		}
		if m := &e.det.Sense; m.DeafV[i] > 0 || m.DeafA[i] > 0 || e.channel(i, batteryVoltage).IsOdd || e.standsApart(i) {
			e.give(tired, finding.NotJudged, "its channels and the others do not agree")
			e.give(failed, finding.NotJudged, "its channels and the others do not agree")
			continue
		}
		var ot, of finding.Opinion
		why := ""
		switch b.Verdict {
		case loadtest.Failed:
			ot, of = finding.Absent, finding.Present
		case loadtest.Tired:
			ot, of = finding.Present, finding.Absent
		case loadtest.Fit, loadtest.FitLow:
			ot, of = finding.Absent, finding.Absent
		default:
			ot, of, why = finding.NotJudged, finding.NotJudged, b.WaitsFor
		}
		for _, j := range [2]struct {
			slot int
			o    finding.Opinion
		}{{tired, ot}, {failed, of}} {
			if j.o == finding.Present {
				e.showBattery(j.slot, i)
			}
			e.give(j.slot, j.o, why)
		}
	}
}

// standsApart reports whether a battery that carried its part of the last run shows another voltage than one beside it. Whatever is wrong
// with a battery, posts that cables join stand together: that is a channel.
func (e *Engine) standsApart(i int) bool {
	const far = 0.5
	v, m := e.out.Battery[i].In.VoltageV, &e.det.Sense
	for k := range e.out.Battery {
		o := e.out.Battery[k].In.VoltageV
		if k != i && v.OK() && o.OK() && math.Abs(v.Value-o.Value) > far && m.HasCarried && min(m.Carried[i], m.Carried[k]) > carriesShare {
			return true
		}
	}
	return false
}

func (e *Engine) showBattery(slot, i int) {
	b, rated := &e.out.Battery[i], &e.cfg.Batteries[i]
	rec := &e.book.Records[slot]
	rec.Suspect()
	if e.judge[i].DeadCell() {
		rec.Show(finding.Evidence{What: "cell", Text: "one gives nothing", At: e.last},
			finding.Evidence{What: "motor runs in which it took current", Value: float64(e.load[i].TakingRuns()), At: e.last})
		rec.Suspect(finding.Likely{Cause: finding.BatteryFailedCell, Reason: "it points two volts low, or takes current while the motor pulls"})
		return
	}
	capacity := finding.Evidence{What: "capacity", Text: "not learnt yet", At: e.last}
	if b.CapacityAh.Known {
		capacity = finding.Evidence{What: "capacity", Value: b.CapacityAh.Value, Unit: "Ah", At: e.last}
	}
	rec.Show(
		finding.Evidence{What: "cold cranking capability", Value: b.CrankingA.Value, Unit: "A", At: e.last},
		finding.Evidence{What: "standard uncertainty", Value: b.CrankingA.Sigma, Unit: "A", At: e.last},
		finding.Evidence{What: "rated", Value: rated.RatedCCA, Unit: "A", At: e.last},
		finding.Evidence{What: "resistance at 25 °C", Value: b.Resistance.Value, Unit: "mΩ", At: e.last},
		capacity,
		finding.Evidence{What: "motor runs judged", Value: float64(b.RunsJudged), At: e.last})
	if e.book.Records[e.slots.undercharged].Active() {
		rec.Suspect(finding.Likely{Cause: 1, Reason: "the bank has not been full for days"}) // sulphation stands second for tired, third for failed
		if rec.Def == &finding.BatteryFailed {
			rec.Suspect(finding.Likely{Cause: finding.BatteryFailedSulphation, Reason: "the bank has not been full for days"})
		}
	}
}
