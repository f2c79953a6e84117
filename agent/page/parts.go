package page

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/page/draw"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// sheetView is what the templates of the parts see.
type sheetView struct {
	To       *words.Reader
	W        map[string]string
	S        *snapshot.Snapshot // with what can't be believed left out
	At       template.HTML      // of the readings
	State    string             // of the bank, in a word
	Answer   answer
	Drawing  template.HTML
	Ahead    []figure // what the bank is good for
	Steps    []stepView
	Joints   []jointView
	Wake     []pair
	Gist     []verdictView // battery by battery
	Rows     []row         // of the table of batteries
	Strings  []string      // names of the strings; none in parallel
	Series   []view.StringRow
	Mixed    string // what it costs that the batteries are of different kinds; empty: they are not
	Total    []pair // of the bank as a whole
	BankGist string
	Feed     []pair
	FeedGist string
	Motor    []pair
	Lifts    string
	LastRun  []pair
	Unjudged []unjudged
	Waits    int   // findings that can't be judged
	Kept     []row // learned before the bank was miswired
	KeptAt   template.HTML
	Scan     []pair
	Channel  []channelView
	Good     string // how many channels are
	Cautions []string
	Acts     bool // something can be done about findings here
}

// figure is one figure of what the bank is good for.
type figure struct {
	Name, Value string
	Why         string // what it waits for
	By          string // what it is set by
}

type verdictView struct {
	ID, Verdict string
	Bad         bool
}

type channelView struct {
	Name, Value, Quality string
	Bad                  bool
}

// Lead returns the data for the first card.
func (v sheetView) Lead() view.Shown {
	lead := view.Shown{W: v.W, To: v.To, F: *v.Answer.Lead, Full: true, Level: 1, Acts: v.Acts}
	if v.Answer.Count != "" {
		lead.More, lead.MoreAt = v.Answer.Count, "#f-"+v.Answer.Rest[0].Key
	}
	return lead
}

// With returns the data for the card of another finding.
func (v sheetView) With(f view.Finding) view.Shown {
	return view.Shown{W: v.W, To: v.To, F: f, Full: f.Urgent, Level: 2, Acts: v.Acts}
}

func newView(to *words.Reader, s *snapshot.Snapshot, old bool) sheetView {
	v := sheetView{To: to, W: to.W, Cautions: to.List("Cautions")}
	if s == nil {
		v.Answer = answerOf(to, nil, old, nil)
		return v
	}
	all := s
	s = s.Believed()
	v.S = s
	found := view.Findings(to, s)
	nameOwnShare(to, s, found)
	v.Answer = answerOf(to, s, old, found)
	v.At = view.Time(to, s.At, s.At)
	v.State = bankState(to, s)
	v.Drawing = draw.Bank(to, s)
	v.Ahead = aheadFigures(to, s)
	v.Steps, v.Joints, v.Wake = runSteps(to, s), jointRows(to, s), wakePairs(to, s)
	for _, b := range s.Batteries {
		v.Gist = append(v.Gist, verdictView{b.ID, to.Label("Verdict", b.Verdict), b.Verdict == "failed" || b.Verdict == "tired"})
	}
	if len(v.Gist) > 1 && !slices.ContainsFunc(v.Gist, func(g verdictView) bool { return g.Verdict != v.Gist[0].Verdict }) {
		v.Gist = []verdictView{{to.W["AllOfThem"], v.Gist[0].Verdict, v.Gist[0].Bad}}
	}
	v.Rows = batteryRows(to, s)
	v.Strings, v.Series, v.Mixed = view.StringNames(s), view.StringRows(to, s), view.MixedText(to, s)
	if f := s.Miswired(); f != nil && slices.ContainsFunc(all.Batteries, func(b snapshot.Battery) bool {
		return b.CrankingA.Value != nil || b.SoCPct.Value != nil
	}) {
		v.Kept, v.KeptAt = keptRows(to, all), view.Time(to, f.Since, s.At)
	}
	v.Total = append(bankPairs(to, s), linkPairs(to, s.Links)...)
	v.BankGist = figures.Short(s.Bank.VoltageV, 2, false) + "\u00a0V"
	v.Feed = feedPairs(to, s.Feed, s.At)
	v.FeedGist = to.Label("FeedShort", s.Feed.Status)
	if !s.Feed.Since.IsZero() {
		v.FeedGist += ", " + figures.Rough(s.At.Sub(s.Feed.Since))
	}
	v.Motor, v.LastRun = motorPairs(to, s.Motor, s.At), runPairs(to, s.Motor.LastRun, s)
	cycles, _, _ := s.Motor.Totals()
	v.Lifts = figures.Count(cycles) + " " + to.W["CyclesWord"]
	v.Unjudged, v.Waits = unjudgedOf(to, s.NotJudged), silentNames(s)
	v.Scan = append(scanPairs(to, s.Scan), ownDraw(to, s)...)
	good := 0
	for _, c := range s.Channels {
		value := figures.Unknown
		if c.Value != nil {
			value = view.Figure(to, *c.Value, c.Unit)
			good++
		}
		quality := to.Plain(c.Quality)
		if c.Rejected > 0 {
			quality += ", " + words.Fill(to.W["RejectedOf"], "n", figures.Count(c.Rejected))
		}
		v.Channel = append(v.Channel, channelView{
			Name: visits.ChannelName(to, c.Name), Value: value, Quality: quality + correctedText(to, &c), Bad: c.Value == nil,
		})
	}
	v.Good = words.Fill(to.W["ChannelsGood"], "n", fmt.Sprint(good), "all", fmt.Sprint(len(s.Channels)))
	return v
}

