package detect

import (
	"errors"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BankFlat is a bank that can't run the lift any more.
var BankFlat = Finding[None, flatMemory]{
	Definition: finding.Definition{
		Name:     "bank-flat",
		Severity: finding.Urgent,
		Title:    "Bank is flat",
		Summary:  "The bank is flat: it can't run the lift.",
		Detected: "In two motor runs in a row the bank's voltage breaks down below 7.2 V (where the cold cranking test of " +
			"SAE J537 ends; motor contactors let go between 6 and 7 V, common practice). Or, with the motor off and nothing " +
			"charging, the bank is below 10.5 V for 10 min (there a battery is empty at the 20 h rate). Or the rested " +
			"voltage is below that of an empty battery by its uncertainty, or the charge below 10 % by twice its own.",
		Causes: []*unit.Text{
			cause("bank-flat.feed", "no charge for days, or less than the lifts take: see the feed first"),
			flatDrain,
			flatBattery,
		},
		NextCheck: []string{
			"Lower the platform by hand as the lift's manual says. Do not keep pressing the button: the contactor chatters " +
				"and burns its contacts.",
			"In frost: look whether a battery is swollen, cracked or frozen. A flat battery freezes at a few degrees below " +
				"zero. Do not charge or jump-start a frozen one.",
			"Ventilate; no sparks. Charge within a day with a charger set for this chemistry, at a tenth of the capacity or " +
				"less: a battery left flat sulfates. Some chargers do not start below 10.5 V.",
			"Find out why before the unit goes back to work: feed, then a drain with everything off.",
			"Fully charged and rested, test each battery alone.",
		},
		Clears:       "A charge back above 20 %, or a full one, or three motor runs in which the voltage holds above 9 V.",
		Steady:       "Two runs, or 10 min. Between the limits it stays as it was.",
		RaisedWithin: "2 motor runs, or 10 min",
		Episode:      sameEpisode,
		ExplainedBy: []string{
			"feed-lost", "feed-weak", "feed-low", "wake-missing", "balance-negative", "parked-drain", "battery-failed",
			"motor-stuck", "series-wired", "parallel-wired", "reversed",
		},
	},
	Pace:   Swift,
	Needs:  view.Parallel | view.OnePost,
	Gap:    func(m *flatMemory) { m.Since = 0 },
	Renews: []Work{NewBattery, RightAh},
	Sane: func(m *flatMemory) error {
		return errors.Join(within("runs fallen", float64(m.Fell), 0, flatRuns),
			within("runs held", float64(m.Held), 0, flatHeld),
			within("lowest voltage", m.Lowest, 0, 200))
	},
	Judge: judgeFlat,
}

// flatMemory is what bank-flat remembers: runs in a row.
type flatMemory struct {
	Fell, Held uint8         // runs in a row in which the voltage broke down, or held
	Lowest     float64       // V, of the run under way or the last; 0: not read
	Since      time.Duration // that the bank lies empty; 0: it does not
	running    bool
}

const (
	flatRunV     = 7.2              // V: in a run, a bank below it has broken down; standard: SAE J537
	flatHeldV    = 9.0              // V: in a run, a bank above it holds; our choice
	flatIdleV    = 10.5             // V: with the motor off, a bank below it is empty; standard: 20 h discharge
	flatFor      = 10 * time.Minute // below it, before it is said; our choice
	flatRuns     = 2                // count: runs that break down; our choice
	flatHeld     = 3                // count: runs that hold, before it clears; our choice
	flatPct      = 10.0             // %: charge, below it; our choice
	flatClearPct = 20.0             // %: charge, before it clears; our choice
	flatSigmas   = 2.0              // ratio: uncertainties of the charge; our choice
	flatMinRun   = time.Second      // shorter runs say nothing good; our choice
	leastV       = 0.001            // V: stands for none at all; our choice
)

var (
	flatDrain   = cause("bank-flat.drain", "something left on")
	flatBattery = cause("bank-flat.battery", "a failed battery that pulls the bank down, or takes no charge")

	lowestInRun = finding.NewLabel("lowest-in-run", "lowest voltage in the last motor run", "V")
	fellRuns    = finding.NewLabel("fell-runs", "motor runs in a row in which the bank broke down", "")
	drawsNow    = why("draws-now", "the bank gives current with the motor off")
)

func judgeFlat(v view.View, _ *None, m *flatMemory) finding.Verdict {
	running, _ := v.Motor().Running()
	post := rawPost(v)
	m.watchRun(v, running, post)
	amps := v.Bank().CurrentA()
	feeds := v.Feed().Carries() || amps.OK() && amps.Value > 0
	idle := post.OK() && post.Value < v.Volts(flatIdleV) && !running && !v.Motor().Flows() && !feeds
	switch {
	case running: // as it was
	case !idle:
		m.Since = 0
	case m.Since == 0:
		m.Since = v.Now()
	}
	soc := v.Bank().Charge()
	empty := idle && m.Since > 0 && v.Watched(m.Since) >= flatFor || !running && restsEmpty(v) ||
		soc.Known && soc.Value+flatSigmas*soc.Sigma < flatPct
	switch {
	case m.Fell >= flatRuns || empty:
		return holdsFlat(v, m, post)
	case m.Held >= flatHeld, v.Bank().State().FullKnown && v.Now()-v.Bank().State().SinceFull > v.StateSince("bank-flat"),
		soc.Known && soc.Value >= flatClearPct && m.Fell == 0 && post.OK() && post.Value > v.Volts(flatIdleV):
		return absent
	case !v.Active("bank-flat", false):
		return absent
	}
	return unchanged
}

// watchRun counts runs in which the bank's voltage breaks down, or holds.
func (m *flatMemory) watchRun(v view.View, running bool, post unit.Reading) {
	if running && !m.running {
		m.Lowest = 0
	}
	if running && post.OK() && (m.Lowest == 0 || post.Value < m.Lowest) {
		m.Lowest = max(post.Value, leastV)
	}
	for _, length := range v.Motor().Ended() {
		switch {
		case m.Lowest == 0:
		case m.Lowest < v.Volts(flatRunV):
			m.Fell, m.Held = min(m.Fell+1, flatRuns), 0
		case m.Lowest > v.Volts(flatHeldV) && length >= flatMinRun:
			m.Fell, m.Held = 0, min(m.Held+1, flatHeld)
		}
	}
	m.running = running
}

// rawPost returns the highest voltage of the bank as read, at a battery or at a string's plus: a bank that
// breaks down shows what no working board's battery has.
func rawPost(v view.View) (post unit.Reading) {
	for k := range v.Strings() {
		if r := v.Battery(v.Layout().Highest(k)).Measured().VoltageV; r.OK() && (!post.OK() || r.Value > post.Value) {
			post = r
		}
	}
	return post
}

// restsEmpty reports whether the bank rests below the voltage of empty batteries.
func restsEmpty(v view.View) bool {
	if v.QuietFor() < v.Settings().RestTime || v.Wiring().PostsDisagree() {
		return false
	}
	sum, sigma := 0.0, 0.0
	for i := range v.Batteries() {
		f := v.Battery(i).Facts()
		if !f.RestedV.Known || f.RestFor < v.Settings().RestTime {
			return false
		}
		sum, sigma = sum+f.RestedV.Value, max(sigma, f.RestedV.Sigma)
	}
	least := v.Bank().Least(func(c *leadacid.Chemistry) float64 { return c.RestedVFromSoC(0) })
	return sum/float64(v.Batteries())+sigma < least
}

func holdsFlat(v view.View, m *flatMemory, post unit.Reading) finding.Verdict {
	level := chargeIs.Says(notKnown)
	if soc := v.Bank().Charge(); soc.Known {
		level = charge.Is(soc.Value)
	}
	amps := v.Bank().CurrentA()
	verdict := v.Holds(lowestInRun.Is(m.Lowest), fellRuns.Is(float64(m.Fell)), bankVoltage.Reads(post), level,
		bankCurrent.Reads(amps))
	running, _ := v.Motor().Running()
	if !running && amps.OK() && -amps.Value > v.Settings().FeedPresentA && !v.Motor().Flows() {
		return verdict.Suspect(flatDrain, drawsNow)
	}
	return verdict
}
