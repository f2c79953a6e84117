package visits

import (
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/draw"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/qr"
	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/agent/visit/judge"
)

// Steps returns the steps of a finding's next check, for its template.
func (v reportView) Steps(r visit.Remaining) []template.HTML {
	return view.Steps(v.To, r.Name, r.NextCheck)
}

// Handled returns who has acknowledged or shelved a finding, until when, and what was written on it.
func (v reportView) Handled(r visit.Remaining) []template.HTML {
	f := snapshot.Finding{
		State: r.State, AckBy: r.AckBy, AckAt: r.AckAt, ShelvedBy: r.ShelvedBy, ShelvedUntil: r.ShelvedUntil, OutBy: r.OutBy,
	}
	at := func(t time.Time) template.HTML { return template.HTML(t.UTC().Format("2006-01-02 15:04 UTC")) }
	return append(view.Handled(v.To, &f, at), view.Said(r.Remarks, at)...)
}

// Cleared returns the findings that stood at the beginning, no longer stand, and have something written on them.
func (v reportView) Cleared() (out []visit.Remaining) {
	for _, f := range v.V.Found {
		stands := slices.ContainsFunc(v.V.Findings, func(r visit.Remaining) bool { return r.Name == f.Name && r.Subject == f.Subject })
		if !stands && (len(f.Remarks) > 0 || f.AckBy != "") {
			out = append(out, f)
		}
	}
	return out
}

// Title returns what a finding is called.
func (v reportView) Title(r visit.Remaining) template.HTML { return titleOf(v.To, r) }

func titleOf(to *words.Reader, r visit.Remaining) template.HTML {
	if r.Title == "" { // of a record that an earlier version kept
		return to.Said(r.Name, r.Subject, "summary", r.Summary)
	}
	return to.Said(r.Name, r.Subject, "title", r.Title)
}

type reportView struct {
	W         map[string]string
	To        *words.Reader
	V         *visit.Visit
	Preview   bool
	Block     []pair // of the title
	Headline  string
	Lead      []string
	Found     []reportLine
	NoteFirst bool   // the note is short enough for the owner's page
	FoundMore string // that more was found than an owner's page has room for
	Done      []reportLine
	Remains   []reportLine
	Compare   []compareRow // that an owner understands
	// CompareMore are the others.
	CompareMore []compareRow
	Sign        []reportSign
	Cost        string        // time and parts
	QR          template.HTML // empty: too long an address
	Address     string
	Areas       []reportArea
	Unchecked   int
	Readings    []readingView
	Tests       []reportTest
	Passports   []pair
	Work        []workView
	Charts      []draw.Chart
	ChartsOf    string
	Counters    []pair
	Oil         string
	JSON, CSV   string
	Gaps        []string // what is missing before it is finished; nothing forbids to finish
	Begun, End  time.Time
}

// pair is one line of a table: a name, what is said of it, and a remark.
type pair struct{ Name, Value, Note string }

// compareTable is what the template of a comparison sees.
type compareTable struct {
	W    map[string]string
	Rows []compareRow
}

// First returns the figures of the owner's page.
func (v reportView) First() compareTable { return compareTable{v.W, v.Compare} }

// More returns the other ones.
func (v reportView) More() compareTable { return compareTable{v.W, v.CompareMore} }

// reportLine is one thing found, done or left. Number ties it to the same thing elsewhere.
type reportLine struct {
	Number int // 0: none
	Bold   template.HTML
	Text   string
	Name   string // of a finding
	Steps  []template.HTML
}

type reportSign struct{ Label, Name, Path string }

// reportTest is one test of a battery: what was measured, what was needed, and what that says.
type reportTest struct {
	Title string
	Rows  []pair
	Lines []string
}

type reportArea struct {
	Title, Note string
	OK          int
	Items       []reportItem
	Photos      []photoView
}

type reportItem struct {
	Text, Mark, State, Class, More string
	Photos                         []photoView
}

type readingView struct{ Name, Mine, Agents, Differs, At string }

type compareRow struct {
	Name, Before, After, Limit string
	BeforeBold, AfterBold      bool
}

const reportCharts = 7 * 24 * time.Hour // before the end of the visit

