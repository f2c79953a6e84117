package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BankLow is a rested bank below the voltage for service.
var BankLow = Finding[lowLimits, None]{
	Definition: finding.Definition{
		Name:     "bank-low",
		Severity: finding.Repair,
		Title:    "Bank is low",
		Summary:  "The rested bank is below the voltage at which a battery should be charged before anything else.",
		Detected: "With the bank at rest for at least an hour and settled to within 50 mV, the average voltage at the " +
			"batteries' own posts, at 25 °C, is below the threshold (12.4 V, common practice). Until a full charge has been " +
			"seen, the limit is 70 mV lower: half of what a tap may read low. After one, also: the charge, known to 10 %, is " +
			"below that of a battery at the threshold, and the voltage is above it by no more than taps may read high (1 % " +
			"and 10 mV).",
		Causes: []*unit.Text{
			cause("bank-low.short", "less charge than the lifts take: short drives, or a feed that does not deliver"),
			cause("bank-low.drain", "something left on that drains the parked bank"),
			cause("bank-low.battery", "weak battery that pulls the others down"),
		},
		NextCheck: []string{
			"Charge the bank fully with a charger set for its chemistry, let it rest, and read again.",
			"Low again within days: check the feed first, then look for a drain with everything off.",
		},
		Clears:       "A rested voltage 50 mV above the threshold with the charge up again, or a charge seen to its end.",
		Steady:       "Raised after 10 min at rest; clears 50 mV higher.",
		RaisedWithin: "10 min after the rest is long enough",
		Settings:     []string{"findings.bank_low_v", "findings.rest_time"},
		ExplainedBy: []string{
			"feed-lost", "feed-weak", "feed-low", "wake-missing", "bank-flat", "bank-undercharged", "balance-negative",
			"parked-drain", "battery-failed", "motor-stuck", "series-wired", "parallel-wired",
		},
	},
	Limits: func(l *lowLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.ClearV, Default: 12.45, Min: 11.5, Max: 13, Unit: "V", About: limit.About{
			Path: "findings.bank_low_clear_v", Origin: limit.Choice, OfBank: true, Tracks: "findings.bank_low_v", Plus: 0.05,
			Below: "feed.present_v", Usual: "bank_low_v + 0.05",
			Doc: "bank-low clears above it; more than bank_low_v. One reading error of a divider tap higher",
		}}}
	},
	Times: func(*lowLimits) (Times, Times) { return lowHold, lowRelease },
	Needs: view.Parallel | view.OneBattery,
	Judge: judgeLow,
}

type lowLimits struct{ ClearV float64 }

const (
	lowHold         = 10 * time.Minute // before it is raised; our choice
	lowRelease      = 10 * time.Minute // before it clears; our choice
	noFullYetMargin = 0.07             // V: half of what a tap may err, 1 % and 10 mV; our choice
	lowTapsHighV    = 0.14             // V: that taps of 1 % and 10 mV may read high; physical
	lowKnownPct     = 10.0             // %: how well the charge must be known to say what such taps don't; our choice
	lowBackPct      = 3.0              // %: above the threshold's charge, for it to be up again; our choice
)

var (
	postsDiffer = why("posts-differ", "the posts differ at rest: an open link or a bad channel; the next lift will "+
		"show which")
)

func judgeLow(v view.View, l *lowLimits, _ *None) finding.Verdict {
	bank, most := v.Bank().State(), v.Settings().LowV
	if !bank.FullKnown {
		most -= v.Volts(noFullYetMargin) // a bank just switched on may be a good one whose taps read too little
	}
	standing := v.Active("bank-low", false)
	switch {
	case v.Wiring().PostsDisagree():
		return finding.Unjudged(postsDiffer)
	case bank.FullKnown && standing && v.Now()-bank.SinceFull > v.StateSince("bank-low"):
		return absent
	case !bank.Rested:
		return lowBeyondUncertainty(v, most)
	case lowByCharge(v, standing):
		return v.Holds(restedV.Is(bank.RestedV.Value), thresholdV.Is(most), restFor.Is(v.Bank().RestFor().Hours()),
			charge.Is(v.Bank().MeanCharge().Value), sigmaPct.Is(v.Bank().MeanCharge().Sigma))
	case bank.RestedV.Value < most:
		return v.Holds(restedV.Is(bank.RestedV.Value), thresholdV.Is(most), restFor.Is(v.Bank().RestFor().Hours()))
	case bank.RestedV.Value >= l.ClearV:
		return absent
	}
	return unchanged
}

// lowByCharge reports whether the charge counted since the last full one says what taps that read high
// hide.
func lowByCharge(v view.View, standing bool) bool {
	soc, bank, most, rated := v.Bank().MeanCharge(), v.Bank().State(), 0.0, 0.0
	if !bank.FullKnown || !soc.Known || soc.Sigma > lowKnownPct || bank.RestedV.Value >= v.Settings().LowV+v.Volts(lowTapsHighV) {
		return false
	}
	for i := range v.Batteries() {
		spec := v.Battery(i).Spec()
		pct, _ := spec.Chemistry.SoCFromRestedV(v.Settings().LowV / v.Volts(1))
		most, rated = most+pct*spec.RatedAh, rated+spec.RatedAh
	}
	most /= rated
	if standing {
		most += lowBackPct
	}
	return soc.Value < most
}

// lowBeyondUncertainty judges a bank whose rested voltage is not known well, as in the cold: it
// holds when the voltage is below the limit whatever is not known.
func lowBeyondUncertainty(v view.View, most float64) finding.Verdict {
	rest := v.Bank().RestFor()
	if rest < v.Settings().RestTime {
		return unchanged
	}
	sum, sigma := 0.0, 0.0
	for i := range v.Batteries() {
		r := v.Battery(i).Facts().RestedV
		if !r.Known {
			return unchanged
		}
		sum, sigma = sum+r.Value, max(sigma, r.Sigma)
	}
	mean := v.Volts(sum / float64(v.Batteries()))
	if sigma = v.Volts(sigma); mean+sigma >= most {
		return unchanged
	}
	return v.Holds(restedV.Is(mean), sigmaV.Is(sigma), thresholdV.Is(most), restFor.Is(rest.Hours()))
}
