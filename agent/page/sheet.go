package page

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"liftbank/agent/snapshot"
)

// partNames are the templates that a sheet is put together from, in the order of the page; each is also the id of the
// element that it fills.
var partNames = []string{"answer", "read", "findings", "bank", "feed", "motor", "silent", "sensors"}

// sheet is the page's content made from one snapshot.
type sheet struct {
	of    *snapshot.Snapshot
	old   bool
	parts []part
}

type part struct {
	ID   string
	HTML template.HTML
}

// view is what the templates of the parts see.
type view struct {
	W       any // words
	S       *snapshot.Snapshot
	At      string // of the readings, by the unit's clock
	Old     bool   // the readings are no longer of now
	Answer  answer
	Finding []findingView
	Drawing string
	Rows    []row  // of the table of batteries
	Total   []pair // of the bank as a whole
	Feed    []pair
	Motor   []pair
	LastRun []pair
	Scan    []pair
	Channel []channelView
}

// answer is the first line of the page.
type answer struct{ Short, More string }

type findingView struct {
	snapshot.Finding
	Word     string // of the severity
	Class    string // of the severity; one of ours, whatever the snapshot says
	Meta     string // name, subject, how long, state
	Evidence []evidenceView
}

type evidenceView struct{ What, Value, At string }

// row is one line of the table of batteries, a cell for each.
type row struct {
	Name   string
	Strong bool
	Cells  []estimated
}

type pair struct{ Name, Value, Note string }

type channelView struct {
	Name, Value, Quality string
	Bad                  bool
	Refused              uint64
}

// sheet gives the page's parts for snap, made once for all that ask. snap is nil before the first.
func (s *Server) sheet(snap *snapshot.Snapshot) (*sheet, error) {
	old := s.opts.Hub.Age() > s.opts.StaleAfter
	if sh := s.rendered.Load(); sh != nil && sh.of == snap && sh.old == old {
		return sh, nil
	}
	v := newView(snap, old)
	sh := &sheet{of: snap, old: old}
	for _, name := range partNames {
		var b strings.Builder
		if err := templates.ExecuteTemplate(&b, name, v); err != nil {
			return nil, err
		}
		sh.parts = append(sh.parts, part{ID: name, HTML: template.HTML(b.String())}) // escaped by the template
	}
	s.rendered.Store(sh)
	return sh, nil
}

// shell is what the template around the parts sees.
type shell struct {
	W                   any
	Style, Script, Icon string
	Build, Unit         string
	Bar                 string // the line at the top: how old the data is
	AgeS, OldS          float64
	Some, Old           bool // there is data; it is old
	Parts               []part
}

func (s *Server) page(w http.ResponseWriter, r *http.Request) {
	snap := s.opts.Hub.Current()
	sh, err := s.sheet(snap)
	if err != nil {
		s.broken(w, r, err)
		return
	}
	age := s.opts.Hub.Age()
	v := shell{
		W: words, Style: s.assets.urls["sheet.css"], Script: s.assets.urls["sheet.js"], Icon: s.assets.urls["mark.svg"],
		Build: s.assets.build, Parts: sh.parts, AgeS: age.Seconds(), OldS: s.opts.StaleAfter.Seconds(),
		Some: snap != nil, Old: snap != nil && sh.old, Bar: words.NoData,
	}
	if snap != nil {
		v.Unit, v.Bar = snap.Unit, aged(words.Fine, age)
	}
	if v.Old {
		v.Bar = aged(words.Stalled, age)
	}
	var b bytes.Buffer
	if err := templates.ExecuteTemplate(&b, "page.html", v); err != nil {
		s.broken(w, r, err)
		return
	}
	send(w, r, http.StatusOK, typeHTML, b.Bytes())
}

func aged(text string, age time.Duration) string { return strings.ReplaceAll(text, "{age}", span(age)) }

func newView(s *snapshot.Snapshot, old bool) view {
	v := view{W: words, S: s, Old: old, Answer: answerOf(s, old)}
	if s == nil {
		return v
	}
	v.At = s.At.UTC().Format("2006-01-02 15:04:05 UTC")
	for _, f := range s.Findings {
		v.Finding = append(v.Finding, viewFinding(f, s.At))
	}
	v.Drawing = drawing(s)
	v.Rows = batteryRows(s.Batteries)
	v.Total = append(bankPairs(s.Bank), linkPairs(s.Links)...)
	v.Feed = feedPairs(s.Feed, s.At)
	v.Motor, v.LastRun = motorPairs(s.Motor), runPairs(s.Motor.LastRun, s.At)
	v.Scan = scanPairs(s.Scan)
	for _, c := range s.Channels {
		value := figure(c.Value, 0)
		if c.Value != nil {
			value += " " + c.Unit
		}
		v.Channel = append(v.Channel, channelView{Name: c.Name, Value: value, Quality: c.Quality, Bad: c.Value == nil, Refused: c.Faults})
	}
	return v
}