// show sends the report of a visit; of the one under way, with what stands at the end of the bar.
func (p *Records) show(w http.ResponseWriter, r *http.Request, v *visit.Visit, bar template.HTML) {
	to, preview := words.Of(r), bar != ""
	scripts := []string{"report.js"}
	if preview {
		scripts = append(scripts, "visit.js")
	}
	out := p.reportOf(to, v)
	out.JSON, out.CSV = "/visits/"+url.PathEscape(v.ID)+".json", "/visits/"+url.PathEscape(v.ID)+".csv"
	end := v.Finished
	if out.Preview = preview; preview {
		end = p.site.Facts().At
		out.Gaps = gaps(to, v)
	} else {
		scheme := "http"
		if r.TLS != nil {
			scheme = "https"
		}
		out.Address = (&url.URL{Scheme: scheme, Host: r.Host, Path: "/visits/" + v.ID}).String()
		out.QR = codeOf(to, out.Address)
	}
	if p.source != nil {
		q := history.Query{From: end.Add(-reportCharts), To: end, Points: 240}
		if win, err := p.source.Window(r.Context(), q); err == nil {
			win.From, win.To = q.From, q.To
			out.Charts = draw.Charts(to, &win)
			out.ChartsOf = q.From.UTC().Format("2006-01-02") + " – " + q.To.UTC().Format("2006-01-02")
		} else {
			p.site.Log.Error("history can't be read", "err", err)
		}
	}
	p.site.Show(w, r, http.StatusOK, web.Content{
		Template: "report", Data: out, Title: to.W["Report"], Nav: "/visit",
		Scripts: scripts, BarEnd: bar,
	})
}

// reportOf returns what a report says of a visit.
func (p *Records) reportOf(to *words.Reader, v *visit.Visit) *reportView {
	out := &reportView{W: to.W, To: to, V: v, Begun: v.Begun.UTC(), End: v.Finished.UTC()}
	when := v.Begun.UTC().Format("2006-01-02 15:04")
	switch {
	case v.Finished.IsZero():
		when += " –"
	case v.Finished.UTC().Format(time.DateOnly) == v.Begun.UTC().Format(time.DateOnly):
		when += "–" + v.Finished.UTC().Format("15:04")
	default:
		when += " – " + v.Finished.UTC().Format("2006-01-02 15:04")
	}
	out.Block = []pair{
		{to.W["OfUnit"], v.Unit, ""}, {to.W["Field.place"], orDash(v.Place), ""}, {to.W["VisitTitle"], when + " UTC", "when"},
		{to.W["Field.by"], v.By, ""}, {to.W["Field.order.number"], orDash(v.Order.Number), ""},
		{to.W["Lifts"], totalLifts(v), ""},
	}
	out.Counters = []pair{{to.W["CountersAt"], count(to, v.Start), ""}, {to.W["CountersEnd"], count(to, v.End), ""}}
	for _, a := range v.Areas {
		out.Areas = append(out.Areas, p.checkedOf(to, v, a, &out.Unchecked))
	}
	for _, m := range v.Readings {
		out.Readings = append(out.Readings, readingOf(to, m))
	}
	for _, k := range v.Work {
		out.Work = append(out.Work, workOf(to, k))
		if k.Removed != nil && k.TakenBack == nil {
			title := words.Fill(to.W["RemovedBattery"], "battery", k.Subject)
			out.addTests(k.Removed.Tests, k.Removed.Cells, title)
			out.Passports = append(out.Passports, pair{title, fittedText(to, &k.Removed.Fitted), ""})
		}
	}
	for i := range v.Tests {
		out.addTests(&v.Tests[i], nil, to.W["Battery"]+" "+v.Tests[i].Battery)
	}
	for i := range v.Cells {
		out.addTests(nil, &v.Cells[i], to.W["Battery"]+" "+v.Cells[i].Battery)
	}
	for i := range v.Passports {
		b := &v.Passports[i]
		out.Passports = append(out.Passports, pair{to.W["Battery"] + " " + b.Battery, fittedText(to, &b.Fitted), ""})
	}
	out.Compare, out.CompareMore = compareFigures(to, v)
	out.Oil, out.NoteFirst = oil(to, v.Oil), len(v.Note) <= ownerNote
	out.tell()
	return out
}

