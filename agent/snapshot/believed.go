package snapshot

import (
	"slices"
	"strings"
)

// miswired are findings under which the figures of the whole bank mean nothing: its posts are not
// joined as the rules take them to be.
var miswired = []string{"series-wired", "parallel-wired", "reversed"}

// Miswired returns the finding that holds now and says that the bank is not wired as it should be,
// or nil. While it holds, nothing that was learned of the bank is a fact.
func (s *Snapshot) Miswired() *Finding {
	for i := range s.Findings {
		if f := &s.Findings[i]; f.Active && slices.Contains(miswired, f.Name) {
			return f
		}
	}
	return nil
}

// Believed returns s without the figures that can't be believed now: of the whole bank while it is
// miswired, and those that rest on a channel with a fault. They are unknown then, and a verdict
// that rests on them is "unknown". What was measured stays. s is not changed; it is returned itself
// if nothing is in doubt.
func (s *Snapshot) Believed() *Snapshot {
	var faulty []string
	for i := range s.Findings {
		f := &s.Findings[i]
		switch {
		case !f.Active:
		case f.Name == "sense-fault" && !f.corrected():
			faulty = append(faulty, f.Subject)
			faulty = append(faulty, s.alsoFaulty(f.Subject)...)
		case f.Name == "middle-tap-open":
			own := "battery " + f.Subject + " voltage"
			faulty = append(faulty, own)
			faulty = append(faulty, s.alsoFaulty(own)...)
		}
	}
	wrong := s.Miswired() != nil
	if !wrong && len(faulty) == 0 {
		return s
	}
	out := *s
	out.Batteries, out.Links, out.Strings = slices.Clone(s.Batteries), slices.Clone(s.Links), slices.Clone(s.Strings)
	for i := range out.Batteries {
		b := &out.Batteries[i]
		for _, name := range faulty {
			if rest, is := strings.CutPrefix(name, "battery "+b.ID+" "); is {
				b.doubt()
				if rest != "temperature" { // a charge is counted without it
					b.SoCPct, b.RestedV, b.DrawSharePct, b.ChargeSharePct = Estimate{}, Estimate{}, Estimate{}, Estimate{}
				}
			}
		}
		if wrong {
			b.doubt()
			b.SoCPct, b.RestedV, b.DrawSharePct, b.ChargeSharePct = Estimate{}, Estimate{}, Estimate{}, Estimate{}
			b.TrendMohm = Estimate{}
		}
	}
	for _, name := range faulty {
		switch {
		case name == "feed voltage":
			out.Feed.PathMohm, out.Feed.PathDropV, out.Feed.PathNowMohm = Estimate{}, nil, nil
			out.Bank.TimeToFullS = Estimate{}
		case name == "feed input":
			out.Feed.InputV = nil
		case name == "control voltage":
			out.Motor.ControlV = nil
		case name == "oil pressure":
			out.Motor.OilBar = nil
		case name == "ambient temperature":
			out.Bank.AmbientC = nil
		case name == "motor voltage":
			out.Motor.PathMohm, out.Motor.PathDropV, out.Motor.PathNowMohm = Estimate{}, nil, nil
			out.Bank.LiftsLeft = Estimate{}
		case strings.HasSuffix(name, " temperature"):
			out.Bank.LiftsLeft, out.Bank.TimeToFullS = Estimate{}, Estimate{}
		case strings.HasPrefix(name, "battery "):
			out.Bank.doubt()
			for i := range out.Strings {
				if st := &out.Strings[i]; strings.HasPrefix(name, "battery "+st.From+" ") || strings.HasPrefix(name, "battery "+st.To+" ") {
					st.doubt()
				}
			}
		}
	}
	if !wrong {
		return &out
	}
	out.Bank.doubt()
	b := &out.Bank
	b.VoltageV, b.CurrentA = nil, nil // the mean and the sum of what does not stand side by side
	b.RestedV, b.CirculatingA, b.ParkedDrawA, b.Rested = Estimate{}, Estimate{}, Estimate{}, false
	b.MotorLeads, b.FeedLeads, b.MotorLeadsAt, b.FeedLeadsAt = "unknown", "unknown", nil, nil
	for i := range out.Strings {
		st := &out.Strings[i]
		st.doubt()
		st.VoltageV, st.CurrentA = nil, nil
	}
	for i := range out.Links {
		l := &out.Links[i]
		l.ResistanceMohm, l.CurrentA, l.DropV, l.NowMohm = Estimate{}, nil, nil, nil
	}
	out.Feed.Status, out.Feed.PathMohm, out.Feed.PathDropV, out.Feed.PathNowMohm = "unknown", Estimate{}, nil, nil
	out.Motor.PathMohm, out.Motor.PathDropV, out.Motor.PathNowMohm = Estimate{}, nil, nil
	return &out
}

// alsoFaulty returns the channels of other batteries that can't be believed with one: in a string, a battery
// stands on the tap of the one below, and all have one current.
func (s *Snapshot) alsoFaulty(channel string) (all []string) {
	for i := range s.Strings {
		switch st := &s.Strings[i]; channel {
		case "battery " + st.From + " voltage":
			all = append(all, "battery "+st.To+" voltage")
		case "battery " + st.From + " current":
			all = append(all, "battery "+st.To+" current")
		case "battery " + st.To + " current":
			all = append(all, "battery "+st.From+" current")
		}
	}
	return all
}

func (s *String) doubt() {
	s.RestDiffV, s.HeldDiffV, s.RunDiffV, s.SpreadPct = Estimate{}, Estimate{}, Estimate{}, Estimate{}
	s.DrawSharePct, s.ChargeSharePct, s.Weakest = Estimate{}, Estimate{}, ""
}

// corrected reports whether the error that a sensor has is known and taken off.
func (f *Finding) corrected() bool {
	return slices.ContainsFunc(f.Evidence, func(e Evidence) bool { return e.Words != nil && e.Words.ID == "sensor.zero" })
}

func (b *Battery) doubt() {
	b.Verdict, b.WaitsFor = "unknown", nil
	b.ResistanceMohm, b.CrankingA, b.CapacityAh, b.HealthPct = Estimate{}, Estimate{}, Estimate{}, Estimate{}
}

func (b *Bank) doubt() {
	b.SoCPct, b.SpreadPct, b.ResistanceRatio = Estimate{}, Estimate{}, Estimate{}
	b.LiftsLeft, b.TimeToFullS = Estimate{}, Estimate{}
	b.LiftsWaitFor, b.FullWaitsFor = nil, nil
}
