package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// LabelMismatch is a battery that rests like one of another chemistry than the configuration says.
var LabelMismatch = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "label-mismatch",
		Severity: finding.Note,
		About:    finding.Battery,
		Title:    "{subject} rests like another chemistry",
		Summary: "{subject} rests like a battery of another chemistry than the configuration says: see the evidence, and " +
			"check its label.",
		Detected: "Three rests or more of ten hours, each after a charge counted from full, fit another chemistry's rested " +
			"voltages 99 times better than the configured one's, even if the voltage tap reads wrong within its class as suits " +
			"that best. Taps good to 1 % tell only by batteries that were seen both full and deeply discharged: chemistries " +
			"differ by little more. Until it is told, charge is stated with a doubt that covers both.",
		Causes: []*unit.Text{
			cause("label-mismatch.configuration", "wrong chemistry in the configuration"),
			cause("label-mismatch.replaced", "battery replaced by one of another kind"),
			cause("label-mismatch.acid", "acid of another strength than usual: topped up with acid, or far too low"),
			cause("label-mismatch.tap", "voltage tap off by more than its class"),
		},
		NextCheck: []string{
			"Read the battery's label: flooded, AGM or gel.",
			"Correct the chemistry in the configuration if it differs, and set the charge voltage for it.",
			"The label agrees: compare the battery's voltage with your own meter at its posts.",
			"The voltage agrees too, and the battery is flooded: check the level, and the acid with a hydrometer.",
		},
		Clears:          "Its rests fit the configured chemistry again, or it is replaced.",
		Steady:          "Raised from odds of 99 to 1; clears below 9 to 1.",
		RaisedWithin:    "weeks, once the bank was both full and deeply discharged",
		ExplainedBy:     []string{"battery-failed"},
		SameSubjectOnly: true,
	},
	Of:    []view.Kind{view.OfBattery},
	Needs: view.Parallel,
	Ends:  []Work{NewBattery, RightAh},
	Judge: func(v view.View, _, _ *None) finding.Verdict {
		b := v.Own()
		like := b.Facts().RestsLike
		if like == nil {
			return absent
		}
		return v.Holds(restsLike.Says(chemistryWord[like.Name]), configuredAs.Says(chemistryWord[b.Spec().Chemistry.Name]))
	},
}

var (
	restsLike    = finding.NewLabel("rests-like", "rests like", "")
	configuredAs = finding.NewLabel("configured-as", "configured as", "")

	chemistryWord = chemistryWords()
)

func chemistryWords() map[string]*unit.Text {
	words := map[string]*unit.Text{}
	for _, c := range leadacid.All() {
		words[c.Name] = word("chemistry-"+c.Name, c.Name)
	}
	return words
}