// ownerItems is how many items of the checklist the owner's page has; the figures have all.
const ownerItems = 4

// ownerNote is how long a note on it is at most, in bytes; a longer one is with the figures.
const ownerNote = 160

// tell says in an owner's words what was wrong, what was done, and what remains.
func (v *reportView) tell() {
	to, rec := v.To, v.V
	numbers := map[string]int{}
	number := func(key string) int {
		if numbers[key] == 0 {
			numbers[key] = len(numbers) + 1
		}
		return numbers[key]
	}
	for _, f := range rec.Found {
		v.Found = append(v.Found, reportLine{
			Number: number(f.Name + " " + f.Subject), Bold: titleOf(to, f), Text: failedTest(to, rec, f.Subject),
		})
	}
	checked, attention := 0, 0
	for _, a := range rec.Areas {
		for _, i := range a.Items {
			if i.State != "not-checked" {
				checked++
			}
			if i.State == "attention" {
				attention++
			}
			if i.State == "attention" && attention <= ownerItems {
				text := to.Label("Choice", i.State) + ": " + to.Translate(i.Text)
				v.Found = append(v.Found, reportLine{
					Number: number(a.ID + "." + i.ID), Bold: template.HTML(template.HTMLEscapeString(text)), Text: i.Note,
				})
			}
		}
	}
	if more := attention - ownerItems; more > 0 {
		v.FoundMore = words.Fill(to.W["FoundMore"], "n", strconv.Itoa(more))
	}
	replaced, jobs := []string{}, 0
	for _, k := range rec.Work {
		if k.Error != "" || k.TakenBack != nil {
			continue
		}
		jobs++
		line := reportLine{Text: strings.TrimSuffix(to.Label("Work", k.Kind)+" "+k.Subject, " ")}
		if k.Setting != nil {
			line.Text += " " + settingText(to, k.Setting)
		}
		if k.Kind == visit.BatteryReplaced {
			line.Text = words.Fill(to.W["DoneReplaced"], "battery", k.Subject)
			replaced = append(replaced, k.Subject)
			if k.Fitted != nil {
				line.Text += ": " + fittedText(to, k.Fitted)
			}
		}
		if k.Calibrated != nil {
			k.Note = Calibrated(to, k.Calibrated)
		}
		if k.Note != "" {
			line.Text += ": " + k.Note
		}
		v.Done = append(v.Done, line)
	}
	if checked > 0 {
		v.Done = append(v.Done, reportLine{Text: words.Fill(to.W["DoneChecked"], "n", strconv.Itoa(checked))})
	}
	for _, f := range rec.Findings {
		line := reportLine{Number: number(f.Name + " " + f.Subject), Bold: titleOf(to, f), Name: f.Name}
		if steps := view.Steps(to, f.Name, f.NextCheck); len(steps) > 0 {
			line.Steps = steps[:1]
		}
		v.Remains = append(v.Remains, line)
	}
	if left := strings.TrimSpace(rec.Order.Remains); left != "" {
		line := reportLine{Bold: template.HTML(template.HTMLEscapeString(left))}
		if rec.Order.Due != "" {
			line.Text = words.Fill(to.W["ByDate"], "date", rec.Order.Due)
		}
		v.Remains = append(v.Remains, line)
	}
	things := len(v.Remains) // what is only not known yet is none, nor what is due later
	for i := range rec.Services {
		if text := view.DueText(to, &rec.Services[i], rec.After.At); text != "" && !dueNow(rec, rec.Services[i].Kind) {
			v.Remains = append(v.Remains, reportLine{Text: text})
		}
	}
	for _, b := range replaced {
		i := slices.IndexFunc(rec.After.Batteries, func(f visit.BatteryFigures) bool { return f.ID == b })
		if i >= 0 && rec.After.Batteries[i].Verdict == "unknown" {
			v.Remains = append(v.Remains, reportLine{Text: words.Fill(to.W["NotJudgedYet"], "battery", b)})
		}
	}
	v.headline(replaced, jobs, things)
	v.Cost = cost(to, rec.Order)
	v.Sign = []reportSign{
		{to.W["Field.by"], rec.By, visit.Path(rec.Order.Signature)},
		{to.W["Field.order.received_by"], rec.Order.ReceivedBy, visit.Path(rec.Order.SignedReceived)},
	}
}

