package desk

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/draw"
	"liftbank/agent/page/figures"
	pageview "liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

type unitView struct {
	view
	U         *Unit
	Findings  []findingView // that stand by themselves, in the order of the worklist
	Explained []string
	Over      []string // cleared, and nobody has acknowledged it
	Charge    string
	Lifts     string
	Heard     string
	Doubt     string
	Drawing   template.HTML
	Parts     []partView
	Batteries []string
	Rows      []figureRow
	Strings   []string // names; none in parallel
	Series    []pageview.StringRow
	Mixed     string // what it costs that batteries are of different kinds
	Pairs     [][2]string
	Past      []pastLine
	Spans     []choice // of the charts
	Charts    []chart
	Strip     *strip
	Sums      [][2]string // of the last days
	SumsSince string      // where those begin later
	Runs      [][]string
	Streams   []Stream
	NotJudged []string
	Troubles  []string
	Audit     []auditLine
	Wrong     string // why a form was not taken
	WrongWork worklist.Key
	Typed     Data // what was typed where a form was not taken
	Fields    []dataField
	States    []worklist.State
}

func (v unitView) followed()     {}
func (v unitView) title() string { return v.T("Unit") + " " + v.U.Unit }

// ParkedWords says that the unit is parked, or will be.
func (v unitView) ParkedWords() string {
	u := v.U
	if u.ParkedUntil == "" || u.ParkedUntil < v.Day(v.Now) {
		return ""
	}
	key := "Parked"
	if u.ParkedFrom > v.Day(v.Now) {
		key = "ParkedLater"
	}
	text := v.T(key, "from", u.ParkedFrom, "until", u.ParkedUntil)
	if u.ParkedReason != "" {
		text += " " + u.ParkedReason + "."
	}
	if u.ParkedBy != "" {
		text += " (" + u.ParkedBy + ", " + v.Time(u.ParkedAt) + ")"
	}
	return text
}

type findingView struct {
	unit       *unitView
	F          pageview.Finding
	Key        worklist.Key
	No         int
	Class      string
	For        string
	Text       string // sentence with figures
	Work       worklist.Work
	WorkText   string
	WorkShort  string
	Doubted    bool
	Lowered    string // what is said in place of an order: acknowledged by, shelved until
	Remarks    []string
	Urgent     bool
	ByWhen     string
	Settled    bool
	ErrorHere  string
	ReasonText string
}

// U is for the form's template.
func (f findingView) View() *unitView { return f.unit }

type figureRow struct {
	Name  string
	Cells []figures.Estimated
	Mark  []bool
}

type pastLine struct{ When, What, How, Path string }

// Numbers of records that a unit's page shows.
const (
	pastRecords = 40
	runsShown   = 20
	auditShown  = 10
	pageRecords = 100
)

// unitPattern is what the agent's configuration takes for a name.
var unitPattern = regexp.MustCompile(`^[a-z0-9-]{1,64}$`)

// unitOf returns the unit that a request names, or answers that there is none.
func (d *Desk) unitOf(w http.ResponseWriter, r *http.Request) *Unit {
	u, err := d.opts.Store.Unit(r.Context(), r.PathValue("unit"))
	switch {
	case errors.Is(err, ErrUnknown):
		d.fail(w, r, http.StatusNotFound, d.text(words.Of(r), "NoUnit"))
		return nil
	case err != nil:
		d.broken(w, r, err)
		return nil
	}
	return u
}

func (d *Desk) unitPage(w http.ResponseWriter, r *http.Request, by who) {
	u := d.unitOf(w, r)
	if u == nil {
		return
	}
	d.showUnit(w, r, http.StatusOK, &unitView{view: d.viewOf(r, by), U: u, Typed: u.Data})
}

