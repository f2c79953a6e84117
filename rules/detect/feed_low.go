package detect

import (
	"errors"
	"math"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// FeedLow is a converter whose own voltage never fills the batteries.
var FeedLow = Finding[feedLowLimits, feedLowMemory]{
	Definition: finding.Definition{
		Name:     "feed-low",
		Severity: finding.Repair,
		Title:    "Charge voltage too low",
		Summary:  "The converter holds a voltage too low to fill these batteries.",
		Detected: "In five drives in a row the feed's voltage stays within 40 mV for 15 min while the current tapers, so " +
			"it is the converter's own setting, and it never comes within the margin of the lower absorption voltage of the " +
			"chemistry (at 25 °C: flooded and AGM 14.4 V, gel 14.0 V; handbooks, from memory; 2.40 V a cell, published). It " +
			"moves by -18 mV/°C; in the cold only while bank-undercharged holds, as not every converter is compensated. And " +
			"the bank has not been full for two days.",
		Causes: []*unit.Text{
			lowSetting,
			lowCompensation,
			cause("feed-low.sense", "converter's sense or temperature lead wrong"),
		},
		NextCheck: []string{
			"With the feed on for 15 min and the current falling, measure at the converter's output. Compare with the " +
				"evidence.",
			"Set absorption for these batteries as their maker says, usually 14.4 V, and float 13.5 V. See whether " +
				"temperature compensation is on, and its sensor is on a battery.",
			"A converter that can't be set: fit one with an absorption stage.",
			"Then charge the bank fully with a charger: what a low voltage has left uncharged for weeks sulfates.",
		},
		Clears:       "A feed voltage within the margin of the lower absorption voltage for a minute.",
		Steady:       "Five drives to raise; one good charge clears it.",
		RaisedWithin: "5 drives of 20 min, two days after the last full charge",
		Settings:     []string{"feed.present_v"},
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed"},
	},
	Limits: func(l *feedLowLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.MarginV, Default: 0.3, Min: 0.1, Max: 1, Unit: "V", About: limit.About{
			Path: "findings.feed_low_margin_v", Origin: limit.Choice, OfBank: true,
			Doc: "feed-low: under the lower absorption voltage (flooded and AGM 14.4 V, gel 14.0 V at 25 °C: handbooks, from " +
				"memory). Twice what a tap of 1 % may read wrong",
		}}}
	},
	Needs:  view.Parallel | view.OnePost,
	Gap:    func(m *feedLowMemory) { m.Now = heldNow{} },
	Renews: []Work{NewBattery, RightAh},
	Sane: func(m *feedLowMemory) error {
		return errors.Join(within("drives", float64(m.Drives), 0, feedLowDrives), within("voltage", m.V, 0, 200),
			within("input", m.InV, -200, 200),
			within("voltage now", m.Now.Smoothed, -200, 200))
	},
	Judge: judgeFeedLow,
}

type feedLowLimits struct{ MarginV float64 }

// feedLowMemory counts drives, and keeps what the last of them held.
type feedLowMemory struct {
	Drives  uint8   // in a row that held too little
	V, C, A float64 // what the last of them held: voltage, temperature, current at its end
	FromA   float64 // and at its start
	InV     float64 `json:",omitempty"` // at the converter's input, at its end; 0: not read
	Now     heldNow
}

// heldNow is what a drive has shown so far.
type heldNow struct {
	On       bool
	Smoothed float64 // voltage
	At       time.Duration
	Since    time.Duration // of the voltage staying where it is,
	V        float64       // that is here
	FromA    float64       // current then
	Tapered  bool          // it held long enough while the current fell
}

const (
	feedLowDrives  = 5                // count: drives in a row; our choice
	feedLowHold    = 15 * time.Minute // that a voltage is held; our choice
	feedLowBandV   = 0.04             // V: by which a held voltage may move; our choice
	feedLowFall    = 0.9              // ratio: of the current, that a taper has fallen to; our choice
	feedLowSmooth  = time.Minute      // over which the voltage is averaged; our choice
	feedLowNotFull = 2 * day          // since the last full charge; our choice
)

var (
	lowSetting      = cause("feed-low.setting", "converter set for another chemistry, or to a float voltage only")
	lowCompensation = cause("feed-low.compensation", "temperature compensation missing: too low in the cold")
	inputHeld       = why("input-held", "the converter's input held up: it is the converter's own setting")
	limitRose       = why("limit-rises-in-cold", "warm it would be enough; in the cold the bank does not get full")

	convHolds = finding.NewLabel("held-v", "voltage that the converter holds", "V")
	wantsV    = finding.NewLabel("wants-v", "lower absorption voltage at this temperature", "V")
	fromA     = finding.NewLabel("held-from-a", "current when it began to hold", "A")
	toA       = finding.NewLabel("held-to-a", "current at the end", "A")
	drives    = finding.NewLabel("drives", "drives in a row", "")
)