// headline says the most important of it in one line, and the work that the lift can do now in the
// next.
func (v *reportView) headline(replaced []string, jobs, things int) {
	to := v.To
	switch {
	case len(replaced) == 1:
		v.Headline = words.Fill(to.W["HeadReplaced"], "battery", replaced[0])
	case len(replaced) > 1:
		v.Headline = words.Fill(to.W["HeadReplacedMore"], "batteries", strings.Join(replaced, ", "))
	case jobs > 0:
		v.Headline = words.Fill(to.W["HeadWork"], "n", strconv.Itoa(jobs))
	default:
		v.Headline = to.W["HeadChecked"]
	}
	switch things {
	case 0:
		v.Headline += " " + to.W["HeadNothing"]
	case 1:
		v.Headline += " " + to.W["HeadOne"]
	default:
		v.Headline += " " + words.Fill(to.W["HeadMore"], "n", strconv.Itoa(things))
	}
	if n, sigma := v.V.After.LiftsLeft, v.V.After.LiftsSigma; n != nil && sigma != nil {
		round := func(x float64) string { return figures.Number(10*math.Round(max(x, 0)/10), 0) }
		v.Lead = append(v.Lead, words.Fill(to.W["LeadLifts"], "n", round(*n), "low", round(*n-2**sigma), "high", round(*n+2**sigma))) // as the front page and the desk have it
	}
}

// totalLifts returns the lift cycles of the lift's life.
func totalLifts(v *visit.Visit) string {
	n, _, _ := v.End.Totals()
	return figures.Number(float64(n), 0)
}

// dueNow reports whether a finding says that a service is due: it is listed already.
func dueNow(v *visit.Visit, kind string) bool {
	if kind == "service" {
		kind = ""
	}
	return slices.ContainsFunc(v.Findings, func(f visit.Remaining) bool { return f.Name == "service-due" && f.Subject == kind })
}

func count(to *words.Reader, c visit.Counters) string {
	cycles, runs, s := c.Totals()
	text := words.Fill(
		to.W["CountersText"], "cycles", figures.Number(float64(cycles), 0), "runs", figures.Number(float64(runs), 0),
		"hours", figures.Short(&[]float64{s / 3600}[0], 1, false),
	)
	if b := c.Before; b != nil {
		from := b.From
		if from == "" {
			from = to.W["CounterFromNone"]
		}
		text += ". " + words.Fill(to.W["CountersBefore"], "cycles", figures.Number(float64(b.LiftCycles), 0), "runs",
			figures.Number(float64(b.Runs), 0), "hours", figures.Short(&[]float64{b.RunTimeS / 3600}[0], 1, false), "from", from)
	}
	return text
}

func cost(to *words.Reader, o visit.Order) string {
	var parts []string
	if o.Minutes != nil {
		parts = append(parts, words.Fill(to.W["Minutes"], "n", figures.Number(*o.Minutes, 0)))
	}
	if o.Parts != "" {
		parts = append(parts, to.W["Field.order.parts"]+": "+o.Parts)
	}
	return strings.Join(parts, " · ")
}

// failedTest returns a test of a battery that backs what was found of it, in one sentence.
func failedTest(to *words.Reader, v *visit.Visit, battery string) string {
	tests := slices.Clone(v.Tests)
	for _, k := range v.Work {
		if k.Removed != nil && k.Removed.Tests != nil {
			tests = append(tests, *k.Removed.Tests)
		}
	}
	for i := range tests {
		t := &tests[i]
		if t.Battery == battery && t.Load != nil && t.Load.Outcome == judge.Fails && t.VoltageV != nil {
			return words.Fill(to.W["FoundTest"], "v", volts(*t.VoltageV), "needed", volts(*t.Load.NeededV))
		}
	}
	return ""
}

