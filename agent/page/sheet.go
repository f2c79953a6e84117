package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"liftbank/agent/snapshot"
)

// view is what the templates of the parts see.
type view struct {
	To      *reader
	W       map[string]string
	S       *snapshot.Snapshot
	At      string // of the readings, by the unit's clock
	Old     bool   // the readings are no longer of now
	Answer  answer
	Finding []findingView
	Drawing template.HTML
	Ahead   []pair // what the bank is good for
	Steps   []stepView
	Joints  []jointView
	Wake    []pair
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
	Heading  template.HTML // title, in the reader's language
	Head     template.HTML // what is wrong, in one sentence
	Steps    []template.HTML
	Clear    template.HTML
	Word     string // of the severity
	Class    string // of the severity; one of ours, whatever the snapshot says
	Meta     string // name, subject, how long, state
	Act      string // path of what can be done about it
	Explain  string // path of what it means
	Evidence []evidenceView
}

// measured returns a figure with its unit; a temperature is in the reader's.
func (to *reader) measured(v *float64, unit string) string {
	if v == nil {
		return unknown
	}
	if unit == "°C" {
		v, unit = to.temp(v), to.tempUnit()
	}
	return strings.TrimSpace(number(*v, 0) + " " + unit)
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

// kind is a page that is followed live.
type kind int

// Kinds, as asked for in /live?of=NAME.
const (
	kindNow kind = iota
	kindCheck
	kinds
)

var (
	kindNames  = [kinds]string{"now", "check"}
	partsOfAll = [kinds][]string{
		// In the order of the page; each is a template, and the id of the element that it fills.
		kindNow:   {"answer", "read", "findings", "bank", "feed", "motor", "silent", "sensors"},
		kindCheck: {"running", "run", "joints", "wake"},
	}
)

const variants = 4 // of readers: two languages, two units

// sheet is a live page's content made from one snapshot for one kind of reader.
type sheet struct {
	of    *snapshot.Snapshot
	old   bool
	id    uint64
	parts []part
	// What has changed since the sheet before, made once for all that have that one.
	since   uint64
	changes json.RawMessage
}

type part struct {
	ID   string
	HTML template.HTML
}

// sheet returns a page's parts for snap, rendered once for all clients. snap is nil before the
// first snapshot.
func (s *Server) sheet(k kind, to *reader, snap *snapshot.Snapshot) (*sheet, error) {
	old := s.opts.Hub.Age() > s.opts.StaleAfter
	last := s.rendered[k][to.variant].Load()
	if last != nil && last.of == snap && last.old == old {
		return last, nil
	}
	v := to.newView(snap, old)
	sh := &sheet{of: snap, old: old, id: s.sheets.Add(1)}
	for _, name := range partsOfAll[k] {
		b, err := execute(name, v)
		if err != nil {
			return nil, err
		}
		sh.parts = append(sh.parts, part{ID: name, HTML: template.HTML(b)}) // escaped by the template
	}
	if last != nil {
		var err error
		if sh.changes, err = sh.changesSince(last.parts); err != nil {
			return nil, err
		}
		sh.since = last.id
	}
	s.rendered[k][to.variant].Store(sh)
	return sh, nil
}

// changesSince returns the parts that differ from earlier ones as JSON, by ID; all of them if there
// are no earlier ones.
func (sh *sheet) changesSince(earlier []part) (json.RawMessage, error) {
	changed := map[string]string{}
	for i, p := range sh.parts {
		if i >= len(earlier) || earlier[i].HTML != p.HTML {
			changed[p.ID] = string(p.HTML)
		}
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // it is read as JSON, not as part of a page
	if err := e.Encode(changed); err != nil {
		return nil, err
	}
	return bytes.TrimSpace(b.Bytes()), nil
}

// now is the first page.
func (s *Server) now(w http.ResponseWriter, r *http.Request) { s.showLive(w, r, kindNow) }

func (s *Server) showLive(w http.ResponseWriter, r *http.Request, k kind) {
	to := readerOf(r)
	sh, err := s.sheet(k, to, s.opts.Hub.Current())
	if err != nil {
		s.renderFailed(w, r, err)
		return
	}
	c := content{
		template: kindNames[k], data: liveView{W: to.W, Parts: sh.parts, CanWrite: s.opts.PIN != nil},
		live: kindNames[k],
		nav:  "/", scripts: []string{"sheet.js"}, cautions: true,
		refresh: k == kindNow, // not where somebody may be typing
	}
	if k == kindCheck {
		c.nav, c.title = "/check", to.W["CheckTitle"]
		c.data = s.checkView(r, to, sh.parts)
	}
	s.show(w, r, http.StatusOK, c)
}

type liveView struct {
	W        map[string]string
	Parts    []part
	CanWrite bool
}

func (to *reader) newView(s *snapshot.Snapshot, old bool) view {
	v := view{To: to, W: to.W, S: s, Old: old, Answer: to.answerOf(s, old)}
	if s == nil {
		return v
	}
	v.At = s.At.UTC().Format("2006-01-02 15:04:05 UTC")
	for _, f := range s.Findings {
		v.Finding = append(v.Finding, to.viewFinding(f, s.At))
	}
	v.Drawing = to.drawing(s)
	v.Ahead = to.aheadPairs(s)
	v.Steps, v.Joints, v.Wake = to.runSteps(s), to.jointRows(s), to.wakePairs(s)
	v.Rows = to.batteryRows(s.Batteries)
	v.Total = append(to.bankPairs(s.Bank), to.linkPairs(s.Links)...)
	v.Feed = to.feedPairs(s.Feed, s.At)
	v.Motor, v.LastRun = to.motorPairs(s.Motor), to.runPairs(s.Motor.LastRun, s.At)
	v.Scan = to.scanPairs(s.Scan)
	for _, c := range s.Channels {
		value := to.measured(c.Value, c.Unit)
		v.Channel = append(v.Channel, channelView{
			Name: c.Name, Value: value, Quality: to.text(c.Quality), Bad: c.Value == nil, Refused: c.Rejected,
		})
	}
	return v
}

// answerOf answers the first question: is anything wrong?
func (to *reader) answerOf(s *snapshot.Snapshot, old bool) answer {
	if s == nil {
		return answer{to.W["NotYet"], to.W["NotYetMore"]}
	}
	if old {
		return answer{to.W["NotNow"], to.W["NotNowMore"]}
	}
	var silent string
	if names := silentNames(s); names > 0 {
		silent = fmt.Sprintf("%d %s", names, to.W["SilentMore"])
	}
	count := map[string]int{}
	active := 0
	for i := range s.Findings {
		f := &s.Findings[i]
		if f.Alarming() && f.CausedBy == "" { // one that another explains is shown under it
			active++
			count[f.Severity]++
		}
	}
	blind := !slices.ContainsFunc(s.Batteries, func(b snapshot.Battery) bool { return b.VoltageV != nil })
	switch {
	case active == 0 && blind:
		return answer{to.W["NotYet"], strings.TrimSpace(to.W["NoVoltage"] + " " + silent)}
	case active == 0 && len(s.Findings) > 0:
		return answer{to.W["Over"] + " " + to.listed(s.Findings), silent}
	case active == 0 && silent != "":
		return answer{to.W["NoOfJudged"], silent}
	case active == 0:
		return answer{to.W["No"], ""}
	}
	lead := to.W["Yes"]
	if count["note"] == active {
		lead = to.W["Noted"]
	}
	var parts []string
	for _, severity := range []string{"urgent", "repair", "note"} {
		if count[severity] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", count[severity], to.label("Count", severity)))
			active -= count[severity]
		}
	}
	if active > 0 { // a severity that this page doesn't know
		parts = append(parts, fmt.Sprintf("%d", active))
	}
	return answer{lead + " " + strings.Join(parts, ", "), silent}
}

// listed counts findings of which none calls for anybody, by state: "1 cleared, not acknowledged".
func (to *reader) listed(findings []snapshot.Finding) string {
	var order []string
	count := map[string]int{}
	for i := range findings {
		word := to.label("State", findings[i].State)
		if findings[i].Alarming() {
			word = to.W["Count.explained"]
		}
		if count[word]++; count[word] == 1 {
			order = append(order, word)
		}
	}
	var parts []string
	for _, word := range order {
		parts = append(parts, fmt.Sprintf("%d %s", count[word], word))
	}
	return strings.Join(parts, "; ")
}

func silentNames(s *snapshot.Snapshot) int {
	names := map[string]bool{}
	for _, n := range s.NotJudged {
		names[n.Name] = true
	}
	return len(names)
}

// maybe returns a text of the rules, empty for none.
func (to *reader) maybe(t *snapshot.Text) string {
	if t == nil {
		return ""
	}
	return to.text(*t)
}

func (to *reader) viewFinding(f snapshot.Finding, now time.Time) findingView {
	v := findingView{
		Finding: f, Word: to.label("Severity", f.Severity), Class: "note",
		Heading: to.Said(f.Name, f.Subject, "title", f.Title), Head: to.Said(f.Name, f.Subject, "summary", f.Summary),
		Steps: to.steps(f.Name, f.NextCheck), Clear: to.Said(f.Name, f.Subject, "clears", f.Clears),
	}
	if f.Severity == "urgent" || f.Severity == "repair" {
		v.Class = f.Severity
	}
	if strings.TrimSuffix(string(v.Head), ".") == string(v.Heading) {
		v.Head = "" // the title says it all
	}
	meta := []string{f.Name}
	if f.Subject != "" {
		meta = append(meta, to.W["On"]+" "+to.about(f.Subject))
	}
	meta = append(
		meta, to.W["Since"]+" "+span(now.Sub(f.Since))+" ("+timeOfDay(f.Since, now)+")", to.label("State", f.State),
	)
	if f.CausedBy != "" {
		meta = append(meta, to.W["ExplainedBy"]+" "+strings.TrimSpace(f.CausedBy+" "+to.about(f.CausedByOf)))
	}
	v.Meta = strings.Join(meta, " · ")
	v.Act = "/findings/act?" + url.Values{"name": {f.Name}, "subject": {f.Subject}}.Encode()
	v.Explain = "/findings/" + url.PathEscape(f.Name)
	for _, e := range f.Evidence {
		value := e.Battery
		switch {
		case e.Words != nil:
			value = to.text(*e.Words)
		case value == "":
			value = to.measured(&e.Value, to.label("Unit", e.Unit))
		}
		v.Evidence = append(v.Evidence, evidenceView{What: to.text(e.What), Value: value, At: timeOfDay(e.At, now)})
	}
	return v
}

func (to *reader) batteryRows(batteries []snapshot.Battery) []row {
	cells := func(name string, cell func(snapshot.Battery) estimated) row {
		r := row{Name: name}
		for _, b := range batteries {
			r.Cells = append(r.Cells, cell(b))
		}
		return r
	}
	verdict := cells(to.W["Verdict"], func(b snapshot.Battery) estimated {
		return estimated{to.label("Verdict", b.Verdict), to.label("VerdictMeans", b.Verdict)}
	})
	verdict.Strong = true
	rows := []row{verdict}
	if slices.ContainsFunc(batteries, func(b snapshot.Battery) bool { return b.WaitsFor != nil }) {
		rows = append(
			rows,
			cells(
				to.W["WaitsFor"], func(b snapshot.Battery) estimated { return estimated{Sigma: to.maybe(b.WaitsFor)} },
			),
		)
	}
	return append(rows,
		cells(
			to.W["Voltage"],
			func(b snapshot.Battery) estimated { return estimated{Value: figure(b.VoltageV, voltDecimals)} },
		),
		cells(
			to.W["Current"],
			func(b snapshot.Battery) estimated { return estimated{Value: signed(b.CurrentA, ampereDecimals)} },
		),
		cells(
			to.W["Temperature"]+", "+to.tempUnit(),
			func(b snapshot.Battery) estimated { return estimated{Value: figure(to.temp(b.TempC), 1)} },
		),
		cells(to.W["Charge"], func(b snapshot.Battery) estimated { return estimate(b.SoCPct, 1) }),
		cells(to.W["Rested"], func(b snapshot.Battery) estimated { return estimate(b.RestedV, voltDecimals) }),
		cells(to.W["Resistance"], func(b snapshot.Battery) estimated { return estimate(b.ResistanceMohm, 2) }),
		cells(to.W["Cranking"], func(b snapshot.Battery) estimated { return estimate(b.CrankingA, 0) }),
		cells(to.W["Capacity"], func(b snapshot.Battery) estimated { return estimate(b.CapacityAh, 1) }),
		cells(to.W["Health"], func(b snapshot.Battery) estimated { return estimate(b.HealthPct, 0) }),
		cells(to.W["DrawShare"], func(b snapshot.Battery) estimated { return estimate(b.DrawSharePct, 1) }),
		cells(to.W["ChargeShare"], func(b snapshot.Battery) estimated { return estimate(b.ChargeSharePct, 1) }),
		cells(to.W["Counted"], func(b snapshot.Battery) estimated {
			return estimated{
				Value: number(b.ChargedAh, ampereDecimals), Sigma: "/\u00a0" + number(b.DrawnAh, ampereDecimals),
			}
		}),
		cells(to.W["Kind"], func(b snapshot.Battery) estimated {
			return estimated{
				Sigma: fmt.Sprintf("%s, %s Ah, %s A", b.Chemistry, number(b.RatedAh, 0), number(b.RatedCCA, 0)),
			}
		}),
	)
}

func (to *reader) estimatePair(name string, e snapshot.Estimate, least int, note string) pair {
	shown := estimate(e, least)
	if e.Value == nil {
		note = ""
	}
	return pair{name, strings.TrimSpace(shown.Value + " " + shown.Sigma), note}
}

func (to *reader) bankPairs(b snapshot.Bank) []pair {
	when := to.W["RestedEarlier"]
	if b.Rested {
		when = to.W["RestedNow"]
	}
	return []pair{
		{to.W["Voltage"], figure(b.VoltageV, voltDecimals), ""},
		{to.W["Current"], signed(b.CurrentA, ampereDecimals), ""},
		to.estimatePair(to.W["Charge"], b.SoCPct, 1, ""),
		to.estimatePair(to.W["Spread"], b.SpreadPct, 1, ""),
		to.estimatePair(to.W["ResistanceRatio"], b.ResistanceRatio, mohmDecimals, ""),
		to.estimatePair(to.W["Rested"], b.RestedV, voltDecimals, when),
		to.estimatePair(to.W["Circulating"], b.CirculatingA, ampereDecimals, ""),
		{to.W["LoadLeads"], to.label("LeadsMean", b.MotorLeads), ""},
		{to.W["FeedLeads"], to.label("LeadsMean", b.FeedLeads), ""},
		{to.W["SinceFull"], maybeSeconds(b.SinceFullS), ""},
		{to.W["Counted"], number(b.ChargedAh, ampereDecimals) + " / " + number(b.DrawnAh, ampereDecimals), ""},
		{to.W["Energy"], number(b.ChargedWh, 1) + " / " + number(b.DrawnWh, 1), ""},
	}
}

// linkPairs returns a line for each link.
func (to *reader) linkPairs(links []snapshot.Link) []pair {
	var out []pair
	for _, l := range links {
		out = append(
			out,
			to.estimatePair(
				to.label("Sides", l.Side)+" "+l.From+" "+to.W["To"]+" "+l.To, l.ResistanceMohm, mohmDecimals, "",
			),
		)
	}
	return out
}

func (to *reader) feedPairs(f snapshot.Feed, now time.Time) []pair {
	since := ""
	if !f.Since.IsZero() {
		since = to.W["Since"] + " " + span(now.Sub(f.Since))
	}
	return []pair{
		{to.W["FeedDoes"], to.label("FeedMeans", f.Status), since},
		{to.W["FeedVoltage"], figure(f.VoltageV, voltDecimals), ""},
		{to.W["WakeLine"], contact(f.WakeLine, to.W["SwitchOn"], to.W["SwitchOff"]), ""},
		{to.W["Disconnect"], contact(f.DisconnectClosed, to.W["Closed"], to.W["Open"]), ""},
		to.estimatePair(to.W["FeedPath"], f.PathMohm, mohmDecimals, ""),
		{to.W["WakeTime"], seconds(f.WakeTimeS), ""},
		{to.W["FeedTime"], seconds(f.FeedTimeS), ""},
	}
}

func (to *reader) motorPairs(m snapshot.Motor) []pair {
	now := to.W["Resting"]
	if m.Running {
		now = to.W["Running"]
	}
	return []pair{
		{to.W["Now"], now, ""},
		{to.W["MotorVoltage"], figure(m.VoltageV, voltDecimals), ""},
		{to.W["Command"], contact(m.Command, to.W["SwitchOn"], to.W["SwitchOff"]), ""},
		to.estimatePair(to.W["MotorPath"], m.PathMohm, mohmDecimals, ""),
		{to.W["Runs"], fmt.Sprint(m.Runs), ""},
		{to.W["LiftCycles"], fmt.Sprint(m.LiftCycles), ""},
		{to.W["SinceService"], to.sinceService(m.Since), ""},
		to.estimatePair(to.W["LiftCharge"], m.LiftAh, ampereDecimals, ""),
		to.estimatePair(to.W["LiftEnergy"], m.LiftWh, 1, ""),
		{to.W["RunTime"], seconds(m.RunTimeS), ""},
	}
}

// runPairs shows the last run. A current or voltage of zero was not measured.
func (to *reader) runPairs(r *snapshot.Run, now time.Time) []pair {
	if r == nil {
		return nil
	}
	measured := func(v float64, least int) string {
		if v == 0 {
			return unknown
		}
		return number(v, least)
	}
	by := to.W["ByCurrent"]
	if r.ByCommand {
		by = to.W["ByCommand"]
	}
	return []pair{
		{to.W["LastStart"], timeOfDay(r.Start, now), ""},
		{to.W["LastLength"], number(r.DurationS, 1), ""},
		{to.W["LastPeak"], measured(r.PeakA, ampereDecimals), ""},
		{to.W["LastMean"], measured(r.MeanA, ampereDecimals), ""},
		{to.W["LastLow"], measured(r.MinBankV, voltDecimals), ""},
		{to.W["LastDrawn"], measured(r.DrawnAh, 3), ""},
		{to.W["LastSeenBy"], by, ""},
	}
}

func (to *reader) scanPairs(s snapshot.Scan) []pair {
	return []pair{
		{to.W["Scans"], fmt.Sprintf("%d, %d %s", s.Count, s.Overruns, to.W["Overruns"]), ""},
		{to.W["ScanTook"], number(s.TookS, 2), ""},
	}
}
