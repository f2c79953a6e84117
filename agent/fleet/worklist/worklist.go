// Package worklist says what to do at a unit: which finding comes first, since when and by when, what
// to bring, and how far the work on it is. It is pure: the time is passed in, and the same input gives
// the same row.
package worklist

import (
	"cmp"
	"math"
	"slices"
	"time"

	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
)

// Key identifies a finding of a unit.
type Key struct {
	Name    string `json:"finding"`
	Subject string `json:"subject,omitempty"`
}

// KeyOf returns the key of a finding.
func KeyOf(f *snapshot.Finding) Key { return Key{f.Name, f.Subject} }

// Unit is all that a row is made from.
type Unit struct {
	ID       string
	Snapshot *snapshot.Snapshot // the last one; nil before the first
	// Findings are those that stand, by the last message of each. A finding that is not active is of no
	// consequence here.
	Findings []snapshot.Finding
	Work     []Work    // states of work, at most one for each finding
	HeardAt  time.Time // when the last record was received; zero: never
	// QuietUntil is until when silence was announced: a trailer parked without network. Zero: it was not.
	QuietUntil time.Time
	Visit      *OpenVisit // a visit, or other work, under way; nil: none
}

// OpenVisit is a visit under way, or work that the switch on the unit's page began.
type OpenVisit struct {
	By    string    `json:"by"`
	Since time.Time `json:"since"`
	Ends  time.Time `json:"ends,omitzero"`  // by itself, if nobody ends it before
	Kind  string    `json:"kind,omitempty"` // visit or switch
}

// VisitOf returns the work under way that a snapshot heard at this time tells of, nil for none. Times by
// a clock that is not set, or ahead, are put right by that.
func VisitOf(s *snapshot.Snapshot, heard time.Time) *OpenVisit {
	if s == nil || s.Work == nil {
		return nil
	}
	v := &OpenVisit{By: s.Work.By, Since: s.Work.Since, Ends: s.Work.Ends, Kind: s.Work.Kind}
	if !s.ClockTrusted || s.At.Sub(heard) > clockLimit {
		by := heard.Sub(s.At)
		v.Since, v.Ends = v.Since.Add(by), v.Ends.Add(by)
	}
	return v
}

const clockLimit = 5 * time.Minute // ahead, and a clock is wrong; our choice

// EndsAt returns when it no longer counts as under way, whether anything is heard of its end or not.
func (v *OpenVisit) EndsAt() time.Time {
	if last := v.Since.Add(maxVisit); v.Ends.After(last) { // a clock far off, or a unit that says what can't be
		return last
	}
	if v.Ends.IsZero() {
		return v.Since.Add(VisitLasts)
	}
	return v.Ends
}

// maxVisit bounds how long work may hold a unit's alerts back: a unit lets it go on for a day at the
// most, and a switch's may be taken over by a visit.
const maxVisit = 48 * time.Hour

// SilentAfter is how long a unit may send no record before it counts as silent. A unit with network
// sends its minutes every hour and a snapshot every six; a day without any is silence; our choice.
const SilentAfter = 24 * time.Hour

// VisitLasts is how long a visit of which no end is known counts as under way; our choice.
const VisitLasts = 4 * time.Hour

// Lists of the worklist. A unit is in one of them.
const (
	ListWork    = "work"    // something is to be done
	ListVisit   = "visit"   // somebody is there now
	ListSilent  = "silent"  // nothing heard, and nothing to be done when last heard
	ListSettled = "settled" // all that stands was done or dismissed
	ListWell    = "well"    // nothing wrong found
)

// Lists are all lists in the order of the page.
var Lists = []string{ListWork, ListVisit, ListSilent, ListSettled, ListWell}