// fittedText describes a battery by its label.
func fittedText(to *words.Reader, f *visit.Fitted) string {
	parts := []string{to.Label("Choice", f.Chemistry), figures.Number(f.RatedAh, 0) + noBreak + "Ah", amps(f.RatedCCA)}
	if q := f.Passport; q != nil {
		for _, x := range []struct{ key, value string }{
			{"", q.Make}, {"Word.serial", q.Serial}, {"Word.code", q.DateCode}, {"", q.Place},
			{"Word.installed", q.Installed}, {"Word.warranty", q.WarrantyUntil},
		} {
			if x.value != "" {
				parts = append(parts, strings.TrimSpace(to.W[x.key]+" "+x.value))
			}
		}
	}
	return strings.Join(parts, ", ")
}

// addTests adds the tests of one battery to the figures.
func (v *reportView) addTests(t *visit.Test, c *visit.Cells, of string) {
	to := v.To
	if t != nil {
		out := reportTest{Title: to.W["TestTitle"] + ", " + of}
		if t.Method != "" {
			out.Rows = append(out.Rows, pair{to.W["Field.method"], t.Method, ""})
		}
		if load := loadOf(*t); load != "" {
			out.Rows = append(out.Rows, pair{to.W["TestLoad"], load, ""})
		}
		if t.Load != nil && t.Load.NeededV != nil {
			out.Rows = append(out.Rows, pair{words.Fill(to.W["NeededAt"], "temp", temperature(to, t.TempC)), volts(*t.Load.NeededV), ""})
		}
		if t.Load != nil {
			out.Rows = append(out.Rows, pair{to.W["HalfTable"], to.Label("Outcome", string(t.Load.Outcome)), string(t.Load.Outcome)})
			out.Lines = append(out.Lines, reasons(to, t.Load.Reasons)...)
		}
		if t.CrankingA != nil {
			out.Rows = append(out.Rows, pair{to.W["Field.cranking_a"], amps(*t.CrankingA), ""})
		}
		if t.AgentCrankingA != nil || t.AgentSigmaA != nil {
			out.Rows = append(out.Rows, pair{to.W["MonitorCranking"], plusMinus(t.AgentCrankingA, t.AgentSigmaA, 0) + noBreak + "A", ""})
		}
		if t.ResistanceMohm != nil {
			out.Rows = append(out.Rows, pair{
				to.W["Field.resistance_mohm"], figures.Of(t.ResistanceMohm, 2) + noBreak + "mΩ (" + figures.Of(t.AgentResistanceMohm, 2) + ")", "",
			})
		}
		if x := t.Tester; x != nil {
			out.Rows = append(out.Rows, pair{to.W["TesterOf"], to.Label("Outcome", string(x.Outcome)), string(x.Outcome)})
			for _, line := range reasons(to, x.Reasons) {
				if !slices.Contains(out.Lines, line) {
					out.Lines = append(out.Lines, line)
				}
			}
		}
		for _, a := range agreements(t) {
			out.Rows = append(out.Rows, pair{to.W["Agents"], to.Label("Monitor", string(a)), string(a)})
		}
		v.Tests = append(v.Tests, out)
	}
	if c != nil {
		out := reportTest{Title: to.W["Section.hydro"] + ", " + of}
		for i, x := range c.Result.Cells {
			if x.Read != nil {
				value := gravity(x.Corrected) + ", " + figures.Short(x.ChargePct, 0, false) + noBreak + "%"
				if x.Low {
					value += " " + to.W["CellLow"]
				}
				out.Rows = append(out.Rows, pair{to.W["Cell"] + " " + strconv.Itoa(i+1), value, ""})
			}
		}
		out.Rows = append(out.Rows, pair{to.W["CellSpread"], figures.Short(c.Result.Spread, 3, false), ""},
			pair{to.W["Outcome"], to.Label("Outcome", string(c.Result.Outcome)), string(c.Result.Outcome)})
		out.Lines = append(out.Lines, reasons(to, c.Result.Reasons)...)
		v.Tests = append(v.Tests, out)
	}
}

// agreements returns how the tests of a battery go with the monitor, each once.
func agreements(t *visit.Test) (all []judge.Agreement) {
	if t.Load != nil {
		all = append(all, t.Load.Monitor)
	}
	if t.Tester != nil {
		all = append(all, t.Tester.Monitor)
	}
	slices.Sort(all)
	return slices.DeleteFunc(slices.Compact(all), func(a judge.Agreement) bool { return a == judge.Unknown })
}

