package desk

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// Rows of a page, and of the lists beside it.
const (
	pageRows   = 50
	asideRows  = 25
	wellRows   = 96
	maxGroups  = 500
	maxSearch  = 80
	maxParts   = 60
	apiRows    = 200
	maxAPIRows = 1000
)

// shows are what the worklist can show, in order: severities of the list of work, and other lists.
var shows = []string{"urgent", "repair", "note", worklist.ListSilent, worklist.ListVisit, worklist.ListSettled, worklist.ListWell}

// shownAtFirst are those without which a worklist would not be one.
var shownAtFirst = []string{"urgent", "repair", "note", worklist.ListSilent, worklist.ListVisit}

// filter is what somebody wants to see of the worklist.
type filter struct {
	Show          []string
	Group, Search string
	After         *Cursor
}

// filterOf reads a filter. What it does not know it takes for not said.
func filterOf(q url.Values) filter {
	f := filter{Group: visit.Tidy(q.Get("group"), false), Search: cut(visit.Tidy(q.Get("q"), false), maxSearch)}
	for _, s := range shows {
		if slices.Contains(q["show"], s) {
			f.Show = append(f.Show, s)
		}
	}
	if len(f.Show) == 0 {
		f.Show = shownAtFirst
	}
	if rank, unit, ok := strings.Cut(q.Get("after"), "."); ok {
		if n, err := strconv.ParseInt(rank, 10, 64); err == nil && n >= 0 {
			f.After = &Cursor{n, unit}
		}
	}
	return f
}

// values returns the filter as a query, from the first row.
func (f filter) values() url.Values {
	v := url.Values{}
	if !slices.Equal(f.Show, shownAtFirst) {
		v["show"] = f.Show
	}
	if f.Group != "" {
		v.Set("group", f.Group)
	}
	if f.Search != "" {
		v.Set("q", f.Search)
	}
	return v
}

// with returns the path of a page with this filter.
func (f filter) path(base string, after *Cursor) string {
	v := f.values()
	if after != nil {
		v.Set("after", strconv.FormatInt(after.Rank, 10)+"."+after.Unit)
	}
	if len(v) == 0 {
		return base
	}
	return base + "?" + v.Encode()
}

func (f filter) shows(what string) bool { return slices.Contains(f.Show, what) }

// work is the query for the list of work.
func (f filter) work(d *Desk) RowsQuery {
	q := RowsQuery{Now: d.opts.Now(), Lists: []string{worklist.ListWork}, Group: f.Group, Search: f.Search}
	for _, s := range []string{"urgent", "repair", "note"} {
		if f.shows(s) {
			q.Severities = append(q.Severities, s)
		}
	}
	if len(q.Severities) == 3 {
		q.Severities = nil // the same, and quicker
	}
	return q
}

type choice struct {
	Value, Text string
	N           int
	Chosen      bool
}

type worklistView struct {
	view
	Heading           string
	Choices           []choice
	Groups            []string
	Group, Search     string
	Rows              []rowView
	First, Next       string // paths of pages; empty: there is none
	Apart, UnderWay   []apartView
	Settled           []rowView
	Parts             []partView
	PartsTitle        string
	Well              []string
	WellAll, WellMore int
	MoreParts         int
	ShowsWork         bool
}

func (worklistView) followed() {}

type partView struct {
	Name  string
	Count int
}

type rowView struct {
	Unit, Place, Path     string
	Word, Class           string
	Headline, Next, Notes string
	Since, ByWhen         string
	Overdue               bool
	Charge, Lifts, Bring  string
	Silent                string
}

// apartView is a unit that is silent or has a visit under way.
type apartView struct{ Unit, Path, Text string }

func (d *Desk) worklistPage(w http.ResponseWriter, r *http.Request, by who) {
	f := filterOf(r.URL.Query())
	v, err := d.worklistView(r, by, f)
	if err != nil {
		d.broken(w, r, err)
		return
	}
	d.show(w, r, http.StatusOK, "worklist", "Worklist", v)
}

