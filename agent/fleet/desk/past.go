package desk

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// Past is what is stored of a unit's past.
type Past struct {
	Days   []db.Day    // in order, with one before the time asked for where there is any
	Alarms []db.Alarm  // that stood in the time, oldest first
	Hours  []Hour      // the bank's charge, of the last month only
	Runs   []time.Time // ends of motor runs, oldest first; of a week only
}

// Hour is the bank's charge in an hour, in %.
type Hour struct {
	At              time.Time
	Mean, Low, High float64
}

// spans are those of a unit's past that can be chosen.
var spans = []spanChoice{{"week", 7}, {"month", 30}, {"quarter", 91}, {"year", 365}}

type spanChoice struct {
	Name string
	Days int
}

const (
	firstSpan    = "quarter"
	summedDays   = 30 // of the sums beside the charts
	hoursKept    = 31 * 24
	mostAlarms   = 400
	mostRunTimes = 1000
	baselineDays = 14 // how far before its first day a sum looks for what was counted until then
	dayLong      = 24 * time.Hour
)

// pastOf reads the past of a unit in the store of a database.
func (s dbStore) Past(ctx context.Context, unit string, from, to time.Time) (*Past, error) {
	day := from.UTC().Truncate(dayLong)
	days, err := s.db.Days(ctx, unit, day.Add(-baselineDays*dayLong))
	if err != nil {
		return nil, err
	}
	p := &Past{Days: days}
	if first := slices.IndexFunc(days, func(d db.Day) bool { return !d.Day.Before(day) }); first != 0 {
		if first < 0 {
			first = len(days)
		}
		p.Days = days[max(first-1, 0):]
	}
	if p.Alarms, err = s.db.UnitAlarms(ctx, unit, from, to, mostAlarms); err != nil {
		return nil, err
	}
	span := to.Sub(from)
	if span <= hoursKept*time.Hour {
		if p.Hours, err = s.hours.of(ctx, s.db, unit, from, to); err != nil {
			return nil, err
		}
	}
	if span <= 8*dayLong {
		if p.Runs, err = s.db.RunTimes(ctx, unit, from, mostRunTimes); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// hourBooks keeps the hours of units whose pages are looked at: a month of batches takes longer to read
// than all else of a page, and only the last change.
type hourBooks struct {
	mu    sync.Mutex
	units map[string]*hourBook
}

type hourBook struct {
	used time.Time // under the lock of hourBooks

	mu   sync.Mutex
	last int64 // number of the newest record in it
	bins map[int64]*hourSum
}

type hourSum struct {
	sum, low, high float64
	n              int
}

const mostBooks = 64

func newHourBooks() *hourBooks { return &hourBooks{units: map[string]*hourBook{}} }

// book returns a unit's book; of too many the one that was asked for longest ago goes.
func (h *hourBooks) book(unit string, now time.Time) *hourBook {
	h.mu.Lock()
	defer h.mu.Unlock()
	b := h.units[unit]
	if b == nil {
		if len(h.units) >= mostBooks {
			oldest := ""
			for name, x := range h.units {
				if oldest == "" || x.used.Before(h.units[oldest].used) {
					oldest = name
				}
			}
			delete(h.units, oldest)
		}
		b = &hourBook{bins: map[int64]*hourSum{}}
		h.units[unit] = b
	}
	b.used = now
	return b
}

// of returns the hours of a time, after reading what has come in since the last look.
func (h *hourBooks) of(ctx context.Context, d *db.DB, unit string, from, to time.Time) ([]Hour, error) {
	b := h.book(unit, to)
	b.mu.Lock()
	defer b.mu.Unlock()
	oldest := to.Add(-hoursKept * time.Hour)
	const most = 4 * hoursKept // a batch is an hour or less
	got, err := d.UnitRecordsSince(ctx, unit, wire.Readings, oldest, b.last, most)
	if err != nil {
		return nil, err
	}
	for i := range got {
		b.add(got[i].Body, got[i].ReceivedAt)
	}
	if len(got) > 0 {
		b.last = got[0].ID
	}
	var out []Hour
	for bin, s := range b.bins {
		at := time.Unix(bin*3600, 0).UTC()
		if at.Before(oldest.Add(-time.Hour)) {
			delete(b.bins, bin)
			continue
		}
		if !at.Before(from.Add(-time.Hour)) && at.Before(to) {
			out = append(out, Hour{at, math.Round(10*s.sum/float64(s.n)) / 10, s.low, s.high})
		}
	}
	slices.SortFunc(out, func(a, b Hour) int { return a.At.Compare(b.At) })
	return out, nil
}

// add adds the bank's charge of a batch. One whose times are not known has no place here, nor has a gap.
func (b *hourBook) add(body []byte, received time.Time) {
	r, err := wire.DecodeReadings(body)
	if err != nil || r.Schema != "" && !r.ClockTrusted { // a SenML pack is sent where the time is known
		return
	}
	for _, s := range r.Readings.Series {
		if s.Figure != readings.SoCPct || s.Battery != "" {
			continue
		}
		for bin, v := range s.Mean.Values(r.Readings.Bins) {
			b.value(r.Start.Add(time.Duration(bin*r.Readings.StepS)*time.Second), received, v)
		}
	}
}

func (b *hourBook) value(t, received time.Time, v float64) {
	if t.After(received.Add(10*time.Minute)) || received.Sub(t) > 400*dayLong || math.IsNaN(v) || v < -1 || v > 101 {
		return
	}
	s := b.bins[t.Unix()/3600]
	if s == nil {
		s = &hourSum{low: v, high: v}
		b.bins[t.Unix()/3600] = s
	}
	s.sum, s.n, s.low, s.high = s.sum+v, s.n+1, min(s.low, v), max(s.high, v)
}

// doubted returns the batteries whose figures were not to be believed at a time, by what stood then.
func (p *Past) doubted(at time.Time, ids []string) map[string]bool {
	var then []snapshot.Finding
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if !a.Raised.After(at) && (a.Ended.IsZero() || a.Ended.After(at)) {
			then = append(then, snapshot.Finding{Name: a.Finding, Subject: a.Subject, Active: true})
		}
	}
	if then == nil {
		return nil
	}
	s := &snapshot.Snapshot{}
	for _, id := range ids {
		s.Batteries = append(s.Batteries, snapshot.Battery{ID: id})
	}
	return worklist.DoubtedBatteries(then, s)
}

// Sums is what a unit did in the last days.
type Sums struct {
	From            time.Time  `json:"from"` // start of the first day that is known; the sums begin there
	Days            int        `json:"days"` // that snapshots came from
	Lifts           *uint64    `json:"lifts"`
	FeedH           *float64   `json:"feed_h"`
	ChargedAh       *float64   `json:"charged_ah"`
	DrawnAh         *float64   `json:"drawn_ah"`
	LowestPct       *float64   `json:"lowest_charge_pct"`
	LowestAt        *time.Time `json:"lowest_charge_at"`
	UnderchargedD   int        `json:"undercharged_days"`    // on which the finding stood
	WithoutFullMaxD *float64   `json:"longest_since_full_d"` // longest time since a full charge
}

// grown is how much a counter has grown; one that was begun anew counts from nothing.
func grown[T uint64 | float64](before, now T) T {
	if now < before {
		return now
	}
	return now - before
}

// sumsOf adds up a past from a time on.
func sumsOf(p *Past, from, to time.Time) Sums {
	first := from.UTC().Truncate(dayLong)
	s := Sums{From: first}
	var before *db.Day
	for i := range p.Days {
		d := &p.Days[i]
		if d.Day.Before(first) {
			before = d
			continue
		}
		if s.Days++; s.Days == 1 && before == nil {
			s.From = d.Day
		}
		if before != nil {
			a, b := before.Counted, d.Counted
			s.Lifts = plus(s.Lifts, grown(a.Lifts, b.Lifts))
			s.FeedH = plus(s.FeedH, grown(a.FeedS, b.FeedS)/3600)
			s.ChargedAh = plus(s.ChargedAh, grown(a.ChargedAh, b.ChargedAh))
			s.DrawnAh = plus(s.DrawnAh, grown(a.DrawnAh, b.DrawnAh))
		}
		if d.LowPct != nil && len(p.doubted(d.At, anyBattery)) == 0 {
			s.lowest(*d.LowPct, d.Day)
		}
		if d.SinceFullS != nil {
			longest := *d.SinceFullS / dayLong.Seconds()
			if s.WithoutFullMaxD == nil || longest > *s.WithoutFullMaxD {
				s.WithoutFullMaxD = &longest
			}
		}
		before = d
	}
	for _, h := range p.Hours {
		if !h.At.Before(first) && len(p.doubted(h.At, anyBattery)) == 0 {
			s.lowest(h.Low, h.At)
		}
	}
	under := map[int64]bool{}
	for _, a := range p.Alarms {
		if a.Finding != "bank-undercharged" {
			continue
		}
		end := cmp.Or(a.Ended, to)
		for t := later(a.Raised, first).Truncate(dayLong); !t.After(end) && t.Before(to); t = t.Add(dayLong) {
			under[t.Unix()] = true
		}
	}
	s.UnderchargedD = len(under)
	return s
}

// anyBattery stands for whichever there are: the bank's charge is in doubt with one of them.
var anyBattery = []string{""}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func plus[T uint64 | float64](sum *T, more T) *T {
	if sum != nil {
		more += *sum
	}
	return &more
}

func (s *Sums) lowest(v float64, at time.Time) {
	if s.LowestPct == nil || v < *s.LowestPct {
		s.LowestPct, s.LowestAt = &v, &at
	}
}

// spanOf returns the place in spans that a query asks for. What it does not know it takes for not said.
func spanOf(q url.Values) (span int, said bool) {
	for i := range spans {
		if spans[i].Name == q.Get("span") {
			return i, true
		}
	}
	return slices.IndexFunc(spans, func(s spanChoice) bool { return s.Name == firstSpan }), false
}

// pastIn reads the past of a span of time. One that nobody asked for is as short as what is known.
func pastIn(ctx context.Context, store Store, unit string, q url.Values, to time.Time) (p *Past, span int, from time.Time, err error) {
	span, said := spanOf(q)
	read := func() {
		from = to.Add(-time.Duration(spans[span].Days) * dayLong)
		p, err = store.Past(ctx, unit, from, to)
	}
	if read(); said || err != nil {
		return p, span, from, err
	}
	for i := range spans[:span] {
		if first := to.Add(-time.Duration(spans[i].Days) * dayLong); len(p.Days) == 0 || !p.Days[0].Day.Before(first) {
			span = i
			read()
			break
		}
	}
	return p, span, from, err
}

// charted fills in the charts, the strip and the sums.
func (v *unitView) charted(ctx context.Context, store Store, q url.Values, visits []Record) error {
	to := v.Now
	p, span, from, err := pastIn(ctx, store, v.U.Unit, q, to)
	if err != nil {
		return err
	}
	summed := to.Add(-summedDays * dayLong)
	last := p
	if spans[span].Days != summedDays {
		if last, err = store.Past(ctx, v.U.Unit, summed, to); err != nil {
			return err
		}
	}
	for i, s := range spans {
		v.Spans = append(v.Spans, choice{s.Name, v.T("Span." + s.Name), 0, i == span})
	}
	replaced := map[string][]time.Time{}
	var seen []time.Time
	for i := range visits {
		var m records.Visit
		if json.Unmarshal(visits[i].Body, &m) != nil {
			continue
		}
		if at := visits[i].At; at.After(from) && at.Before(to) {
			seen = append(seen, at)
		}
		for _, w := range m.Visit.Work {
			if w.Kind == visit.BatteryReplaced {
				replaced[w.Subject] = append(replaced[w.Subject], w.At)
			}
		}
	}
	numbers := map[worklist.Key]int{}
	for _, f := range v.Findings {
		numbers[f.Key] = f.No
	}
	a := v.axisOf(from, to)
	v.Charts, v.Strip = v.charts(p, a, v.U.Row.Name, replaced), v.stripOf(p, a, seen, numbers)
	v.sums(sumsOf(last, summed, to), summed)
	return nil
}

// sums writes the sums of the last days.
func (v *unitView) sums(s Sums, from time.Time) {
	if s.Days == 0 {
		return
	}
	pair := func(key, value string) { v.Sums = append(v.Sums, [2]string{v.T(key), value}) }
	number := func(x *float64, least int, unit string) string {
		if x == nil {
			return figures.Unknown
		}
		p := math.Pow(10, float64(least))
		return figures.Number(math.Round(*x*p)/p, 0) + "\u00a0" + unit
	}
	lifts := figures.Unknown
	if s.Lifts != nil {
		lifts = count(int(*s.Lifts))
	}
	pair("LiftsWord", lifts)
	pair("FeedHours", number(s.FeedH, 0, "h"))
	low := number(s.LowestPct, 0, "%")
	if s.LowestAt != nil {
		low += ", " + v.Day(*s.LowestAt)
	}
	pair("LowestCharge", low)
	pair("ChargeIn", number(s.ChargedAh, 0, "Ah"))
	pair("ChargeOut", number(s.DrawnAh, 0, "Ah"))
	pair("UnderchargedDays", count(s.UnderchargedD))
	longest := figures.Unknown
	if s.WithoutFullMaxD != nil {
		if longest = brief(v.To, time.Duration(*s.WithoutFullMaxD*float64(dayLong))); *s.WithoutFullMaxD < 1 {
			longest = "<\u00a0" + brief(v.To, dayLong)
		}
	}
	pair("LongestUnfilled", longest)
	if s.From.After(from.Truncate(dayLong)) {
		v.SumsSince = v.T("SumsSince", "date", v.Day(s.From))
	}
}

// PastSchema names the layout of [PastAnswer].
const PastSchema = "liftbank.fleet.past.v1"

// PastAnswer is a unit's past, as its page draws it.
type PastAnswer struct {
	Schema   string        `json:"schema"`
	At       time.Time     `json:"at"`
	Unit     string        `json:"unit"`
	Span     string        `json:"span"` // week, month, quarter or year
	From     time.Time     `json:"from"`
	Days     []PastDay     `json:"days"`
	Hours    []PastHour    `json:"hours"` // of a week and a month
	Runs     []time.Time   `json:"runs"`  // ends of motor runs, of a week
	Findings []PastFinding `json:"findings"`
	Last30   Sums          `json:"last_30_days"`
}

// PastDay is what a unit's snapshots said of one day. Counted is since the last snapshot of the day before;
// null: there is none of it.
type PastDay struct {
	Day        string            `json:"day"` // YYYY-MM-DD, UTC
	At         time.Time         `json:"at"`  // of its last snapshot
	SoCPct     snapshot.Estimate `json:"soc_pct"`
	LowPct     *float64          `json:"lowest_soc_pct"` // of the day's snapshots
	SinceFullS *float64          `json:"since_full_s"`   // the most of them
	Lifts      *uint64           `json:"lifts"`
	Runs       *uint64           `json:"runs"`
	FeedH      *float64          `json:"feed_h"`
	ChargedAh  *float64          `json:"charged_ah"`
	DrawnAh    *float64          `json:"drawn_ah"`
	Batteries  []PastBattery     `json:"batteries"`
}

// PastBattery is one battery on one day.
type PastBattery struct {
	ID             string            `json:"id"`
	SoCPct         snapshot.Estimate `json:"soc_pct"`
	RestedV        snapshot.Estimate `json:"rested_v"` // at 25 °C
	ResistanceMohm snapshot.Estimate `json:"resistance_mohm"`
	CrankingA      snapshot.Estimate `json:"cranking_a"`
	CapacityAh     snapshot.Estimate `json:"capacity_ah"`
}

// PastHour is the bank's charge in one hour.
type PastHour struct {
	At         time.Time `json:"at"`
	MeanPct    float64   `json:"mean_pct"`
	LowestPct  float64   `json:"lowest_pct"`
	HighestPct float64   `json:"highest_pct"`
}

// PastFinding is one time that a finding stood.
type PastFinding struct {
	Finding  string     `json:"finding"`
	Subject  string     `json:"subject"`
	Severity string     `json:"severity"`
	Raised   time.Time  `json:"raised"`
	Ended    *time.Time `json:"ended"` // null: it stands
}

// apiPast answers with a unit's past.
func (d *Desk) apiPast(w http.ResponseWriter, r *http.Request, _ who) {
	ctx, store := r.Context(), d.opts.Store
	u, err := store.Unit(ctx, r.PathValue("unit"))
	if errors.Is(err, ErrUnknown) {
		d.fail(w, r, http.StatusNotFound, d.text(words.Of(r), "NoUnit"))
		return
	}
	to := d.opts.Now().UTC()
	var p, last *Past
	var span int
	var from time.Time
	if err == nil {
		p, span, from, err = pastIn(ctx, store, u.Unit, r.URL.Query(), to)
	}
	if err == nil {
		last, err = store.Past(ctx, u.Unit, to.Add(-summedDays*dayLong), to)
	}
	if err != nil {
		d.broken(w, r, err)
		return
	}
	a := PastAnswer{
		Schema: PastSchema, At: to, Unit: u.Unit, Span: spans[span].Name, From: from, Days: []PastDay{}, Hours: []PastHour{},
		Runs: append([]time.Time{}, p.Runs...), Findings: []PastFinding{}, Last30: sumsOf(last, to.Add(-summedDays*dayLong), to),
	}
	for i := range p.Days {
		if x := &p.Days[i]; x.Day.Add(dayLong).After(from) {
			var before *db.Day
			if i > 0 {
				before = &p.Days[i-1]
			}
			a.Days = append(a.Days, apiDay(before, x))
		}
	}
	for _, h := range p.Hours {
		a.Hours = append(a.Hours, PastHour{h.At, h.Mean, h.Low, h.High})
	}
	for _, x := range p.Alarms {
		a.Findings = append(a.Findings, PastFinding{x.Finding, x.Subject, x.Severity, x.Raised, maybeTime(x.Ended)})
	}
	d.sendJSON(w, r, http.StatusOK, a)
}

func apiDay(before, x *db.Day) PastDay {
	e := func(d db.DayEstimate) snapshot.Estimate { return snapshot.Estimate{Value: d[0], Sigma: d[1]} }
	out := PastDay{
		Day: x.Day.Format(time.DateOnly), At: x.At, SoCPct: e(x.SoCPct), LowPct: x.LowPct, SinceFullS: x.SinceFullS, Batteries: []PastBattery{},
	}
	if before != nil && x.Day.Sub(before.Day) == dayLong {
		a, b := before.Counted, x.Counted
		hours := grown(a.FeedS, b.FeedS) / 3600
		lifts, runs, in, drawn := grown(a.Lifts, b.Lifts), grown(a.Runs, b.Runs), grown(a.ChargedAh, b.ChargedAh), grown(a.DrawnAh, b.DrawnAh)
		out.Lifts, out.Runs, out.FeedH, out.ChargedAh, out.DrawnAh = &lifts, &runs, &hours, &in, &drawn
	}
	for _, b := range x.Batteries {
		out.Batteries = append(out.Batteries, PastBattery{b.ID, e(b.SoCPct), e(b.RestedV), e(b.ResistanceMohm), e(b.CrankingA), e(b.CapacityAh)})
	}
	return out
}