func orDash(text string) string {
	if text == "" {
		return figures.Unknown
	}
	return text
}

func loadOf(t visit.Test) string {
	var parts []string
	for _, p := range []struct {
		v    *float64
		unit string
	}{{t.LoadA, "A"}, {t.AfterS, "s"}, {t.VoltageV, "V"}} {
		if p.v != nil {
			parts = append(parts, figures.Number(*p.v, 0)+"\u00a0"+p.unit)
		}
	}
	return strings.Join(parts, ", ")
}

// stateMarks are signs beside the words of a state.
var stateMarks = map[string]string{"ok": "✓", "attention": "!", "not-applicable": "–", "not-checked": "–"}

func (p *Records) checkedOf(to *words.Reader, v *visit.Visit, a visit.CheckedArea, unchecked *int) reportArea {
	out := reportArea{Title: to.Translate(a.Title), Note: a.Note}
	out.Photos = p.photosOf(to, v, "area."+a.ID, out.Title)
	for _, i := range a.Items {
		if i.State == "ok" && i.Note+i.Reading+i.Photo == "" && len(i.Photos) == 0 {
			out.OK++
			continue
		}
		if i.State == "not-checked" && i.Note+i.Reading+i.Photo == "" && len(i.Photos) == 0 {
			*unchecked++
			continue
		}
		item := reportItem{
			Text: to.Translate(i.Text), Mark: stateMarks[i.State], State: to.Label("Choice", i.State), Class: "note",
		}
		if i.State == "attention" {
			item.Class = "urgent"
		}
		var more []string
		if i.Reading != "" {
			more = append(more, readingText(to, i))
		}
		if i.Note != "" {
			more = append(more, i.Note)
		}
		if i.Photo != "" {
			more = append(more, to.W["Field.photo"]+": "+i.Photo)
		}
		item.More = strings.Join(more, " · ")
		item.Photos = p.photosOf(to, v, visit.ItemKey(a.ID, i.ID), item.Text)
		out.Items = append(out.Items, item)
	}
	return out
}

// photosOf returns the photos of one thing that are still on the card.
func (p *Records) photosOf(to *words.Reader, v *visit.Visit, of, what string) (kept []photoView) {
	for _, photo := range photoViews(to, v.ID, v.Photos, of, what) {
		if p.store.HasPhoto(v.ID, photo.Name) {
			kept = append(kept, photo)
		}
	}
	return kept
}

// readingText returns what was read, and its limits where it is outside of them.
func readingText(to *words.Reader, i visit.CheckedItem) string {
	if i.Value == nil {
		return strings.TrimSpace(i.Reading + " " + i.Unit)
	}
	text := view.Measured(to, i.Value, i.Unit)
	if i.Judged == visit.Below || i.Judged == visit.Above {
		text += ". " + words.Fill(to.Label("Judged", i.Judged), "limit", limitText(to, i.LimitMin, i.LimitMax, i.Unit))
	}
	return text
}

func readingOf(to *words.Reader, m visit.Reading) readingView {
	v := readingView{
		Name: to.Label("Subject", m.Subject) + ", " + to.Label("Field", m.Figure),
		Mine: view.Measured(to, &m.Value, m.Unit), Agents: view.Measured(to, m.Agent, m.Unit),
		Differs: figures.Unknown, At: m.At.UTC().Format("15:04"),
	}
	if _, named := to.W["Subject."+m.Subject]; !named {
		v.Name = to.W["Battery"] + " " + m.Subject + ", " + to.Label("Field", m.Figure)
	}
	if m.Agent != nil {
		d := m.Value - *m.Agent
		unit := m.Unit
		if unit == "°C" && to.Fahrenheit {
			d, unit = d*9/5, "°F"
		}
		v.Differs = figures.Short(&d, 2, true) + " " + unit
	}
	return v
}

// serviceShare is the part of its rating below which a battery is to be replaced, as the monitor
// judges it.
const serviceShare = 0.8