// answerOf answers the first question: is anything wrong?
func answerOf(s *snapshot.Snapshot, old bool) answer {
	if s == nil {
		return answer{words.NotYet, words.NotYetMore}
	}
	if old {
		return answer{words.NotNow, words.NotNowMore}
	}
	var silent string
	if names := silentNames(s); names > 0 {
		silent = fmt.Sprintf("%d %s", names, words.SilentMore)
	}
	count := map[string]int{}
	active := 0
	for _, f := range s.Findings {
		if f.Active() && f.CausedBy == "" { // one that another explains is shown under it
			active++
			count[f.Severity]++
		}
	}
	blind := !slices.ContainsFunc(s.Batteries, func(b snapshot.Battery) bool { return b.VoltageV != nil })
	switch {
	case active == 0 && blind:
		return answer{words.NotYet, strings.TrimSpace(words.NoVoltage + " " + silent)}
	case active == 0 && len(s.Findings) > 0:
		return answer{fmt.Sprintf("%s %d", words.Over, len(s.Findings)), silent}
	case active == 0 && silent != "":
		return answer{words.NoOfJudged, silent}
	case active == 0:
		return answer{words.No, ""}
	}
	lead := words.Yes
	if count["note"] == active {
		lead = words.Noted
	}
	var parts []string
	for _, severity := range []string{"urgent", "service", "note"} {
		if count[severity] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", count[severity], severity))
			active -= count[severity]
		}
	}
	if active > 0 { // a severity that this page doesn't know
		parts = append(parts, fmt.Sprintf("%d", active))
	}
	return answer{lead + " " + strings.Join(parts, ", "), silent}
}

func silentNames(s *snapshot.Snapshot) int {
	names := map[string]bool{}
	for _, n := range s.NotJudged {
		names[n.Name] = true
	}
	return len(names)
}

func viewFinding(f snapshot.Finding, now time.Time) findingView {
	v := findingView{Finding: f, Word: saying(words.Severity, f.Severity), Class: "note"}
	if f.Severity == "urgent" || f.Severity == "service" {
		v.Class = f.Severity
	}
	meta := []string{f.Name}
	if f.Subject != "" {
		meta = append(meta, words.On+" "+f.Subject)
	}
	meta = append(meta, words.Since+" "+span(now.Sub(f.Since))+" ("+timeOfDay(f.Since, now)+")", saying(words.State, f.State))
	if f.CausedBy != "" {
		meta = append(meta, words.ExplainedBy+" "+strings.TrimSpace(f.CausedBy+" "+f.CausedByOf))
	}
	v.Meta = strings.Join(meta, " · ")
	for _, e := range f.Evidence {
		value := e.Text
		if value == "" {
			value = strings.TrimSpace(number(e.Value, 0) + " " + e.Unit)
		}
		v.Evidence = append(v.Evidence, evidenceView{What: e.What, Value: value, At: timeOfDay(e.At, now)})
	}
	return v
}

func batteryRows(batteries []snapshot.Battery) []row {
	cells := func(name string, cell func(snapshot.Battery) estimated) row {
		r := row{Name: name}
		for _, b := range batteries {
			r.Cells = append(r.Cells, cell(b))
		}
		return r
	}
	verdict := cells(words.Verdict, func(b snapshot.Battery) estimated {
		return estimated{b.Verdict, saying(words.VerdictMeans, b.Verdict)}
	})
	verdict.Strong = true
	rows := []row{verdict}
	if slices.ContainsFunc(batteries, func(b snapshot.Battery) bool { return b.WaitsFor != "" }) {
		rows = append(rows, cells(words.WaitsFor, func(b snapshot.Battery) estimated { return estimated{Sigma: b.WaitsFor} }))
	}
	return append(rows,
		cells(words.Voltage, func(b snapshot.Battery) estimated { return estimated{Value: figure(b.VoltageV, voltDecimals)} }),
		cells(words.Current, func(b snapshot.Battery) estimated { return estimated{Value: signed(b.CurrentA, ampereDecimals)} }),
		cells(words.Temperature, func(b snapshot.Battery) estimated { return estimated{Value: figure(b.TempC, 1)} }),
		cells(words.Charge, func(b snapshot.Battery) estimated { return estimate(b.SoCPct, 1) }),
		cells(words.Rested, func(b snapshot.Battery) estimated { return estimate(b.RestedV, voltDecimals) }),
		cells(words.Resistance, func(b snapshot.Battery) estimated { return estimate(b.ResistanceMohm, 2) }),
		cells(words.Cranking, func(b snapshot.Battery) estimated { return estimate(b.CrankingA, 0) }),
		cells(words.Capacity, func(b snapshot.Battery) estimated { return estimate(b.CapacityAh, 1) }),
		cells(words.DrawShare, func(b snapshot.Battery) estimated { return estimate(b.DrawSharePct, 1) }),
		cells(words.ChargeShare, func(b snapshot.Battery) estimated { return estimate(b.ChargeSharePct, 1) }),
		cells(words.Counted, func(b snapshot.Battery) estimated {
			return estimated{Value: number(b.ChargedAh, ampereDecimals), Sigma: "/\u00a0" + number(b.DrawnAh, ampereDecimals)}
		}),
		cells(words.Kind, func(b snapshot.Battery) estimated {
			return estimated{Sigma: fmt.Sprintf("%s, %s Ah, %s A", b.Chemistry, number(b.RatedAh, 0), number(b.RatedCCA, 0))}
		}),
	)
}

