package detect

import (
	"slices"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// SenseFault is a measuring channel that can't be believed.
var SenseFault = Finding[senseLimits, None]{
	Definition: finding.Definition{
		Name:     "sense-fault",
		Severity: finding.Repair,
		About:    finding.Channel,
		Title:    "{subject} is faulty",
		Summary: "{subject} gives no believable value. What depends on it is not judged, unless the error is known and " +
			"taken off.",
		Detected: "For 30 s the channel gave no usable reading (no answer on the bus, end of the input chip's range, " +
			"outside what is possible), or too much noise, or it contradicts the other channels: a post below 5 V while the " +
			"monitor runs from the bank, no response in three motor runs in a row that the other channels saw, a current at " +
			"rest that the other channels rule out, a temperature that jumped as no battery's can, or posts that differ at " +
			"rest although the cables join them. A current sensor also: one that shows a charge while the motor pulls its " +
			"battery down; one that makes its battery over 1.5 times as strong as its rating, or from one run to the next " +
			"shows another current for the same drop; one that shows too little, as links say that seem worse than " +
			"their twins by as much as its battery seems weak; one that shows over 0.5 A while none flows, as three hours of rest " +
			"tell from the sum of all; one past which a charger is clamped, as the voltage rises without a current.",
		Causes: []*unit.Text{
			cause("sense-fault.wire", "sense wire off or broken, or its fuse blown"),
			cause("sense-fault.plug", "plug of the sensor or the board loose or wet"),
			cause("sense-fault.sensor", "sensor or input chip failed"),
			senseMounted,
			senseDrifted,
			sensePast,
		},
		NextCheck: []string{
			"Voltage: measure with your own meter at the post named, and compare with the reading shown.",
			"Current: put a DC clamp meter on that battery's cable. Have a second person run the lift, nobody on, under or " +
				"beside the platform, and compare sign and amperes.",
			"The meter sees it and the monitor does not: follow the sense wire and its fuse.",
			"A current of the wrong sign or size: which way the sensor is on, how many cables go through it, and its scale in " +
				"the configuration. Everything off and not 0 A: set its zero again.",
			"A charger on the posts: clamp it on the far side of the current sensor, or wait: a rest of some hours after it " +
				"shows the charge.",
		},
		Clears:       "Usable readings for 1 min. A channel that contradicted the others must agree with them.",
		Steady:       "Raised after 30 s; clears after 1 min; a zero below 0.4 A.",
		RaisedWithin: "1 min; a stuck or wrong channel: 3 motor runs; a zero: a night at rest",
		ExplainedBy:  []string{"series-wired", "reversed"},
	},
	Limits: func(l *senseLimits) []limit.Limit {
		return []limit.Limit{
			limit.Span{To: &l.After, Default: 30 * time.Second, Min: time.Second, Max: time.Hour, About: limit.About{
				Path: "findings.sense_fault_after", Origin: limit.Choice,
				Doc: "sense-fault: no usable reading for this long. A plug touched on a visit is no fault",
			}},
		}
	},
	Of:   []view.Kind{view.OfChannel},
	Pace: Swift,
	Clean: func(f *view.Frame) bool {
		return f.ZeroOff == [unit.MaxBatteries]bool{} && f.Trust.Clean(f.Raw)
	},
	Times:    func(l *senseLimits) (Times, Times) { return l.After, senseRelease },
	OneCause: oneCause,
	Judge:    judgeSense,
}

type senseLimits struct{ After time.Duration }

const senseRelease = time.Minute // before it clears; our choice

var (
	senseMounted = cause("sense-fault.mounted", "sensor on the wrong way around or on two cables, or a wrong scale in the "+
		"configuration")
	senseDrifted = cause("sense-fault.drifted", "zero of the sensor drifted, with age or temperature")
	sensePast    = cause("sense-fault.past", "charger clamped on the posts, past the current sensor")

	zeroOff = unit.Says("sensor.zero", "shows a current while none flows; it is taken off from now on")
	zeroIs  = finding.NewLabel("zero", "shows without current", "A")

	channelIs = finding.NewLabel("channel", "channel", "")
	reads     = map[string]*finding.Label{"V": newReads("v", "V"), "A": newReads("a", "A"), "°C": newReads("c", "°C")}
)

func newReads(id, unitWord string) *finding.Label {
	l := finding.NewLabel("reads-"+id, "reads", unitWord)
	return &l
}

// oneCause: channels that fail at one time, all of one battery or all for lack of an answer, have
// one cause: a fuse, a plug, an input chip or the bus. The first of them stands for all.
func oneCause(a, b view.Subject, x, y *finding.Record) bool {
	own := unit.Channel(a.Index).Battery()
	if own >= 0 && own == unit.Channel(b.Index).Battery() {
		return true
	}
	p, q := x.Evidence, y.Evidence
	if len(p) == 0 || len(q) == 0 || p[0].Words == nil {
		return false
	}
	return p[0].Words == q[0].Words || slices.Contains(unreached, p[0].Words) && slices.Contains(unreached, q[0].Words)
}

// unreached are the ways in which input chips show that the bus to them has failed: some time out,
// others don't answer, or come back without their settings.
var unreached = []*unit.Text{
	unit.NoAnswer.Text(), unit.BusStuck.Text(), unit.NotReady.Text(), unit.ChipReset.Text(),
}

// judgeSense judges one channel by itself.
func judgeSense(v view.View, _ *senseLimits, _ *None) finding.Verdict {
	c, r := v.Channel()
	s, why := c.Signal(), (*unit.Text)(nil)
	switch {
	case r.Quality == unit.NotFitted || r.Quality == unit.Waiting:
		return unchanged
	case s == unit.BatteryNegative && r.Quality == unit.Saturated && v.InSeries():
		return unchanged // half a series pair's voltage shows there
	case s != unit.BatteryCurrent && s != unit.BatteryTemp && v.Reversed():
		return unchanged // a battery the wrong way around shows as next to nothing everywhere
	case (s == unit.MotorVoltage || s == unit.FeedVoltage) && r.Faulty() && !v.Wiring().Joined():
		return unchanged // its return hangs on a battery whose negative link is open
	case r.Faulty():
		why = r.Quality.Text()
	default:
		why = v.WhyNot(c, r)
	}
	if zero, off := v.Zero(c); why == nil && off {
		return v.Holds(channelIs.Says(zeroOff), zeroIs.Is(zero.Value), sigmaA.Is(zero.Sigma), reads[s.Unit()].Reads(r)).
			Suspect(senseDrifted, zeroOff)
	}
	if why == nil {
		return absent
	}
	verdict := v.Holds(channelIs.Says(why), reads[s.Unit()].Reads(r))
	switch {
	case why == trust.ChargedPast:
		return verdict.Suspect(sensePast, why)
	case trust.Mounted(why):
		return verdict.Suspect(senseMounted, why)
	}
	return verdict
}