// compareFigures sets the figures of the beginning and the end side by side. Bold is what has changed
// by more than twice the uncertainty of both together, and what one of them lacks is not; and what is below its limit by
// more than twice its own.
func compareFigures(to *words.Reader, v *visit.Visit) (first, more []compareRow) {
	before, after := &v.Before, &v.After
	out := &first
	row := func(name string, b, bs, a, as *float64, decimals int, limit *float64) {
		if b == nil && a == nil {
			return
		}
		r := compareRow{Name: name, Before: plusMinus(b, bs, decimals), After: plusMinus(a, as, decimals)}
		if limit != nil {
			r.Limit = figures.Number(math.Round(*limit), 0)
			r.BeforeBold, r.AfterBold = surelyBelow(b, bs, *limit), surelyBelow(a, as, *limit)
		}
		if b == nil {
			r.Before = to.W["NotKnown"]
		}
		if a == nil {
			r.After = to.W["NotKnown"]
		}
		if b != nil && a != nil && bs != nil && as != nil && math.Abs(*a-*b) > 2*math.Hypot(*bs, *as) {
			r.BeforeBold, r.AfterBold = true, true
		}
		*out = append(*out, r)
	}
	for _, b := range before.Batteries {
		var a visit.BatteryFigures
		if i := slices.IndexFunc(after.Batteries, func(f visit.BatteryFigures) bool { return f.ID == b.ID }); i >= 0 {
			a = after.Batteries[i]
		}
		bs, as := sigmas(b), sigmas(a)
		name := to.W["Battery"] + " " + b.ID + ": "
		var limit *float64
		if i := slices.IndexFunc(v.Passports, func(l visit.Labeled) bool { return l.Battery == b.ID }); i >= 0 {
			limit = new(serviceShare * v.Passports[i].RatedCCA)
		}
		changed := a.Verdict != b.Verdict && judgedVerdict(a.Verdict) && judgedVerdict(b.Verdict)
		*out = append(*out, compareRow{
			Name: name + to.W["Verdict"], Before: to.Label("Verdict", b.Verdict), After: to.Label("Verdict", a.Verdict),
			BeforeBold: changed, AfterBold: changed,
		})
		row(name+to.W["Cranking"], b.CrankingA, bs.CrankingA, a.CrankingA, as.CrankingA, 0, limit)
		*out = append(*out, testRows(to, v, b.ID)...)
		row(name+to.W["Charge"], b.SoCPct, bs.SoCPct, a.SoCPct, as.SoCPct, 0, nil)
		out = &more
		row(name+to.W["Rested"], b.RestedV, bs.RestedV, a.RestedV, as.RestedV, 2, nil)
		row(name+to.W["Resistance"], b.ResistanceMohm, bs.ResistanceMohm, a.ResistanceMohm, as.ResistanceMohm, 2, nil)
		out = &first
	}
	for i, b := range before.Strings {
		var a visit.StringFigures
		if i < len(after.Strings) {
			a = after.Strings[i]
		}
		name := to.W["StringWord"] + " " + b.From + "\u2011" + b.To + ": "
		row(name+to.W["RestDiff"], b.RestDiffV, b.RestSigmaV, a.RestDiffV, a.RestSigmaV, 2, nil)
		row(name+to.W["HeldDiff"], b.HeldDiffV, b.HeldSigmaV, a.HeldDiffV, a.HeldSigmaV, 2, nil)
		row(name+to.W["Spread"], b.SpreadPct, b.SpreadSigma, a.SpreadPct, a.SpreadSigma, 0, nil)
	}
	for i, b := range before.Links {
		var a visit.LinkFigures
		if i < len(after.Links) {
			a = after.Links[i]
		}
		row(to.Label("Link", b.Side)+" "+b.From+" "+to.W["To"]+" "+b.To+", mΩ", b.ResistanceMohm, b.SigmaMohm,
			a.ResistanceMohm, a.SigmaMohm, 2, nil)
	}
	row(to.W["FeedPath"], before.FeedMohm, before.FeedSigmaMohm, after.FeedMohm, after.FeedSigmaMohm, 2, nil)
	row(to.W["MotorPath"], before.MotorMohm, before.MotorSigmaMohm, after.MotorMohm, after.MotorSigmaMohm, 2, nil)
	return first, more
}