// Row is what the worklist says of a unit.
type Row struct {
	Unit string `json:"unit"`
	List string `json:"list"`
	// Rank orders rows: the smallest is first. It holds without the time of day, so that it can be
	// stored. Rows of equal rank are ordered by unit.
	Rank     int64  `json:"rank"`
	Severity string `json:"severity,omitempty"` // the worst of the headline and what it explains
	Key             // of the finding that is the headline; empty for none
	Title    string `json:"title,omitempty"` // in English, as the unit said it
	// State of the headline by ISA-18.2 / IEC 62682.
	State        string     `json:"state,omitempty"`
	ShelvedUntil *time.Time `json:"shelved_until,omitempty"`
	Since        time.Time  `json:"since,omitzero"`
	ByWhen       time.Time  `json:"by_when,omitzero"` // zero: at the next visit
	ChargePct    *float64   `json:"charge_pct"`       // null: not known, or not to be believed
	LiftsLow     *float64   `json:"lifts_left_low"`   // twice the uncertainty below and above the estimate
	LiftsHigh    *float64   `json:"lifts_left_high"`
	Parts        []Part     `json:"parts"`
	Work         Work       `json:"work"`
	Others       []Key      `json:"others"`    // more to do there, in order
	Explained    []Key      `json:"explained"` // by one of those
	Doubted      []Key      `json:"doubted"`   // can't be judged now
	Settled      []Key      `json:"settled"`   // done or dismissed, and still active
	Doubt        string     `json:"doubt,omitempty"`
	Silent       bool       `json:"silent"`
	Announced    bool       `json:"announced"` // the silence was announced
	HeardAt      time.Time  `json:"heard_at,omitzero"`
	// until when its board is switched off on purpose, as it said itself; zero: it is not; the year 9999: until
	// the wake line comes on
	AsleepUntil time.Time  `json:"asleep_until,omitzero"`
	Visit       *OpenVisit `json:"visit,omitempty"`
}

// order is what threatens the lift first. Danger to people and batteries comes before a lift that does
// not work, that before one that soon will not, that before what wears it, and that before what only
// the record needs; our choice.
var order = []string{
	// danger
	"motor-stuck", "series-wired", "parallel-wired", "reversed", "near-reversal", "feed-mismatch", "feed-high", "freeze-risk", "hot",
	// the lift does not work
	"control-dead", "motor-dead", "bank-flat", "battery-failed",
	// soon it will not: charge does not come, or is lost
	"feed-lost", "balance-negative", "wake-missing", "feed-weak", "bank-undercharged", "bank-low", "feed-low",
	"parked-drain",
	// it works worse
	"link-resistive", "motor-drop", "battery-tired", "blocks-unequal", "circulating", "motor-starved", "motor-hungry", "relief-off",
	"motor-overrun",
	// the rest
	"sense-fault", "middle-tap-open", "service-due", "indicator-dead", "share-uneven", "label-mismatch", "clock-unsure",
}

var place = func() map[string]int {
	m := map[string]int{}
	for i, name := range order {
		m[name] = i
	}
	return m
}()

// placeOf returns the place of a finding in order; one of a newer agent comes last.
func placeOf(name string) int {
	if p, ok := place[name]; ok {
		return p
	}
	return len(order)
}

// Places in the order of severities and of what lowers a finding within its severity.
const (
	urgent = iota
	repair
	note
)

const (
	fresh = iota
	known // acknowledged, or somebody has taken it on
	unjudged
	shelved
	outOfService
)

func severityOf(s string) int {
	switch s {
	case "urgent":
		return urgent
	case "note":
		return note
	}
	return repair // one of a newer agent, too: neither overlooked nor shouted
}

var severityNames = []string{"urgent", "repair", "note"}

// item is one finding to rank, with those that it explains.
type item struct {
	f         *snapshot.Finding
	work      Work
	severity  int
	lowered   int
	place     int
	since     time.Time
	explained []Key
	doubted   bool
}

