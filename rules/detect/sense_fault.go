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
			"tell from the sum of all; one past which a charger is clamped, as the voltage rises without a current. " +
			"A current sensor or a tap that has moved since its calibration by more than its class allows. Of batteries in " +
			"series: a tap that should be at 12 V and shows 24 V while one that should be at 24 V shows 12 V.",
		Causes: []*unit.Text{
			cause("sense-fault.wire", "sense wire off or broken, or its fuse blown"),
			cause("sense-fault.plug", "plug of the sensor or the board loose or wet"),
			cause("sense-fault.sensor", "sensor or input chip failed"),
			senseMounted,
			senseDrifted,
			sensePast,
			senseSwapped,
			senseMoved,
			senseBus,
			senseChip,
		},
		NextCheck: []string{
			"Nothing of an input chip answers, or of the whole bus: plugs and supply of the chips first, then one chip after " +
				"the other off the bus. Readings come back by themselves.",
			"Voltage: measure with your own meter at the post named, and compare with the reading shown.",
			"Current: put a DC clamp meter on that battery's cable. Have a second person run the lift, nobody on, under or " +
				"beside the platform, and compare sign and amperes.",
			"The meter sees it and the monitor does not: follow the sense wire and its fuse.",
			"A current of the wrong sign or size: which way the sensor is on, how many cables go through it, and its scale in " +
				"the configuration. Everything off and not 0 A: set its zero again.",
			"Zero, sign or size wrong by little and steadily: calibrate the channel on the page \"Calibrate\", with your meter.",
			"Taps swapped: measure at each post over the bank's minus, and move the two sense wires to the posts that the " +
				"configuration has them on.",
			"A charger on the posts: clamp it on the far side of the current sensor, or wait: a rest of some hours after it " +
				"shows the charge.",
		},
		Clears:       "Usable readings for 1 min. A channel that contradicted the others must agree with them.",
		Steady:       "Raised after 30 s; clears after 1 min; a zero below 0.4 A.",
		RaisedWithin: "1 min; a stuck or wrong channel: 3 motor runs; a zero: a night at rest",
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed"},
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
		none := [unit.MaxBatteries]bool{}
		return f.ZeroOff == none && f.ZeroDrifted == none && f.TapDrifted == none && f.Miswired == nil && f.Trust.Clean(f.Raw)
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
	senseSwapped = cause("sense-fault.swapped", "two voltage taps of a string swapped: each on the other's post")
	sensePast    = cause("sense-fault.past", "charger clamped on the posts, past the current sensor")

	senseMoved = cause("sense-fault.moved", "sensor, divider or input chip drifted since it was calibrated, or the "+
		"calibration was wrong")

	movedOff = unit.Says("sensor.moved", "has moved since its calibration by more than its class allows")
	movedBy  = map[string]*finding.Label{"V": newMoved("v", "V"), "A": newMoved("a", "A")}

	senseBus  = cause("sense-fault.bus", "a line of the I2C bus held by a chip, or plug or supply of the bus")
	senseChip = cause("sense-fault.chip", "input chip without supply, or its plug loose")

	zeroOff = unit.Says("sensor.zero", "shows a current while none flows; it is taken off from now on")
	zeroIs  = finding.NewLabel("zero", "shows without current", "A")

	channelIs = finding.NewLabel("channel", "channel", "")
	chipIs    = finding.NewLabel("input-chip", "input chip that does not answer", "")
	busIs     = finding.NewLabel("bus", "I2C bus", "")
	noneOfAny = word("none-of-any", "no input chip answers")
	reads     = map[string]*finding.Label{"V": newReads("v", "V"), "A": newReads("a", "A"), "°C": newReads("c", "°C"),
		"bar": newReads("bar", "bar")}
)

func newMoved(id, unitWord string) *finding.Label {
	l := finding.NewLabel("moved-"+id, "moved since its calibration", unitWord)
	return &l
}

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
	if v.Miswired() == view.InParallel && s == unit.BatteryVoltage {
		return unchanged
	}
	switch {
	case r.Quality == unit.NotFitted || r.Quality == unit.Waiting:
		return unchanged
	case s == unit.BatteryNegative && r.Quality == unit.Saturated && v.InSeries():
		return unchanged // half a series pair's voltage shows there
	case s == unit.BatteryVoltage && r.Shown() && v.ActiveOf("middle-tap-open", c.Battery()):
		return unchanged // it is the middle tap that is wrong, and said so
	case s == unit.BatteryVoltage && v.Layout().Blocks() > 1 && r.Shown() && v.Motor().Flows():
		return unchanged // near-reversal says what a battery of a string does that breaks down in a run
	case s.Unit() == "V" && v.Reversed():
		return unchanged // a battery the wrong way around shows as next to nothing everywhere
	case (s == unit.MotorVoltage || s == unit.FeedVoltage) && r.Faulty() && !v.Wiring().Joined():
		return unchanged // its return hangs on a battery whose negative link is open
	case r.Faulty():
		why = r.Quality.Text()
	default:
		why = v.WhyNot(c, r)
	}
	if moved, beyond := v.Moved(c); why == nil && beyond {
		return v.Holds(channelIs.Says(movedOff), movedBy[s.Unit()].Is(moved.Value), reads[s.Unit()].Reads(r)).
			Suspect(senseMoved, movedOff)
	}
	if zero, off := v.Zero(c); why == nil && off {
		return v.Holds(channelIs.Says(zeroOff), zeroIs.Is(zero.Value), sigmaA.Is(zero.Sigma), reads[s.Unit()].Reads(r)).
			Suspect(senseDrifted, zeroOff)
	}
	if why == nil {
		return absent
	}
	if r.Unreached() {
		switch chip, all := v.SilentChip(); {
		case all:
			return v.Holds(channelIs.Says(why), busIs.Says(noneOfAny)).Suspect(senseBus, noneOfAny)
		case chip != nil:
			return v.Holds(channelIs.Says(why), chipIs.Says(chip)).Suspect(senseChip, why)
		}
	}
	verdict := v.Holds(channelIs.Says(why), reads[s.Unit()].Reads(r))
	switch {
	case why == trust.ChargedPast:
		return verdict.Suspect(sensePast, why)
	case why == trust.TapsSwapped:
		return verdict.Suspect(senseSwapped, why)
	case trust.Mounted(why):
		return verdict.Suspect(senseMounted, why)
	}
	return verdict
}