func (d *Desk) showUnit(w http.ResponseWriter, r *http.Request, status int, v *unitView) {
	ctx, store, u := r.Context(), d.opts.Store, v.U
	findings, err1 := store.Records(ctx, u.Unit, "findings", 0, pastRecords)
	visits, err2 := store.Records(ctx, u.Unit, "visits", 0, pastRecords)
	runs, err3 := store.Records(ctx, u.Unit, "runs", 0, runsShown)
	audit, err4 := store.Audit(ctx, u.Unit, 0, auditShown)
	if err := cmp.Or(err1, err2, err3, err4); err != nil {
		d.broken(w, r, err)
		return
	}
	v.findings()
	v.figures(visits)
	v.past(findings, visits)
	if err := v.charted(ctx, store, r.URL.Query(), visits); err != nil {
		d.broken(w, r, err)
		return
	}
	for i := range runs {
		var m records.Run
		if json.Unmarshal(runs[i].Body, &m) == nil {
			v.Runs = append(v.Runs, []string{
				v.Time(m.Run.Start), figures.Number(m.Run.DurationS, 1), figures.Number(m.Run.MeanA, 0),
				figures.Number(m.Run.PeakA, 0), figures.Number(m.Run.MinBankV, 2),
			})
		}
	}
	for _, e := range audit {
		v.Audit = append(v.Audit, v.auditLine(e))
	}
	v.Fields, v.States, v.Streams = dataFields, worklist.States, u.Streams
	d.show(w, r, status, "unit", "Unit", v)
}