// Of returns a unit's row.
func Of(u Unit, now time.Time) Row {
	r := Row{
		Unit: u.ID, Parts: []Part{}, Others: []Key{}, Explained: []Key{}, Doubted: []Key{}, Settled: []Key{},
		HeardAt: u.HeardAt, Work: Work{State: Open},
	}
	items := rank(u, now)
	var todo, doubted []item
	bring := shopping{}
	for _, it := range items {
		r.Explained = append(r.Explained, it.explained...)
		switch {
		case it.work.State.Settled():
			r.Settled = append(r.Settled, KeyOf(it.f))
		case it.doubted:
			r.Doubted = append(r.Doubted, KeyOf(it.f))
			doubted = append(doubted, it)
		default:
			todo = append(todo, it)
			if it.lowered != outOfService {
				bring.add(it.f, u.Snapshot)
			}
		}
	}
	r.Parts = bring.list()
	if len(todo) == 0 { // it stood before it could not be judged any more
		todo = doubted[:min(len(doubted), 1)]
	}
	for i, it := range todo {
		if i == 0 {
			r.head(it)
		} else {
			r.Others = append(r.Others, KeyOf(it.f))
		}
	}
	r.figures(u)
	r.list(u, now, len(todo) > 0)
	return r
}

// rank returns the findings of a unit that stand by themselves, in order.
func rank(u Unit, now time.Time) []item {
	active := map[Key]*snapshot.Finding{}
	var keys []Key
	for i := range u.Findings {
		f := &u.Findings[i]
		if !f.Active {
			continue
		}
		k := KeyOf(f)
		if _, twice := active[k]; !twice {
			keys = append(keys, k)
		}
		active[k] = f
	}
	work := map[Key]Work{}
	for _, w := range u.Work {
		work[w.Key] = w
	}
	under := map[Key][]Key{}
	var roots []Key
	for _, k := range keys {
		if root := rootOf(k, active); root != k {
			under[root] = append(under[root], k)
		} else {
			roots = append(roots, k)
		}
	}
	blame := blameOf(active, keys, u.Snapshot)
	var items []item
	for _, k := range roots {
		f := active[k]
		w, ok := work[k]
		if !ok {
			w = Work{Key: k, State: Open}
		}
		it := item{
			f: f, work: w, severity: severityOf(f.Severity), place: placeOf(f.Name), since: SinceOf(f),
			lowered: loweredOf(f, w, now), explained: under[k],
		}
		it.doubted = f.Because != nil || blame.covers(f)
		if it.doubted {
			it.lowered = max(it.lowered, unjudged)
		}
		for _, e := range under[k] { // a flat bank is urgent, whatever weak feed explains it
			if x := active[e]; x.Because == nil && !blame.covers(x) && x.State != "shelved" && x.State != "out of service" {
				it.severity = min(it.severity, severityOf(x.Severity))
				it.place = min(it.place, placeOf(x.Name))
			}
		}
		items = append(items, it)
	}
	slices.SortStableFunc(items, func(a, b item) int {
		return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(a.f.Name, b.f.Name), cmp.Compare(a.f.Subject, b.f.Subject))
	})
	return items
}

// SinceOf returns since when a finding has stood; zero where no clock can have said so.
func SinceOf(f *snapshot.Finding) time.Time {
	since := f.Since
	if f.RaisedAt != nil && !f.RaisedAt.IsZero() {
		since = *f.RaisedAt
	}
	if s := since.Unix(); s < 0 || s >= maxSince {
		return time.Time{}
	}
	return since
}

const maxSince = 1 << 34 // s since 1970, in the year 2514; what a rank has room for

// rootOf follows what explains a finding to where that ends. Where it goes round in a circle, or to a
// finding that does not stand, nothing explains it: better a row too many than none.
func rootOf(k Key, active map[Key]*snapshot.Finding) Key {
	at := k
	for range len(active) {
		f := active[at]
		next := Key{f.CausedBy, f.CausedByOf}
		if f.CausedBy == "" || active[next] == nil {
			return at
		}
		at = next
	}
	return k
}

func loweredOf(f *snapshot.Finding, w Work, now time.Time) int {
	switch {
	case f.State == "out of service":
		return outOfService
	case f.State == "shelved" && (f.ShelvedUntil == nil || f.ShelvedUntil.After(now)):
		return shelved
	case f.State == "acknowledged", w.State == Assigned, w.State == Planned:
		return known
	}
	return fresh
}