// surelyBelow reports whether a figure is below a limit by more than twice its uncertainty.
func surelyBelow(v, sigma *float64, limit float64) bool {
	return v != nil && sigma != nil && *v+2**sigma < limit
}

// judgedVerdict reports whether a verdict says something: one that is not known yet is no change.
func judgedVerdict(verdict string) bool { return verdict != "" && verdict != "unknown" }

// testRows sets the load test of a battery that was taken out beside that of the one that came in.
func testRows(to *words.Reader, v *visit.Visit, battery string) []compareRow {
	var old *visit.Test
	for _, k := range v.Work {
		if k.Subject == battery && k.Removed != nil && k.TakenBack == nil && old == nil {
			old = k.Removed.Tests
		}
	}
	i := slices.IndexFunc(v.Tests, func(t visit.Test) bool { return t.Battery == battery && t.VoltageV != nil })
	if old == nil && i < 0 {
		return nil
	}
	r := compareRow{Name: to.W["Battery"] + " " + battery + ": " + to.W["TestTitle"] + ", V", Before: to.W["NotMeasured"],
		After: to.W["NotMeasured"]}
	limits := []string{}
	put := func(t *visit.Test, text *string, bold *bool) {
		*text = strings.TrimSuffix(volts(*t.VoltageV), noBreak+"V")
		if t.Load != nil && t.Load.NeededV != nil {
			limits = append(limits, strings.TrimSuffix(volts(*t.Load.NeededV), noBreak+"V"))
			*bold = t.Load.Outcome == judge.Fails
		}
	}
	if old != nil && old.VoltageV != nil {
		put(old, &r.Before, &r.BeforeBold)
	}
	switch {
	case i < 0:
	case old == nil:
		put(&v.Tests[i], &r.Before, &r.BeforeBold)
		r.After = figures.Unknown
	default:
		put(&v.Tests[i], &r.After, &r.AfterBold)
	}
	r.Limit = strings.Join(slices.Compact(limits), " / ")
	return []compareRow{r}
}

func sigmas(b visit.BatteryFigures) visit.Sigmas {
	if b.Sigmas == nil {
		return visit.Sigmas{}
	}
	return *b.Sigmas
}

func oil(to *words.Reader, o visit.Oil) string {
	if o == (visit.Oil{}) {
		return ""
	}
	level, position := figures.Unknown, to.W["PositionUnknown"]
	if o.Level != "" {
		level = to.Label("Choice", o.Level)
	}
	if o.Position != "" {
		position = to.Label("Choice", o.Position)
	}
	text := words.Fill(to.W["OilText"], "level", level, "position", position)
	if o.Note != "" {
		text += " · " + o.Note
	}
	return text
}

// gaps returns what a record lacks that its readers would look for.
func gaps(to *words.Reader, v *visit.Visit) []string {
	var out []string
	unchecked := 0
	for _, a := range v.Areas {
		for _, i := range a.Items {
			if i.State == "not-checked" {
				unchecked++
			}
			if i.State == "attention" && i.Note == "" {
				out = append(out, words.Fill(to.W["GapNote"], "item", to.Translate(i.Text)))
			}
			if outside := i.Judged == visit.Below || i.Judged == visit.Above; outside && i.State != "attention" {
				out = append(out, words.Fill(to.W["GapLimit"], "item", to.Translate(i.Text)))
			}
		}
	}
	if unchecked > 0 {
		out = append(out, words.Fill(to.W["GapUnchecked"], "n", figures.Number(float64(unchecked), 0)))
	}
	if v.Oil.Level != "" && v.Oil.Position == "" {
		out = append(out, to.W["GapPosition"])
	}
	if o := v.Oil; o.WantedPosition != "" && o.Position != "" && o.Position != o.WantedPosition {
		out = append(out, to.W["GapOil"])
	}
	if !v.ClockTrusted {
		out = append(out, to.W["ClockUnsure"])
	}
	return out
}

// codeOf returns the QR code of an address, empty where it is too long for one.
func codeOf(to *words.Reader, address string) template.HTML {
	code, err := qr.New(address)
	if err != nil {
		return ""
	}
	return code.SVG(to.W["QRName"])
}