func judgeFeedLow(v view.View, l *feedLowLimits, m *feedLowMemory) finding.Verdict {
	m.follow(v, l)
	since, _ := notFullFor(v)
	mild, full := lowestAbsorption(v, m.C)
	switch {
	case m.Drives == 0:
		return absent
	case m.Drives < feedLowDrives || since < feedLowNotFull:
		return unchanged
	case m.V < mild-l.MarginV:
		verdict := v.Holds(convHolds.Is(m.V), wantsV.Is(full), temperature.Is(m.C), fromA.Is(m.FromA), toA.Is(m.A),
			drives.Is(float64(m.Drives)), m.input())
		if m.InV >= v.Settings().FeedInputMinV+inputHoldsV {
			return verdict.Suspect(lowSetting, inputHeld)
		}
		return verdict
	case m.V < full-l.MarginV && v.Active("bank-undercharged", false):
		return v.Holds(convHolds.Is(m.V), wantsV.Is(full), temperature.Is(m.C), fromA.Is(m.FromA), toA.Is(m.A),
			drives.Is(float64(m.Drives))).Suspect(lowCompensation, limitRose)
	}
	return unchanged
}

// lowestAbsorption returns the lower absorption voltage at a temperature: without what the cold
// adds, which not every converter gives, and with it.
func lowestAbsorption(v view.View, tempC float64) (mild, full float64) {
	at25 := v.Bank().Least(func(c *leadacid.Chemistry) float64 { return c.MinChargeV25 })
	return v.Volts(leadacid.ChargeLimitV(at25, max(tempC, leadacid.ReferenceC))), v.Volts(leadacid.ChargeLimitV(at25, tempC))
}

// chargeLimitV brings a voltage of the bank at 25 °C to another temperature, as a charger is compensated: so much
// for each battery in series.
func chargeLimitV(v view.View, at25, tempC float64) float64 {
	return v.Volts(leadacid.ChargeLimitV(at25/v.Volts(1), tempC))
}

// follow watches the voltage and the current of the drive under way, and counts it when it is over.
func (m *feedLowMemory) follow(v view.View, l *feedLowLimits) {
	amps, ok := v.Feed().CurrentA()
	running, _ := v.Motor().Running()
	out := v.Feed().VoltageV()
	if !out.OK() {
		out = v.Bank().HighestPost()
	}
	switch {
	case running || !out.OK():
		m.Now.Since = v.Now() // what a motor run does to the voltage is not the converter's doing
		return
	case !ok:
		if m.Now.On && m.Now.Tapered {
			m.Drives = min(m.Drives+1, feedLowDrives)
		}
		m.Now = heldNow{}
		return
	case !m.Now.On:
		m.Now = heldNow{On: true, Smoothed: out.Value, At: v.Now(), Since: v.Now(), V: out.Value, FromA: amps}
	}
	h := &m.Now
	x := float64(v.Now()-h.At) / float64(feedLowSmooth)
	h.Smoothed += (out.Value - h.Smoothed) * x / (1 + x)
	h.At = v.Now()
	temp := v.Bank().TempOr25()
	enough, full := lowestAbsorption(v, temp)
	if v.Active("bank-undercharged", false) {
		enough = full
	}
	switch {
	case h.Smoothed >= enough-l.MarginV:
		m.Drives, h.Tapered = 0, false
	case math.Abs(h.Smoothed-h.V) > v.Volts(feedLowBandV):
		h.Since, h.V, h.FromA = v.Now(), h.Smoothed, amps
	case v.Watched(h.Since) >= feedLowHold && amps > 0 && amps <= feedLowFall*h.FromA &&
		h.Smoothed >= chargeLimitV(v, v.Settings().FeedPresentV, max(temp, leadacid.ReferenceC)):
		h.Tapered = true
		m.V, m.C, m.A, m.FromA, m.InV = h.Smoothed, temp, amps, h.FromA, 0
		if in := v.Feed().InputV(); in.OK() {
			m.InV = in.Value
		}
	}
}

// input returns the evidence of the converter's input; none where it was not read.
func (m *feedLowMemory) input() finding.Evidence {
	if m.InV == 0 {
		return finding.Evidence{}
	}
	return inputIs.Is(m.InV)
}