// rank packs the order of rows into one number: list, severity, what threatens the lift, what lowers
// it, age. Lowered findings come after all others of their severity.
func (it item) rank() int64 {
	age := max(it.since.Unix(), 0) // one of unknown age first
	return int64(it.severity)<<44 | int64(it.lowered)<<41 | int64(min(it.place, 63))<<34 | age
}

// wellRank comes after all ranks of findings.
const wellRank = int64(3) << 44

func (r *Row) head(it item) {
	r.Rank, r.Severity, r.Key, r.Title, r.State = it.rank(), severityNames[it.severity], KeyOf(it.f), it.f.Title, it.f.State
	r.ShelvedUntil, r.Since, r.Work = it.f.ShelvedUntil, it.since, it.work
	r.ByWhen = byWhen(it)
}

// Spans until something should be done, by severity; our choice. A note waits for the next visit.
const (
	urgentWithin = 24 * time.Hour
	repairWithin = 14 * 24 * time.Hour
)

// byWhen returns by when something should be done: as the finding forecasts, or by its severity.
func byWhen(it item) time.Time {
	if it.since.IsZero() || it.severity == note {
		return time.Time{}
	}
	by := it.since.Add(repairWithin)
	if it.severity == urgent {
		by = it.since.Add(urgentWithin)
	}
	for _, e := range it.f.Evidence {
		if e.What.ID == untilServiceVoltage && e.Value >= 0 && e.Value < 1000 {
			if day := e.At.Add(time.Duration(e.Value * 24 * float64(time.Hour))); day.Before(by) {
				by = day
			}
		}
	}
	return by
}

const untilServiceVoltage = "evidence.until-service-voltage" // of balance-negative, in days

// figures fills in charge and lifts left where they can be believed.
func (r *Row) figures(u Unit) {
	active := map[Key]*snapshot.Finding{}
	var keys []Key
	for i := range u.Findings {
		if f := &u.Findings[i]; f.Active {
			active[KeyOf(f)] = f
			keys = append(keys, KeyOf(f))
		}
	}
	r.Doubt = blameOf(active, keys, u.Snapshot).word()
	if u.Snapshot == nil || r.Doubt != "" {
		return
	}
	r.ChargePct = known01(u.Snapshot.Bank.SoCPct.Value)
	lifts := u.Snapshot.Bank.LiftsLeft
	if v := known01(lifts.Value); v != nil {
		sigma := 0.0
		if s := known01(lifts.Sigma); s != nil {
			sigma = *s
		}
		low, high := roundLifts(max(0, *v-2*sigma), math.Floor), roundLifts(*v+2*sigma, math.Ceil)
		r.LiftsLow, r.LiftsHigh = &low, &high
	}
}

// known01 returns a figure that is one: not negative, not infinite.
func known01(v *float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) || *v < 0 {
		return nil
	}
	return v
}

// roundLifts rounds a number of lifts outward to a step that does it justice.
func roundLifts(v float64, round func(float64) float64) float64 {
	step := 1.0
	switch {
	case v >= 100:
		step = 10
	case v >= 20:
		step = 5
	}
	return round(v/step) * step
}

// Age notes what comes with time alone: whether somebody still works there, whether the unit is silent
// now, and whether that was announced.
func (r *Row) Age(heard, quietUntil, now time.Time) {
	said := heard
	if r.AsleepUntil.After(said) {
		said = r.AsleepUntil
	}
	r.HeardAt, r.Silent = heard, SilentAt(said, now)
	r.Announced = r.Silent && quietUntil.After(now)
	if r.Visit != nil && !r.Visit.EndsAt().After(now) {
		r.Visit = nil
	}
	r.List = r.Besides()
	switch {
	case r.Visit != nil:
		r.List = ListVisit
	case r.Silent && r.List != ListWork:
		r.List = ListSilent
	}
}