// correctedText says how a channel is corrected, who says so, and how far it has moved since; empty
// for one that is not.
func correctedText(to *words.Reader, c *snapshot.Channel) string {
	k := c.Calibration
	if k == nil {
		return ""
	}
	text := "; " + visits.CorrectionText(to, calibrate.Correction{Offset: k.Offset, Gain: k.Gain}, c.Unit) + ", "
	if k.At != nil {
		text += words.Fill(to.W["CorrectionBy"], "by", k.By, "date", k.At.UTC().Format(time.DateOnly))
	} else {
		text += to.Label("CorrectionFrom", k.From)
	}
	if k.Moved.Value != nil {
		text += ", " + words.Fill(to.W["MovedSince"], "moved", visits.Reading(to, *k.Moved.Value, c.Unit))
	}
	return text
}

// bankState says in a word what the bank does.
func bankState(to *words.Reader, s *snapshot.Snapshot) string {
	amps := s.Bank.CurrentA
	switch {
	case s.Miswired() != nil:
		return to.W["BankAsShown"]
	case s.Motor.Running:
		return to.W["BankLifting"]
	case s.Feed.Status == "present" && amps != nil && *amps >= 1:
		return to.W["BankCharging"]
	case amps != nil && math.Abs(*amps) < 1:
		return to.W["BankResting"]
	}
	return to.W["Bank"]
}

// stillFullS is under what time the bank counts as full now, in s: it does so while it rests near full. Our
// choice.
const stillFullS = 120

// aheadFigures returns what the bank can still do before it must be charged. What is not known says
// what it waits for.
func aheadFigures(to *words.Reader, s *snapshot.Snapshot) []figure {
	b := &s.Bank
	charge := figure{Name: to.W["ChargeOf"], Value: to.W["NotKnown"]}
	if b.SoCPct.Value != nil {
		charge.Value = figures.Rounded(b.SoCPct, 0).Text() + "\u00a0%"
	}
	lifts := figure{Name: to.W["LiftsLeft"], Value: to.W["NotKnown"], Why: to.Maybe(b.LiftsWaitFor)}
	if b.LiftsLeft.Value != nil {
		lifts.Value, lifts.Why = span(b.LiftsLeft), ""
	}
	last := figure{Name: to.W["LastFull"], Value: to.W["NotKnown"]}
	if b.SinceFullS != nil {
		if last.Value = words.Fill(to.W["Ago"], "span", roughS(*b.SinceFullS)); *b.SinceFullS < stillFullS {
			last.Value = to.W["StillFull"]
		}
	}
	if s.Feed.Status == "present" {
		last = figure{Name: to.W["TimeToFull"], Value: to.W["NotKnown"], Why: to.Maybe(b.FullWaitsFor)}
		if b.TimeToFullS.Value != nil {
			last.Value, last.Why = figures.Seconds(*b.TimeToFullS.Value), ""
		}
	}
	all := []figure{charge, lifts, last}
	if id := view.Weakest(s); id != "" {
		for i := range all {
			if f := &all[i]; i > 0 && f.Name != to.W["LastFull"] && f.Value != to.W["NotKnown"] {
				f.By = words.Fill(to.W["SetByWeaker"], "battery", id)
			}
		}
	}
	return all
}

// span writes an estimate as the range that it is in with 95 %, in two digits.
func span(e snapshot.Estimate) string {
	if e.Sigma == nil {
		return twoDigits(*e.Value)
	}
	low, high := twoDigits(max(*e.Value-2**e.Sigma, 0)), twoDigits(*e.Value+2**e.Sigma)
	if low == high {
		return low
	}
	return low + "–" + high
}

func twoDigits(v float64) string {
	if v >= 100 {
		unit := math.Pow10(int(math.Log10(v)) - 1)
		v = math.Round(v/unit) * unit
	}
	return figures.Count(uint64(math.Round(v)))
}

// keptRows are what was learned of the batteries before their figures stopped meaning anything.
func keptRows(to *words.Reader, s *snapshot.Snapshot) []row {
	var out []row
	for _, r := range batteryRows(to, s) {
		if strings.HasPrefix(r.Name, to.W["Cranking"]) || strings.HasPrefix(r.Name, to.W["Charge"]) {
			out = append(out, r)
		}
	}
	return out
}