// findings fills in what stands, in the order of the worklist.
func (v *unitView) findings() {
	u, row := v.U, v.U.Row
	byKey := map[worklist.Key]*snapshot.Finding{}
	for i := range u.Findings {
		byKey[worklist.KeyOf(&u.Findings[i])] = &u.Findings[i]
	}
	work := map[worklist.Key]worklist.Work{}
	for _, w := range u.Work {
		work[w.Key] = w
	}
	var keys []worklist.Key
	if row.Name != "" {
		keys = append(keys, row.Key)
	}
	for _, k := range slices.Concat(row.Others, row.Doubted, row.Settled) {
		if !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	for _, k := range keys {
		f := byKey[k]
		if f == nil {
			continue
		}
		w, ok := work[k]
		if !ok {
			w = worklist.Work{Key: k, State: worklist.Open}
		}
		v.Findings = append(v.Findings, v.finding(f, w, slices.Contains(row.Doubted, k)))
	}
	for _, k := range row.Explained {
		if f := byKey[k]; f != nil {
			by := worklist.Headline(v.To, worklist.Key{Name: f.CausedBy, Subject: f.CausedByOf}, f.CausedBy)
			v.Explained = append(v.Explained, v.T("ExplainedBy", "severity", v.Label("Severity", f.Severity), "what",
				worklist.Headline(v.To, k, f.Title), "by", by))
		}
	}
	for i := range u.Findings {
		if f := &u.Findings[i]; !f.Active && f.State != "normal" {
			v.Over = append(v.Over, v.T("Over", "what", worklist.Headline(v.To, worklist.KeyOf(f), f.Title), "time", v.Time(f.Since)))
		}
	}
}

func (v *unitView) finding(f *snapshot.Finding, w worklist.Work, doubted bool) findingView {
	out := findingView{
		unit: v, F: pageview.FindingOf(v.To, *f, v.Now), Key: worklist.KeyOf(f), No: len(v.Findings) + 1, Class: classOf(f.Severity),
		Work: w, Doubted: doubted, Urgent: f.Severity == "urgent", Settled: w.State.Settled(),
	}
	if since := worklist.SinceOf(f); !since.IsZero() {
		out.For = v.T("ForSince", "time", brief(v.To, v.Now.Sub(since)), "at", v.Time(since))
	}
	switch f.State {
	case "acknowledged":
		at := ""
		if f.AckAt != nil {
			at = v.Time(*f.AckAt)
		}
		out.Lowered = v.T("AckBy", "who", f.AckBy, "time", at)
	case "shelved":
		until := figures.Unknown
		if f.ShelvedUntil != nil {
			until = v.Time(*f.ShelvedUntil)
		}
		out.Lowered = v.T("ShelvedBy", "who", f.ShelvedBy, "time", until)
	case "out of service":
		out.Lowered = v.T("OutBy", "who", f.OutBy)
	}
	if f.Because != nil {
		out.Text = v.T("NotJudgedNow") + " " + v.To.Maybe(f.Because)
	} else if doubted {
		out.Text = v.T("Doubt." + v.U.Row.Doubt)
	}
	for _, r := range f.Remarks {
		out.Remarks = append(out.Remarks, v.Time(r.At)+", "+r.By+": "+r.Text)
	}
	out.WorkText, out.WorkShort = v.workText(w), v.workShort(w)
	if v.WrongWork == out.Key {
		out.ErrorHere = v.Wrong
	}
	return out
}

// workShort says how far the work is.
func (v *view) workShort(w worklist.Work) string {
	text := v.T("Work." + string(w.State))
	switch {
	case w.State == worklist.Planned && w.Who != "":
		text += " " + w.Date + ", " + w.Who
	case w.State == worklist.Planned:
		text += " " + w.Date
	case w.State == worklist.Assigned:
		text += " " + w.Who
	case w.Reason == worklist.BecauseVisit, w.Reason == worklist.BecauseCleared, w.Reason == worklist.BecauseRaised:
		text += ": " + v.T("Because."+w.Reason)
	case w.Reason != "":
		text += ": " + w.Reason
	}
	return text
}

// workText is workShort with who said so.
func (v *view) workText(w worklist.Work) string {
	text := v.workShort(w)
	if w.By != "" && !w.At.IsZero() {
		text += " (" + w.By + ", " + v.Time(w.At) + ")"
	}
	return text
}

// figures fills in the figures of the last snapshot. Under a doubt those that rest on it are left out.
func (v *unitView) figures(visits []Record) {
	u := v.U
	v.Charge, v.Lifts, v.Heard = figures.Unknown, liftsOf(u.Row.Row), v.T("Never")
	if !u.Row.HeardAt.IsZero() {
		v.Heard = v.T("Ago", "time", v.Ago(u.Row.HeardAt))
	}
	if u.Row.Doubt != "" {
		v.Doubt = v.T("Doubt." + u.Row.Doubt)
	}
	v.Parts, _ = partsOf(v.To, u.Row.Parts, maxParts)
	s := u.Snapshot
	if s == nil {
		return
	}
	if u.Row.ChargePct != nil {
		e := snapshot.Estimate{Value: u.Row.ChargePct, Sigma: s.Bank.SoCPct.Sigma}
		shown := rounded(e)
		v.Charge = strings.TrimSpace(shown.Value+" "+shown.Sigma) + "\u00a0%"
	}
	doubted := worklist.DoubtedBatteries(u.Findings, s)
	s = believed(s, doubted)
	v.Drawing = draw.Bank(v.To, s)
	installed := installedOf(visits)
	for _, b := range s.Batteries {
		v.Batteries = append(v.Batteries, b.ID)
	}
	wrong := map[string]bool{"tired": true, "failed": true}
	row := func(name string, cell func(b *snapshot.Battery) figures.Estimated, mark func(b *snapshot.Battery) bool) {
		r := figureRow{Name: name}
		for i := range s.Batteries {
			r.Cells = append(r.Cells, cell(&s.Batteries[i]))
			r.Mark = append(r.Mark, mark != nil && mark(&s.Batteries[i]))
		}
		v.Rows = append(v.Rows, r)
	}
	plain := func(text string) figures.Estimated { return figures.Estimated{Value: text} }
	row(v.W("Verdict"), func(b *snapshot.Battery) figures.Estimated {
		if doubted[b.ID] {
			return plain(v.T("NotJudged"))
		}
		return plain(v.Label("Verdict", b.Verdict))
	}, func(b *snapshot.Battery) bool { return wrong[b.Verdict] })
	row(v.W("Voltage"), func(b *snapshot.Battery) figures.Estimated { return plain(figures.Of(b.VoltageV, 2)) }, nil)
	series := len(s.Strings) > 0
	if series {
		row(v.W("Place"), func(b *snapshot.Battery) figures.Estimated { return plain(pageview.PlaceIn(v.To, s, b.ID)) }, nil)
	} else {
		row(v.W("Current"), func(b *snapshot.Battery) figures.Estimated { return plain(figures.Signed(b.CurrentA, 1)) }, nil)
	}
	row(v.W("Temperature")+", "+v.To.TempUnit(), func(b *snapshot.Battery) figures.Estimated {
		return plain(figures.Of(v.To.Temp(b.TempC), 0))
	}, nil)
	for _, e := range []struct {
		key   string
		least int
		of    func(b *snapshot.Battery) snapshot.Estimate
	}{
		{"Charge", 0, func(b *snapshot.Battery) snapshot.Estimate { return b.SoCPct }},
		{"Resistance", 1, func(b *snapshot.Battery) snapshot.Estimate { return b.ResistanceMohm }},
		{"Cranking", 0, func(b *snapshot.Battery) snapshot.Estimate { return b.CrankingA }},
		{"Capacity", 0, func(b *snapshot.Battery) snapshot.Estimate { return b.CapacityAh }},
		{"DrawShare", 0, func(b *snapshot.Battery) snapshot.Estimate { return b.DrawSharePct }},
	} {
		if series && e.key == "DrawShare" { // the strings'
			continue
		}
		row(v.W(e.key), func(b *snapshot.Battery) figures.Estimated { return written(e.of(b), e.least) }, nil)
	}
	row(v.T("Rated"), func(b *snapshot.Battery) figures.Estimated {
		p := worklist.Part{Kind: worklist.PartBattery, Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA}
		_, label, _ := strings.Cut(p.Words(v.To), " ")
		return plain(label)
	}, nil)
	if slices.ContainsFunc(s.Batteries, func(b snapshot.Battery) bool { return b.Passport != nil }) {
		row(v.T("Serial"), func(b *snapshot.Battery) figures.Estimated { return plain(serialOf(b)) }, nil)
	}
	row(v.T("InSince"), func(b *snapshot.Battery) figures.Estimated {
		if at, ok := installedBy(b); ok {
			return plain(b.Passport.Installed + " (" + brief(v.To, v.Now.Sub(at)) + ")")
		}
		if at, ok := installed[b.ID]; ok {
			return plain(v.Day(at) + " (" + brief(v.To, v.Now.Sub(at)) + ")")
		}
		return plain(figures.Unknown)
	}, nil)
	v.Strings, v.Series, v.Mixed = pageview.StringNames(s), pageview.StringRows(v.To, s), pageview.MixedText(v.To, s)
	v.pairs(s)
	for _, n := range s.NotJudged {
		v.NotJudged = append(v.NotJudged, worklist.Headline(v.To, worklist.Key{Name: n.Name, Subject: n.Subject}, n.Name)+": "+v.To.Plain(n.Because))
	}
	v.Troubles = append(v.Troubles, u.Flags...)
	for _, t := range s.Troubles {
		v.Troubles = append(v.Troubles, v.Label("Trouble", t.Part)+": "+t.Problem)
	}
}

// rounded writes an estimate in whole numbers, as a headline has room for.
func rounded(e snapshot.Estimate) figures.Estimated {
	shown := figures.Estimated{Value: figures.Number(math.Round(*e.Value), 0)}
	if e.Sigma != nil {
		shown.Sigma = "±\u00a0" + figures.Number(math.Max(math.Round(*e.Sigma), 1), 0)
	}
	return shown
}

// serialOf returns how a battery is told from others: its serial, else its date code, and its place.
func serialOf(b *snapshot.Battery) string {
	p := b.Passport
	if p == nil {
		return figures.Unknown
	}
	text := p.Serial
	if text == "" {
		text = p.DateCode
	}
	switch {
	case text == "":
		text = p.Place
	case p.Place != "":
		text += ", " + p.Place
	}
	if text == "" {
		return figures.Unknown
	}
	return text
}

// installedBy returns when a battery was put in by its passport: a day, or the first of a month.
func installedBy(b *snapshot.Battery) (at time.Time, ok bool) {
	if b.Passport == nil {
		return at, false
	}
	for _, layout := range []string{time.DateOnly, "2006-01"} {
		if at, err := time.Parse(layout, b.Passport.Installed); err == nil {
			return at, true
		}
	}
	return at, false
}

// believed returns a snapshot without what rests on the figures of batteries that are in doubt. What is
// measured stays.
func believed(s *snapshot.Snapshot, doubted map[string]bool) *snapshot.Snapshot {
	if len(doubted) == 0 {
		return s
	}
	c := *s
	c.Batteries = slices.Clone(s.Batteries)
	for i := range c.Batteries {
		if b := &c.Batteries[i]; doubted[b.ID] {
			none := snapshot.Estimate{}
			b.SoCPct, b.ResistanceMohm, b.CrankingA, b.CapacityAh, b.DrawSharePct = none, none, none, none, none
			b.Verdict = "unknown"
		}
	}
	if len(doubted) == len(c.Batteries) { // nor is it known how the leads are
		c.Links = slices.Clone(s.Links)
		for i := range c.Links {
			c.Links[i].ResistanceMohm = snapshot.Estimate{}
		}
		c.Bank.MotorLeadsAt, c.Bank.FeedLeadsAt = nil, nil
	}
	return &c
}

func (v *unitView) pairs(s *snapshot.Snapshot) {
	pair := func(name, value string) { v.Pairs = append(v.Pairs, [2]string{name, value}) }
	cycles, runs, seconds := s.Motor.Totals()
	pair(v.W("LiftCycles"), figures.Count(cycles))
	pair(v.W("Runs"), figures.Count(runs))
	pair(v.W("RunTime"), figures.Seconds(seconds))
	if b := s.Motor.Before; b != nil {
		pair(v.W("CountedBefore"), strings.TrimSpace(figures.Count(b.LiftCycles)+" "+b.From))
	}
	for i := range s.Motor.Since {
		since := &s.Motor.Since[i]
		pair(v.T("SinceService."+since.Kind), count(int(since.LiftCycles)))
		if text := pageview.DueText(v.To, since, s.At); text != "" {
			pair(v.Label("DueKind", since.Kind), text)
		}
	}
	pair(v.W("Feed"), v.Label("FeedMeans", s.Feed.Status))
	pair(v.W("FeedTime"), figures.Seconds(s.Feed.FeedTimeS))
	pair(v.W("SinceFull"), figures.MaybeSeconds(s.Bank.SinceFullS))
	pair(v.T("SnapshotAt"), v.Time(s.At))
	if v.U.Status != "" {
		pair(v.T("Connection"), v.T("Status."+v.U.Status)+", "+v.Time(v.U.StatusAt))
		if text := v.asleep(v.U.AsleepUntil); text != "" {
			pair(v.T("Board"), text)
		}
	}
	if v.U.ClockOffS != nil {
		pair(v.T("ClockOff"), figures.Number(*v.U.ClockOffS, 0)+"\u00a0s")
	}
}

// installedOf returns since when batteries are in, as visits say.
func installedOf(visits []Record) map[string]time.Time {
	in := map[string]time.Time{}
	for i := range visits {
		var m records.Visit
		if json.Unmarshal(visits[i].Body, &m) != nil {
			continue
		}
		for _, w := range m.Visit.Work {
			if w.Kind == visit.BatteryReplaced && w.TakenBack == nil && w.At.After(in[w.Subject]) {
				in[w.Subject] = w.At
			}
		}
	}
	return in
}

// past fills in findings and visits, newest first.
func (v *unitView) past(findings, visits []Record) {
	type dated struct {
		at   time.Time
		line pastLine
	}
	var all []dated
	for i := range findings {
		m, err := wire.DecodeFinding(findings[i].Body)
		if err != nil || m.Finding.Name == "" { // a gap
			continue
		}
		f := &m.Finding
		all = append(all, dated{findings[i].At, pastLine{
			When: v.Time(findings[i].At), What: worklist.Headline(v.To, worklist.KeyOf(f), f.Title), How: v.change(f),
		}})
	}
	for i := range visits {
		l := v.visitLine(&visits[i])
		how := v.T("VisitLine", "attention", strconv.Itoa(l.Attention), "remaining", strconv.Itoa(l.Remaining))
		all = append(all, dated{visits[i].At, pastLine{
			When: l.When, What: strings.Join(append([]string{v.T("VisitBy", "who", l.By)}, l.Work...), "; "), How: how, Path: l.Path,
		}})
	}
	slices.SortStableFunc(all, func(a, b dated) int { return b.at.Compare(a.at) })
	for _, x := range all[:min(len(all), pastRecords)] {
		v.Past = append(v.Past, x.line)
	}
}

func (v *view) change(f *snapshot.Finding) string {
	if t := v.T("Change." + f.Change); t != "" {
		return t
	}
	return v.Label("State", f.State)
}

// visitLine writes a visit on one line.
func (v *view) visitLine(r *Record) visitLine {
	l := visitLine{
		Unit: r.Unit, UnitPath: UnitPath(r.Unit), Path: UnitPath(r.Unit) + "/visits/" + strconv.FormatInt(r.ID, 10), When: v.Time(r.At),
	}
	var m records.Visit
	if json.Unmarshal(r.Body, &m) != nil {
		return l
	}
	l.By, l.Place, l.Remaining = m.Visit.By, m.Visit.Place, len(m.Visit.Findings)
	for _, a := range m.Visit.Areas {
		for _, i := range a.Items {
			if i.State == "attention" {
				l.Attention++
			}
		}
	}
	for _, w := range m.Visit.Work {
		l.Work = append(l.Work, strings.TrimSpace(v.Label("Work", w.Kind)+" "+w.Subject))
	}
	return l
}

type reportView struct {
	view
	V          *visit.Visit
	Path       string
	Begun, End string
	Attention  []string
	Checked    int
	Areas      [][2]string
	Work       []string
	Readings   [][]string
	Tests      [][]string
	Compare    [][]string
	Remaining  []string
}

func (v reportView) title() string { return v.T("Report") + " " + v.V.Unit }

// reportPage shows a visit's record.
func (d *Desk) reportPage(w http.ResponseWriter, r *http.Request, by who) {
	id, err := strconv.ParseInt(r.PathValue("record"), 10, 64)
	if err != nil {
		d.notFound(w, r, by)
		return
	}
	rec, err := d.opts.Store.Record(r.Context(), id)
	if errors.Is(err, ErrUnknown) || err == nil && (rec.Unit != r.PathValue("unit") || rec.Stream != "visits") {
		d.notFound(w, r, by)
		return
	}
	var m records.Visit
	if err == nil {
		err = json.Unmarshal(rec.Body, &m)
	}
	if err != nil {
		d.broken(w, r, err)
		return
	}
	v := &reportView{view: d.viewOf(r, by), V: &m.Visit, Path: UnitPath(rec.Unit)}
	v.V.Unit = rec.Unit
	v.fill()
	d.show(w, r, http.StatusOK, "report", "Report", v)
}

func (v *reportView) fill() {
	x := v.V
	v.Begun, v.End = v.Time(x.Begun), v.Time(x.Finished)
	for _, a := range x.Areas {
		done := 0
		for _, i := range a.Items {
			switch i.State {
			case "attention":
				text := v.To.Translate(a.Title) + ": " + v.To.Translate(i.Text)
				for _, more := range []string{i.Note, strings.TrimSpace(i.Reading + " " + i.Unit)} {
					if more != "" {
						text += "; " + more
					}
				}
				v.Attention = append(v.Attention, text)
				done++
			case "ok":
				done++
			}
		}
		v.Areas = append(v.Areas, [2]string{v.To.Translate(a.Title), fmt.Sprintf("%d/%d", done, len(a.Items))})
	}
	for _, w := range x.Work {
		text := strings.TrimSpace(v.Label("Work", w.Kind)+" "+w.Subject) + ", " + v.Time(w.At)
		if w.Note != "" {
			text += "; " + w.Note
		}
		v.Work = append(v.Work, text)
	}
	for _, m := range x.Readings {
		v.Readings = append(v.Readings, []string{m.Subject, v.Label("Field", m.Figure), figures.Number(m.Value, 0) + " " + m.Unit, figures.Of(m.Agent, 0)})
	}
	for _, t := range x.Tests {
		v.Tests = append(v.Tests, []string{t.Battery, t.Method, figures.Of(t.CrankingA, 0), figures.Of(t.AgentCrankingA, 0), figures.Of(t.ResistanceMohm, 1)})
	}
	after := map[string]visit.BatteryFigures{}
	for _, b := range x.After.Batteries {
		after[b.ID] = b
	}
	for _, b := range x.Before.Batteries {
		a := after[b.ID]
		pair := func(key string, x, y *float64, least int) {
			v.Compare = append(v.Compare, []string{b.ID, v.W(key), figures.Of(x, least), figures.Of(y, least)})
		}
		v.Compare = append(v.Compare, []string{b.ID, v.W("Verdict"), v.Label("Verdict", b.Verdict), v.Label("Verdict", a.Verdict)})
		pair("Voltage", b.VoltageV, a.VoltageV, 2)
		pair("Resistance", b.ResistanceMohm, a.ResistanceMohm, 1)
		pair("Cranking", b.CrankingA, a.CrankingA, 0)
	}
	for _, f := range x.Findings {
		v.Remaining = append(v.Remaining, v.Label("Severity", f.Severity)+": "+
			worklist.Headline(v.To, worklist.Key{Name: f.Name, Subject: f.Subject}, f.Name)+" ("+v.Label("State", f.State)+")")
	}
}

// table is one of a report's tables for its template.
type table struct {
	Title string
	Heads []string
	Rows  [][]string
}

// Table returns a table of the report with the names of its columns.
func (v *reportView) Table(name string, heads ...string) table {
	t := table{Title: v.T(name)}
	for _, h := range heads {
		t.Heads = append(t.Heads, v.T(h))
	}
	switch name {
	case "BeforeAfter":
		t.Rows = v.Compare
	case "Readings":
		t.Rows = v.Readings
	case "Tests":
		t.Rows = v.Tests
	case "Checked":
		for _, a := range v.Areas {
			t.Rows = append(t.Rows, []string{a[0], a[1]})
		}
	}
	return t
}

type recordsView struct {
	view
	Unit, Path string
	Stream     string
	Streams    []choice
	Records    []recordLine
	Next       string
}

type recordLine struct {
	Record
	When, Received, Text string
}

func (v recordsView) title() string { return v.T("Received") + " " + v.Unit }

var streams = []string{"findings", "visits", "runs", "readings"}

// recordsPage is the history of what was received from a unit.
func (d *Desk) recordsPage(w http.ResponseWriter, r *http.Request, by who) {
	u := d.unitOf(w, r)
	if u == nil {
		return
	}
	q := r.URL.Query()
	v := &recordsView{view: d.viewOf(r, by), Unit: u.Unit, Path: UnitPath(u.Unit)}
	for _, s := range streams {
		if q.Get("stream") == s {
			v.Stream = s
		}
	}
	for _, s := range append([]string{""}, streams...) {
		v.Streams = append(v.Streams, choice{s, v.T("Stream." + s), 0, v.Stream == s})
	}
	before, _ := strconv.ParseInt(q.Get("before"), 10, 64)
	recs, err := d.opts.Store.Records(r.Context(), u.Unit, v.Stream, max(before, 0), pageRecords)
	if err != nil {
		d.broken(w, r, err)
		return
	}
	for _, rec := range recs {
		text := string(rec.Body)
		if len(text) > 4000 {
			text = strings.ToValidUTF8(text[:4000], "") + " …"
		}
		v.Records = append(v.Records, recordLine{rec, v.Time(rec.At), v.Time(rec.ReceivedAt), text})
	}
	if len(recs) == pageRecords {
		v.Next = v.Path + "/records?" + url.Values{"stream": {v.Stream}, "before": {strconv.FormatInt(recs[len(recs)-1].ID, 10)}}.Encode()
	}
	d.show(w, r, http.StatusOK, "records", "Received", v)
}

// dataField is one thing that the desk knows of a unit.
type dataField struct {
	Name string // of the form's field and the CSV's column
	Most int    // characters
	of   func(*Data) *string
}

// Get returns a field's value, for a template.
func (f dataField) Get(d Data) string { return *f.of(&d) }

var dataFields = []dataField{
	{"place", 120, func(d *Data) *string { return &d.Place }},
	{"group", 60, func(d *Data) *string { return &d.Group }},
	{"model", 120, func(d *Data) *string { return &d.Model }},
	{"contact", 200, func(d *Data) *string { return &d.Contact }},
	{"parked_from", 10, func(d *Data) *string { return &d.ParkedFrom }},
	{"parked_until", 10, func(d *Data) *string { return &d.ParkedUntil }},
	{"parked_reason", 120, func(d *Data) *string { return &d.ParkedReason }},
	{"note", 1000, func(d *Data) *string { return &d.Note }},
}

// set writes a field, tidied, or returns the key of the text that says why not.
func (f dataField) set(d *Data, value string) (problem string) {
	value = visit.Tidy(value, false)
	*f.of(d) = value
	if utf8.RuneCountInString(value) > f.Most {
		return "TooLong"
	}
	if f.Day() && value != "" {
		if _, err := time.Parse(time.DateOnly, value); err != nil {
			return "BadDate"
		}
	}
	return ""
}

// Day reports whether a field is a day.
func (f dataField) Day() bool { return f.Name == "parked_from" || f.Name == "parked_until" }

// parkedProblem returns the key of the text that says what is wrong with the days of parking.
func (d *Data) parkedProblem() string {
	switch {
	case d.ParkedUntil == "" && (d.ParkedFrom != "" || d.ParkedReason != ""):
		return "WantUntil"
	case d.ParkedUntil < d.ParkedFrom:
		return "UntilBefore"
	}
	return ""
}

// setData takes the form of a unit's data.
func (d *Desk) setData(w http.ResponseWriter, r *http.Request, by who) {
	if !d.readForm(w, r, maxForm) {
		return
	}
	u := d.unitOf(w, r)
	if u == nil {
		return
	}
	v := &unitView{view: d.viewOf(r, by), U: u, Typed: u.Data}
	for _, f := range dataFields {
		if !r.PostForm.Has(f.Name) {
			continue
		}
		if problem := f.set(&v.Typed, r.PostForm.Get(f.Name)); problem != "" && v.Wrong == "" {
			v.Wrong = v.T("Field."+f.Name) + ": " + v.T(problem, "n", strconv.Itoa(f.Most))
		}
	}
	if problem := v.Typed.parkedProblem(); problem != "" && v.Wrong == "" {
		v.Wrong = v.T("Field.parked_until") + ": " + v.T(problem)
	}
	if v.Wrong != "" {
		d.showUnit(w, r, http.StatusBadRequest, v)
		return
	}
	if v.Typed != u.Data {
		if err := d.opts.Store.SetData(r.Context(), by.Name, d.opts.Now(), []Data{v.Typed}); err != nil {
			d.broken(w, r, err)
			return
		}
	}
	http.Redirect(w, r, UnitPath(u.Unit)+"#data", http.StatusSeeOther)
}

// setWork takes the form of a state of work.
func (d *Desk) setWork(w http.ResponseWriter, r *http.Request, by who) {
	if !d.readForm(w, r, maxForm) {
		return
	}
	u := d.unitOf(w, r)
	if u == nil {
		return
	}
	f := r.PostForm
	k := worklist.Key{Name: f.Get("finding"), Subject: f.Get("subject")}
	v := &unitView{view: d.viewOf(r, by), U: u, Typed: u.Data, WrongWork: k}
	stands := slices.ContainsFunc(u.Findings, func(x snapshot.Finding) bool { return x.Active && worklist.KeyOf(&x) == k })
	want, err := worklist.Set(worklist.Work{
		Key: k, State: worklist.State(f.Get("state")), Who: f.Get("who"), Date: f.Get("date"), Reason: f.Get("reason"),
	}, by.Name, d.opts.Now())
	switch {
	case !stands:
		v.Wrong = v.T("NotStanding")
		v.WrongWork = worklist.Key{}
	case errors.Is(err, worklist.ErrWho):
		v.Wrong = v.T("WantWho")
	case errors.Is(err, worklist.ErrDate):
		v.Wrong = v.T("WantDate")
	case errors.Is(err, worklist.ErrReason):
		v.Wrong = v.T("WantReason")
	case errors.Is(err, worklist.ErrLong):
		v.Wrong = v.T("TooLong", "n", "500")
	case err != nil:
		v.Wrong = v.T("WantState")
	}
	if v.Wrong != "" {
		d.showUnit(w, r, http.StatusBadRequest, v)
		return
	}
	if err := d.opts.Store.SetWork(r.Context(), by.Name, d.opts.Now(), u.Unit, want); err != nil {
		d.broken(w, r, err)
		return
	}
	http.Redirect(w, r, UnitPath(u.Unit), http.StatusSeeOther)
}