// Besides returns the list of a unit that is heard and at which nobody works.
func (r *Row) Besides() string {
	switch {
	case r.Name != "":
		return ListWork
	case len(r.Settled) > 0:
		return ListSettled
	}
	return ListWell
}

func (r *Row) list(u Unit, now time.Time, todo bool) {
	r.Visit = u.Visit
	if !todo {
		r.Rank = wellRank
	}
	r.Age(u.HeardAt, u.QuietUntil, now)
}

// WokenByLine is Row.AsleepUntil where only the wake line wakes the board.
var WokenByLine = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// SilentAt reports whether a unit whose last record came at heard is silent; one never heard is.
func SilentAt(heard, now time.Time) bool { return heard.IsZero() || now.Sub(heard) >= SilentAfter }

// DoubtedBatteries returns the batteries whose figures are not to be believed: all under a wrong wiring,
// or else those with a faulty sensor.
func DoubtedBatteries(findings []snapshot.Finding, s *snapshot.Snapshot) map[string]bool {
	active := map[Key]*snapshot.Finding{}
	var keys []Key
	for i := range findings {
		if f := &findings[i]; f.Active {
			active[KeyOf(f)] = f
			keys = append(keys, KeyOf(f))
		}
	}
	b := blameOf(active, keys, s)
	if b.wiring != "" && s != nil {
		for i := range s.Batteries {
			b.batteries[s.Batteries[i].ID] = true
		}
	}
	return b.batteries
}

// blame is what makes figures of the bank untrue.
type blame struct {
	wiring    string          // series-wired, parallel-wired or reversed
	sensors   bool            // a battery's voltage or current is in doubt
	batteries map[string]bool // of which
}

// needsBank are the findings about the whole unit that rest on figures of the bank.
var needsBank = []string{
	"balance-negative", "bank-flat", "bank-low", "bank-undercharged", "circulating", "feed-low", "feed-weak",
	"parked-drain", "motor-drop", "motor-hungry", "motor-starved", "label-mismatch", "share-uneven",
}

func blameOf(active map[Key]*snapshot.Finding, keys []Key, s *snapshot.Snapshot) blame {
	b := blame{batteries: map[string]bool{}}
	for _, k := range keys {
		if f := active[k]; f.Because != nil {
			continue
		}
		switch k.Name {
		case "series-wired", "parallel-wired", "reversed":
			if b.wiring == "" || placeOf(k.Name) < placeOf(b.wiring) {
				b.wiring = k.Name
			}
		case "sense-fault":
			if id := batteryOfChannel(k.Subject); id != "" {
				b.doubt(id, s)
			}
		case middleTap:
			b.doubt(k.Subject, s)
		}
	}
	return b
}

const middleTap = "middle-tap-open" // of the battery below the middle

// doubt takes a battery for one whose figures are not to be believed, and with it the other of its string:
// it stands on its tap, or has the same current.
func (b *blame) doubt(id string, s *snapshot.Snapshot) {
	b.sensors, b.batteries[id] = true, true
	if s == nil {
		return
	}
	for i := range s.Strings {
		if st := &s.Strings[i]; st.From == id || st.To == id {
			b.batteries[st.From], b.batteries[st.To] = true, true
		}
	}
}

func (b blame) word() string {
	switch {
	case b.wiring != "":
		return b.wiring
	case b.sensors:
		return "sense-fault"
	}
	return ""
}

// covers reports whether a finding rests on what is not to be believed.
func (b blame) covers(f *snapshot.Finding) bool {
	switch f.Name {
	case "series-wired", "parallel-wired", "reversed", "feed-mismatch", "sense-fault", middleTap:
		return false
	}
	if b.wiring != "" {
		if d := detect.Lookup(f.Name); d != nil && (d.About.String() == "battery" || d.About.String() == "joint") {
			return f.Name != "hot" // a thermometer needs no wiring
		}
		return slices.Contains(needsBank, f.Name)
	}
	return b.batteries[f.Subject] && f.Name != "hot"
}
