package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// LinkResistive is a link or joint above its limit.
var LinkResistive = Finding[linkLimits, None]{
	Definition: finding.Definition{
		Name:     "link-resistive",
		Severity: finding.Repair,
		About:    finding.Joint,
		Title:    "{subject} has high resistance",
		Summary:  "{subject} has too much resistance.",
		Detected: "Calculated from how currents and voltages split in motor runs and charges. A link with its lugs is " +
			"above its limit by three times the uncertainty of the figure (a link that is off: above 10 times the limit by " +
			"one uncertainty), or a joint at a post is above its own limit.",
		Causes: []*unit.Text{
			cause("link-resistive.joint", "clamp or lug loose or corroded"),
			cause("link-resistive.cable", "cable corroded under its insulation, strands broken, or too thin"),
			linkOff,
		},
		NextCheck: []string{
			"Have a second person run the lift. Nobody on, under or beside the platform.",
			"With the motor running, measure the drop from post to post along the named link and read the current of the " +
				"battery behind it. Drop over current above the limit: measure each joint and the cable to find which.",
			"Lock out, feed off, and take the joint apart.",
			"Clean post and lug bright, tighten to the torque given on the battery, protect the joint.",
			"Watch a few lifts: the figure must fall.",
		},
		Clears: "The figure plus its uncertainty is below 5/6 of the limit.",
		Steady: "Raised when the figure less three standard uncertainties is above the limit; clears when the figure plus " +
			"its uncertainty is below 5/6 of it.",
		RaisedWithin: "10 motor runs",
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Limits: func(l *linkLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.LinkMohm, Default: 1.5, Min: 0.2, Max: 20, Unit: "mΩ", About: limit.About{
				Path: "findings.link_mohm", Origin: limit.Practice,
				Doc: "link-resistive: a link with its lugs. Two joints of 0.1 V at 120 A (drop-testing practice) would be 1.7; " +
					"a good patch cable has 0.3 to 0.6",
			}},
			limit.Number{To: &l.PostMohm, Default: 0.83, Min: 0.2, Max: 20, Unit: "mΩ", About: limit.About{
				Path: "findings.post_mohm", Origin: limit.Practice,
				Doc: "link-resistive: a joint at a post. 0.1 V a connection at 120 A (drop-testing practice)",
			}},
		}
	},
	Of:    []view.Kind{view.OfLink, view.OfPost},
	Needs: view.Parallel,
	Ends:  []Work{NewBattery, Joints},
	Judge: judgeLink,
}

type linkLimits struct{ LinkMohm, PostMohm float64 }

// By two uncertainties, a good link seems above its limit in one of some thousand banks, by charge
// alone, before the first motor run. Of a link that is off little more is known than that it is
// many times above its limit; a good one may seem twice above by as much after two runs.
const (
	fixedPart   = 5.0 / 6 // ratio: of a limit, below which a resistance or a drop counts as fixed; our choice
	openMohm    = 100.0   // mΩ: the network says more of a link that passes nothing; our choice
	offLimits   = 10.0    // ratio: a link that is off is this many times above its limit; our choice
	aboveSigmas = 3.0     // ratio: uncertainties by which a resistance must be above its limit; our choice
)

var (
	linkOff      = cause("link-resistive.off", "link off")
	passesNone   = why("passes-none", "it passes no current")
	middleUnread = why("middle-unmeasured", "the negative post of the upper battery is not wired to the monitor: what this joint "+
		"drops counts as that battery's")
	fewRuns = why("few-runs", "not enough motor runs with all voltages and currents read")
)

func judgeLink(v view.View, l *linkLimits, _ *None) finding.Verdict {
	most, r := l.LinkMohm, unit.Estimate{}
	if s := v.Subject(); s.Kind == view.OfLink {
		r = v.Wiring().Link(s.Index)
	} else {
		most, r = l.PostMohm, v.Wiring().Post(s.Index)
		switch {
		case r.Known:
		case !v.Active("link-resistive", false):
			return unchanged
		default: // good joints are not told apart from the links
			r.Known = anyLink(v)
		}
	}
	if !r.Known {
		if s := v.Subject(); s.Kind == view.OfLink && v.MiddleUnknown(s.Index) {
			return finding.Unjudged(middleUnread)
		}
		return finding.Unjudged(fewRuns)
	}
	switch {
	case r.Value-aboveSigmas*r.Sigma > most, r.Value-r.Sigma > offLimits*most:
		verdict := v.Holds(resistance.Is(r.Value), sigmaMohm.Is(r.Sigma), limitMohm.Is(most))
		if r.Value > openMohm {
			return verdict.Suspect(linkOff, passesNone)
		}
		return verdict
	case r.Value+r.Sigma < fixedPart*most:
		return absent
	}
	return unchanged
}

func anyLink(v view.View) bool {
	for k := range v.Wiring().Links() {
		if v.Wiring().Link(k).Known {
			return true
		}
	}
	return false
}