func (d *Desk) worklistView(r *http.Request, by who, f filter) (*worklistView, error) {
	ctx, store := r.Context(), d.opts.Store
	v := &worklistView{view: d.viewOf(r, by), Group: f.Group, Search: f.Search}
	q := f.work(d)
	counts, err := store.Counts(ctx, q)
	if err != nil {
		return nil, err
	}
	work := counts.Severity["urgent"] + counts.Severity["repair"] + counts.Severity["note"]
	v.Heading = v.N("NeedWork", work)
	v.Heading = words.Fill(v.Heading, "all", count(counts.All))
	for _, s := range shows {
		n := counts.Severity[s]
		if n == 0 {
			n = counts.Lists[s]
		}
		v.Choices = append(v.Choices, choice{s, v.T("Show." + s), n, f.shows(s)})
	}
	if v.Groups, err = store.Groups(ctx, maxGroups); err != nil {
		return nil, err
	}
	if f.Group != "" && !slices.Contains(v.Groups, f.Group) {
		v.Groups = append(v.Groups, f.Group)
	}
	if f.shows("urgent") || f.shows("repair") || f.shows("note") {
		v.ShowsWork = true
		q.After, q.Limit = f.After, pageRows
		rows, more, err := store.Rows(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, row := range rows {
			v.Rows = append(v.Rows, v.row(row))
		}
		if f.After != nil {
			v.First = f.path("/", nil)
		}
		if more {
			last := rows[len(rows)-1]
			v.Next = f.path("/", &Cursor{last.Rank, last.Unit})
		}
		parts, err := store.Parts(ctx, f.work(d))
		if err != nil {
			return nil, err
		}
		v.Parts, v.MoreParts = partsOf(v.To, parts, maxParts)
		n := 0
		for _, s := range []string{"urgent", "repair", "note"} {
			if f.shows(s) {
				n += counts.Severity[s]
			}
		}
		v.PartsTitle = v.N("PartsFor", n)
	}
	if err := d.besides(r, v, f, counts); err != nil {
		return nil, err
	}
	return v, nil
}

// besides fills in the lists beside that of work.
func (d *Desk) besides(r *http.Request, v *worklistView, f filter, counts Counts) error {
	of := func(list string, limit int) ([]Row, error) {
		q := RowsQuery{Now: d.opts.Now(), Lists: []string{list}, Group: f.Group, Search: f.Search, Limit: limit}
		rows, _, err := d.opts.Store.Rows(r.Context(), q)
		return rows, err
	}
	for _, list := range []string{worklist.ListSilent, worklist.ListVisit} {
		if !f.shows(list) || counts.Lists[list] == 0 {
			continue
		}
		rows, err := of(list, asideRows)
		if err != nil {
			return err
		}
		to := &v.Apart
		if list == worklist.ListVisit {
			to = &v.UnderWay
		}
		for _, row := range rows {
			*to = append(*to, v.apart(row))
		}
		if more := counts.Lists[list] - len(rows); more > 0 {
			*to = append(*to, apartView{"", "", v.T("Show."+list) + ": " + v.T("AndMore", "n", count(more))})
		}
	}
	if f.shows(worklist.ListSettled) {
		rows, err := of(worklist.ListSettled, pageRows)
		if err != nil {
			return err
		}
		for _, row := range rows {
			v.Settled = append(v.Settled, v.row(row))
		}
	}
	v.WellAll = counts.Lists[worklist.ListWell]
	limit := wellRows
	if f.shows(worklist.ListWell) {
		limit = 10 * wellRows
	}
	rows, err := of(worklist.ListWell, limit)
	if err != nil {
		return err
	}
	for _, row := range rows {
		v.Well = append(v.Well, row.Unit)
	}
	v.WellMore = max(0, v.WellAll-len(rows))
	return nil
}

func partsOf(to *words.Reader, parts []worklist.Part, most int) (out []partView, more int) {
	for i, p := range parts {
		if i == most {
			return out, len(parts) - most
		}
		out = append(out, partView{p.Words(to), p.Count})
	}
	return out, 0
}

// UnitPath returns the path of a unit's page.
func UnitPath(unit string) string { return "/units/" + url.PathEscape(unit) }

// row writes a row of the worklist.
func (v *view) row(row Row) rowView {
	out := rowView{
		Unit: row.Unit, Place: row.Place, Path: UnitPath(row.Unit), Word: v.W("Severity." + row.Severity), Class: classOf(row.Severity),
		Charge: figures.Unknown, Lifts: liftsOf(row.Row), ByWhen: "", Since: figures.Unknown,
	}
	if row.Name != "" {
		out.Headline, out.Next = worklist.Headline(v.To, row.Key, row.Title), worklist.Next(v.To, row.Name)
	} else if len(row.Settled) > 0 {
		out.Headline = worklist.Headline(v.To, row.Settled[0], row.Settled[0].Name)
	}
	if !row.Since.IsZero() {
		out.Since = brief(v.To, v.Now.Sub(row.Since))
	}
	if !row.ByWhen.IsZero() {
		day := strings.ReplaceAll(v.Day(row.ByWhen), "-", "\u2011") // it never breaks
		out.ByWhen, out.Overdue = v.T("ByWhen", "date", day), false
		if planned := row.Work.State == worklist.Planned && row.Work.Date >= v.Day(v.Now); row.ByWhen.Before(v.Now) && !planned {
			out.ByWhen, out.Overdue = v.T("Overdue", "date", day), true
		}
	}
	if row.ChargePct != nil {
		out.Charge = figures.Short(row.ChargePct, 0, false)
	}
	out.Notes = strings.Join(v.notes(row), "; ")
	var bring []string
	for _, p := range row.Parts {
		text := p.Words(v.To)
		if p.Count > 1 {
			text = strconv.Itoa(p.Count) + "\u00a0×\u00a0" + text
		}
		bring = append(bring, text)
	}
	out.Bring = strings.Join(bring, "; ")
	if text := v.asleep(row.AsleepUntil); text != "" && !row.Silent {
		out.Silent = text
	}
	if row.Silent {
		out.Silent = v.T("SilentFor", "time", v.Ago(row.HeardAt))
	}
	return out
}

// asleep says until when a board is switched off on purpose; empty: it is not.
func (v *view) asleep(until time.Time) string {
	switch {
	case until.IsZero():
		return ""
	case until.Equal(worklist.WokenByLine):
		return v.T("AsleepByLine")
	}
	return v.T("AsleepUntil", "time", v.Time(until))
}

// notes are what else there is to say of a row, in few words.
func (v *view) notes(row Row) (notes []string) {
	add := func(key string, pairs ...string) { notes = append(notes, v.T(key, pairs...)) }
	switch w := row.Work; w.State {
	case worklist.Assigned:
		add("NoteAssigned", "who", w.Who)
	case worklist.Planned:
		add("NotePlanned", "date", w.Date)
		if w.Who != "" {
			notes[len(notes)-1] += ", " + w.Who
		}
	}
	switch row.State {
	case "acknowledged":
		add("NoteAcknowledged")
	case "shelved":
		if row.ShelvedUntil != nil {
			add("NoteShelved", "date", v.Day(*row.ShelvedUntil))
		}
	case "out of service":
		add("NoteOut")
	}
	if row.ParkedUntil != "" {
		notes = append(notes, v.parked(row))
	}
	if len(row.Doubted) > 0 {
		notes = append(notes, v.N("NoteDoubted", len(row.Doubted)))
	}
	if n := len(row.Others); n > 0 {
		notes = append(notes, v.N("NoteOthers", n))
	}
	if n := len(row.Explained); n > 0 {
		notes = append(notes, v.N("NoteExplained", n))
	}
	return notes
}

// parked says until when a unit is parked, and why.
func (v *view) parked(row Row) string {
	text := v.T("NoteParked", "date", strings.ReplaceAll(row.ParkedUntil, "-", "\u2011"))
	if row.ParkedReason != "" {
		text += " (" + row.ParkedReason + ")"
	}
	return text
}

// apart writes a silent unit or a visit under way.
func (v *view) apart(row Row) apartView {
	out := apartView{Unit: row.Unit, Path: UnitPath(row.Unit)}
	var parts []string
	if row.Place != "" {
		out.Text = row.Place + ": "
	}
	switch {
	case row.Visit != nil:
		parts = append(parts, v.T("AtWork", "who", row.Visit.By, "time", v.Time(row.Visit.Since), "ends", v.Time(row.Visit.EndsAt())))
		if row.Name != "" {
			parts = append(parts, worklist.Headline(v.To, row.Key, row.Title))
		}
	case row.HeardAt.IsZero():
		parts = append(parts, v.T("NeverHeard"))
	default:
		parts = append(parts, v.T("NotHeard", "time", v.Ago(row.HeardAt), "at", v.Time(row.HeardAt)))
		if row.ChargePct != nil {
			parts = append(parts, v.T("ThenCharge", "pct", figures.Short(row.ChargePct, 0, false)))
		}
	}
	if row.Silent && row.Visit == nil {
		if row.ParkedUntil == "" {
			parts = append(parts, v.T("NotParked"))
		} else {
			parts = append(parts, v.parked(row))
		}
	}
	out.Text += strings.Join(parts, "; ") + "."
	return out
}

func classOf(severity string) string {
	switch severity {
	case "urgent":
		return "u"
	case "note":
		return "n"
	}
	return ""
}

func liftsOf(row worklist.Row) string {
	if row.LiftsLow == nil || row.LiftsHigh == nil {
		return figures.Unknown
	}
	low, high := figures.Number(*row.LiftsLow, 0), figures.Number(*row.LiftsHigh, 0)
	if low == high {
		return low
	}
	return low + "–" + high
}

type partsView struct {
	view
	Groups   []string
	Group    string
	Parts    []partView
	Services []rowView
	Heading  string
}

func (partsView) followed() {}

// partsPage adds up what to bring, by group, and lists the services that are due.
func (d *Desk) partsPage(w http.ResponseWriter, r *http.Request, by who) {
	f := filterOf(r.URL.Query())
	v := &partsView{view: d.viewOf(r, by), Group: f.Group}
	q := RowsQuery{Now: d.opts.Now(), Lists: []string{worklist.ListWork}, Group: f.Group}
	ctx, store := r.Context(), d.opts.Store
	parts, err1 := store.Parts(ctx, q)
	groups, err2 := store.Groups(ctx, maxGroups)
	counts, err3 := store.Counts(ctx, q)
	if err := cmp.Or(err1, err2, err3); err != nil {
		d.broken(w, r, err)
		return
	}
	v.Groups = groups
	v.Heading = v.N("PartsFor", counts.Lists[worklist.ListWork])
	v.Parts, _ = partsOf(v.To, parts, len(parts))
	q.Finding, q.Limit = "service-due", pageRows
	rows, _, err := store.Rows(ctx, q)
	if err != nil {
		d.broken(w, r, err)
		return
	}
	for _, row := range rows {
		v.Services = append(v.Services, v.row(row))
	}
	d.show(w, r, http.StatusOK, "parts", "Parts", v)
}

type visitsView struct {
	view
	Visits []visitLine
	Next   string
}

type visitLine struct {
	Unit, UnitPath, Path, When, By, Place string
	Attention, Remaining                  int
	Work                                  []string
}

const pageVisits = 50

// visitsPage lists the fleet's visits, newest first.
func (d *Desk) visitsPage(w http.ResponseWriter, r *http.Request, by who) {
	before, _ := strconv.ParseInt(r.URL.Query().Get("before"), 10, 64)
	records, err := d.opts.Store.Records(r.Context(), "", "visits", max(before, 0), pageVisits)
	if err != nil {
		d.broken(w, r, err)
		return
	}
	v := &visitsView{view: d.viewOf(r, by)}
	for i := range records {
		v.Visits = append(v.Visits, v.visitLine(&records[i]))
	}
	if len(records) == pageVisits {
		v.Next = "/visits?before=" + strconv.FormatInt(records[len(records)-1].ID, 10)
	}
	d.show(w, r, http.StatusOK, "visits", "Visits", v)
}