func estimatePair(name string, e snapshot.Estimate, least int, note string) pair {
	shown := estimate(e, least)
	if e.Value == nil {
		note = ""
	}
	return pair{name, strings.TrimSpace(shown.Value + " " + shown.Sigma), note}
}

func bankPairs(b snapshot.Bank) []pair {
	when := words.RestedEarlier
	if b.Rested {
		when = words.RestedNow
	}
	return []pair{
		{words.Voltage, figure(b.VoltageV, voltDecimals), ""},
		{words.Current, signed(b.CurrentA, ampereDecimals), ""},
		estimatePair(words.Charge, b.SoCPct, 1, ""),
		outlook(words.LiftsLeft, estimatePair("", b.LiftsLeft, 0, "").Value, b.LiftsLeft, b.LiftsWait),
		outlook(words.TimeToFull, timeEstimate(b.TimeToFullS), b.TimeToFullS, b.FullWait),
		estimatePair(words.Spread, b.SpreadPct, 1, ""),
		estimatePair(words.Rested, b.RestedV, voltDecimals, when),
		estimatePair(words.Circulating, b.CirculatingA, ampereDecimals, ""),
		{words.LoadLeads, saying(words.LeadsMean, b.LoadLeads), ""},
		{words.FeedLeads, saying(words.LeadsMean, b.FeedLeads), ""},
		{words.SinceFull, maybeSeconds(b.SinceFullS), ""},
		{words.Counted, number(b.ChargedAh, ampereDecimals) + " / " + number(b.DrawnAh, ampereDecimals), ""},
		{words.Energy, number(b.ChargedWh, 1) + " / " + number(b.DrawnWh, 1), ""},
	}
}

// linkPairs gives a line for each link.
func linkPairs(links []snapshot.Link) []pair {
	var out []pair
	for _, l := range links {
		out = append(out, estimatePair(saying(words.Sides, l.Side)+" "+l.From+" "+words.To+" "+l.To, l.ResistanceMohm, mohmDecimals, ""))
	}
	return out
}

func feedPairs(f snapshot.Feed, now time.Time) []pair {
	since := ""
	if !f.Since.IsZero() {
		since = words.Since + " " + span(now.Sub(f.Since))
	}
	return []pair{
		{words.FeedDoes, saying(words.FeedMeans, f.Status), since},
		{words.FeedVoltage, figure(f.VoltageV, voltDecimals), ""},
		{words.WakeLine, contact(f.WakeLine, words.SwitchOn, words.SwitchOff), ""},
		{words.Disconnect, contact(f.DisconnectClosed, words.Closed, words.Open), ""},
		estimatePair(words.FeedPath, f.PathMohm, mohmDecimals, ""),
		{words.WakeTime, seconds(f.WakeTimeS), ""},
		{words.FeedTime, seconds(f.FeedTimeS), ""},
	}
}

func motorPairs(m snapshot.Motor) []pair {
	now := words.Resting
	if m.Running {
		now = words.Running
	}
	return []pair{
		{words.Now, now, ""},
		{words.MotorVoltage, figure(m.VoltageV, voltDecimals), ""},
		{words.Command, contact(m.Command, words.SwitchOn, words.SwitchOff), ""},
		estimatePair(words.MotorPath, m.PathMohm, mohmDecimals, ""),
		{words.Runs, fmt.Sprint(m.Runs), ""},
		{words.LiftCycles, fmt.Sprint(m.LiftCycles), ""},
		estimatePair(words.LiftCharge, m.LiftAh, ampereDecimals, ""),
		estimatePair(words.LiftEnergy, m.LiftWh, 1, ""),
		{words.RunTime, seconds(m.RunTimeS), ""},
	}
}

// runPairs shows the last run; a zero current or voltage stands for one that wasn't measured.
func runPairs(r *snapshot.Run, now time.Time) []pair {
	if r == nil {
		return nil
	}
	measured := func(v float64, least int) string {
		if v == 0 {
			return words.Unknown
		}
		return number(v, least)
	}
	by := words.ByCurrent
	if r.ByCommand {
		by = words.ByCommand
	}
	return []pair{
		{words.LastStart, timeOfDay(r.Start, now), ""},
		{words.LastLength, number(r.DurationS, 1), ""},
		{words.LastPeak, measured(r.PeakA, ampereDecimals), ""},
		{words.LastMean, measured(r.MeanA, ampereDecimals), ""},
		{words.LastLow, measured(r.MinBankV, voltDecimals), ""},
		{words.LastDrawn, measured(r.DrawnAh, 3), ""},
		{words.LastSeenBy, by, ""},
	}
}

func scanPairs(s snapshot.Scan) []pair {
	return []pair{
		{words.Scans, fmt.Sprintf("%d, %d %s", s.Count, s.Overruns, words.Overruns), ""},
		{words.ScanTook, number(s.TookS, 2), ""},
	}
}
