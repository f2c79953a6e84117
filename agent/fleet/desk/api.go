package desk

import (
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// Schemas name the layouts of answers. Fields are only ever added within a version.
const (
	WorklistSchema = "liftbank.fleet.worklist.v1"
	UnitsSchema    = "liftbank.fleet.units.v1"
	UnitSchema     = "liftbank.fleet.unit.v1"
)

// WorklistAnswer is a page of the worklist.
type WorklistAnswer struct {
	Schema string      `json:"schema"`
	At     time.Time   `json:"at"`
	Counts Counts      `json:"counts"`
	Rows   []WorkRow   `json:"rows"`
	Parts  []PartCount `json:"parts"` // of all units with something to do that the query lets pass
	Next   string      `json:"next"`  // path of the next page; empty: there is none
}

// WorkRow is what the worklist says of a unit.
type WorkRow struct {
	Unit      string       `json:"unit"`
	Place     string       `json:"place"`
	Group     string       `json:"group"`
	List      string       `json:"list"`     // work, visit, silent, settled or well
	Rank      int64        `json:"rank"`     // the smallest is first
	Severity  string       `json:"severity"` // note, repair, urgent; empty: nothing to do
	Finding   string       `json:"finding"`  // that is the headline; empty: none
	Subject   string       `json:"subject"`
	Headline  string       `json:"headline"`  // in English
	NextStep  string       `json:"next_step"` // in English
	State     string       `json:"state"`     // of the finding, by ISA-18.2 / IEC 62682
	Since     *time.Time   `json:"since"`     // null: not known
	ByWhen    *time.Time   `json:"by_when"`   // null: at the next visit
	ChargePct *float64     `json:"charge_pct"`
	LiftsLow  *float64     `json:"lifts_left_low"`
	LiftsHigh *float64     `json:"lifts_left_high"`
	Parts     []PartCount  `json:"parts"`
	Work      WorkState    `json:"work"`
	Others    []FindingKey `json:"others"`    // more to do there
	Explained []FindingKey `json:"explained"` // by one of those
	Doubted   []FindingKey `json:"doubted"`   // can't be judged now
	Settled   []FindingKey `json:"settled"`   // done or dismissed, and still active
	Doubt     string       `json:"doubt"`     // the finding that makes charge and lifts unsure; empty: none
	Silent    bool         `json:"silent"`
	Announced bool         `json:"announced"` // silent, and parked
	// Until this day, YYYY-MM-DD, it is parked, the last included; empty: it isn't.
	ParkedUntil string         `json:"parked_until"`
	HeardAt     *time.Time     `json:"heard_at"` // when the last record was received; null: never
	Visit       *VisitUnderWay `json:"visit"`    // null: none
}

// FindingKey names a finding of a unit.
type FindingKey struct {
	Finding string `json:"finding"`
	Subject string `json:"subject"`
}

// PartCount is something to bring, and how many.
type PartCount struct {
	Part      string  `json:"part"`
	Chemistry string  `json:"chemistry"` // of a battery; empty: not known
	RatedAh   float64 `json:"rated_ah"`  // of a battery; 0: not known
	RatedCCA  float64 `json:"rated_cca_a"`
	Count     int     `json:"count"`
}

// WorkState is how far the work on a finding is.
type WorkState struct {
	Finding string     `json:"finding"`
	Subject string     `json:"subject"`
	State   string     `json:"state"` // open, assigned, planned, done or dismissed
	Who     string     `json:"who"`
	Date    string     `json:"date"` // planned for, YYYY-MM-DD
	Reason  string     `json:"reason"`
	By      string     `json:"by"` // empty: the fleet itself
	At      *time.Time `json:"at"`
	Visit   string     `json:"visit"` // whose record closed it
}

// VisitUnderWay is a visit that has not ended.
type VisitUnderWay struct {
	By    string    `json:"by"`
	Since time.Time `json:"since"`
	Ends  time.Time `json:"ends"` // by itself, if nobody ends it before
	Kind  string    `json:"kind"` // visit or switch: how it was begun
}

// UnitsAnswer is a page of all units.
type UnitsAnswer struct {
	Schema string    `json:"schema"`
	At     time.Time `json:"at"`
	Counts Counts    `json:"counts"`
	Units  []WorkRow `json:"units"`
	Next   string    `json:"next"` // path of the next page; empty: there is none
}

// UnitAnswer is all that the desk shows of a unit.
type UnitAnswer struct {
	Schema     string             `json:"schema"`
	At         time.Time          `json:"at"`
	Data       Data               `json:"data"`
	ParkedBy   string             `json:"parked_by"` // who said that it is parked; empty: nobody
	Row        WorkRow            `json:"row"`
	Snapshot   *snapshot.Snapshot `json:"snapshot"`
	ReceivedAt *time.Time         `json:"received_at"` // of the snapshot
	Findings   []snapshot.Finding `json:"findings"`    // that stand
	Work       []WorkState        `json:"work"`
	Status     string             `json:"status"` // online, offline, stalled, saving, asleep, lost; empty: never said
	// of asleep: when it is back; the year 9999: when the wake line comes on
	AsleepUntil *time.Time    `json:"asleep_until,omitempty"`
	StatusAt    *time.Time    `json:"status_at"`
	Streams     []Stream      `json:"streams"`
	ClockOffS   *float64      `json:"clock_off_s"` // unit's clock less the collector's
	Visits      []visit.Visit `json:"visits"`      // the last, newest first
}

const apiVisits = 10

func maybeTime(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

func apiKeys(keys []worklist.Key) []FindingKey {
	out := make([]FindingKey, len(keys))
	for i, k := range keys {
		out[i] = FindingKey{k.Name, k.Subject}
	}
	return out
}

func apiParts(parts []worklist.Part) []PartCount {
	out := make([]PartCount, len(parts))
	for i, p := range parts {
		out[i] = PartCount{p.Kind, p.Chemistry, p.RatedAh, p.RatedCCA, p.Count}
	}
	return out
}

func apiWork(w worklist.Work) WorkState {
	if w.State == "" {
		w.State = worklist.Open
	}
	return WorkState{w.Name, w.Subject, string(w.State), w.Who, w.Date, w.Reason, w.By, maybeTime(w.At), w.Visit}
}

func apiRow(r Row) WorkRow {
	english := words.Readers[0]
	out := WorkRow{
		Unit: r.Unit, Place: r.Place, Group: r.Group, List: r.List, Rank: r.Rank, Severity: r.Severity, Finding: r.Name, Subject: r.Subject,
		State: r.State, Since: maybeTime(r.Since), ByWhen: maybeTime(r.ByWhen), ChargePct: r.ChargePct, LiftsLow: r.LiftsLow,
		LiftsHigh: r.LiftsHigh, Parts: apiParts(r.Parts), Work: apiWork(r.Work), Others: apiKeys(r.Others), Explained: apiKeys(r.Explained),
		Doubted: apiKeys(r.Doubted), Settled: apiKeys(r.Settled), Doubt: r.Doubt, Silent: r.Silent, Announced: r.Announced, ParkedUntil: r.ParkedUntil,
		HeardAt: maybeTime(r.HeardAt),
	}
	if r.Name != "" {
		out.Headline, out.NextStep = worklist.Headline(english, r.Key, r.Title), worklist.Next(english, r.Name)
	}
	if r.Visit != nil {
		out.Visit = &VisitUnderWay{r.Visit.By, r.Visit.Since.UTC(), r.Visit.EndsAt().UTC(), cmp.Or(r.Visit.Kind, "visit")}
	}
	return out
}

// limitOf reads how many rows a program wants.
func limitOf(q url.Values) int {
	n, err := strconv.Atoi(q.Get("limit"))
	if err != nil || n < 1 {
		return apiRows
	}
	return min(n, maxAPIRows)
}

// apiPage returns rows, and the path of those after them.
func (d *Desk) apiPage(r *http.Request, base string, f filter, q RowsQuery) (rows []WorkRow, next string, err error) {
	q.After, q.Limit = f.After, limitOf(r.URL.Query())
	got, more, err := d.opts.Store.Rows(r.Context(), q)
	if err != nil {
		return nil, "", err
	}
	rows = make([]WorkRow, len(got))
	for i, row := range got {
		rows[i] = apiRow(row)
	}
	if more {
		v := f.values()
		last := got[len(got)-1]
		v.Set("after", strconv.FormatInt(last.Rank, 10)+"."+last.Unit)
		v.Set("limit", strconv.Itoa(q.Limit))
		next = base + "?" + v.Encode()
	}
	return rows, next, nil
}

// apiWorklist answers with the units of the lists that are asked for; without a question, those with
// something to do.
func (d *Desk) apiWorklist(w http.ResponseWriter, r *http.Request, _ who) {
	f := filterOf(r.URL.Query())
	q := f.work(d)
	if r.URL.Query().Has("show") {
		q.Lists = nil
		if len(q.Severities) > 0 || f.shows("urgent") {
			q.Lists = append(q.Lists, worklist.ListWork)
		}
		for _, list := range []string{worklist.ListVisit, worklist.ListSilent, worklist.ListSettled, worklist.ListWell} {
			if f.shows(list) {
				q.Lists = append(q.Lists, list)
			}
		}
	}
	a := WorklistAnswer{Schema: WorklistSchema, At: d.opts.Now().UTC()}
	var err error
	if a.Counts, err = d.opts.Store.Counts(r.Context(), q); err == nil {
		a.Rows, a.Next, err = d.apiPage(r, "/api/v1/worklist", f, q)
	}
	var parts []worklist.Part
	if err == nil && slices.Contains(q.Lists, worklist.ListWork) {
		p := q
		p.Lists = []string{worklist.ListWork}
		parts, err = d.opts.Store.Parts(r.Context(), p)
	}
	if err != nil {
		d.broken(w, r, err)
		return
	}
	a.Parts = apiParts(parts)
	d.sendJSON(w, r, http.StatusOK, a)
}

func (d *Desk) apiUnits(w http.ResponseWriter, r *http.Request, _ who) {
	f := filterOf(r.URL.Query())
	f.Show = shownAtFirst
	q := RowsQuery{Now: d.opts.Now(), Group: f.Group, Search: f.Search}
	a := UnitsAnswer{Schema: UnitsSchema, At: d.opts.Now().UTC()}
	var err error
	if a.Counts, err = d.opts.Store.Counts(r.Context(), q); err == nil {
		a.Units, a.Next, err = d.apiPage(r, "/api/v1/units", f, q)
	}
	if err != nil {
		d.broken(w, r, err)
		return
	}
	d.sendJSON(w, r, http.StatusOK, a)
}

func (d *Desk) apiUnit(w http.ResponseWriter, r *http.Request, _ who) {
	ctx := r.Context()
	u, err := d.opts.Store.Unit(ctx, r.PathValue("unit"))
	if errors.Is(err, ErrUnknown) {
		d.fail(w, r, http.StatusNotFound, d.text(words.Of(r), "NoUnit"))
		return
	}
	var visits []Record
	if err == nil {
		visits, err = d.opts.Store.Records(ctx, u.Unit, "visits", 0, apiVisits)
	}
	if err != nil {
		d.broken(w, r, err)
		return
	}
	a := UnitAnswer{
		Schema: UnitSchema, At: d.opts.Now().UTC(), Data: u.Data, ParkedBy: u.ParkedBy, Row: apiRow(u.Row), Snapshot: u.Snapshot,
		ReceivedAt: maybeTime(u.ReceivedAt), Findings: append([]snapshot.Finding{}, u.Findings...), Work: []WorkState{}, Status: u.Status, AsleepUntil: maybeTime(u.AsleepUntil),
		StatusAt: maybeTime(u.StatusAt), Streams: append([]Stream{}, u.Streams...), ClockOffS: u.ClockOffS, Visits: []visit.Visit{},
	}
	for _, x := range u.Work {
		a.Work = append(a.Work, apiWork(x))
	}
	for i := range visits {
		var m struct {
			Visit visit.Visit `json:"visit"`
		}
		if json.Unmarshal(visits[i].Body, &m) == nil {
			a.Visits = append(a.Visits, m.Visit)
		}
	}
	d.sendJSON(w, r, http.StatusOK, a)
}
