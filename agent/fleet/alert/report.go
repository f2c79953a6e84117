package alert

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"liftbank/agent/fleet/db"
)

// Figures of ANSI/ISA-18.2-2016, "Management of Alarm Systems for the Process Industries", the table of
// recommended performance metrics in clause 16, and of EEMUA 191; from memory. They are for one operator
// who watches a plant; a desk that looks in once a day wants fewer.
const (
	dailyAcceptable  = 150 // alarms a day, "very likely to be acceptable"
	dailyManageable  = 300 // "maximum manageable"
	floodAlarms      = 10  // more than this in ten minutes is a flood
	floodShareMax    = 1.0 // % of the ten-minute periods
	topTenMax        = 5.0 // % of all alarms by the ten most frequent; 1 % is the target
	staleMax         = 5   // standing for more than 24 h on any day
	chatterRaises    = 3   // in a minute: chattering; the target is none
	floodPeriod      = 10 * time.Minute
	staleAfter       = 24 * time.Hour
	chatterWithin    = time.Minute
	slowChatter      = time.Hour // our choice: what needs minutes to be judged chatters no faster
	mostListed       = 10
	mostReported     = 1_000_000
	hoursOfDay       = 24
	percent          = 100.0
	standardSeverity = "note 80 %, repair 15 %, urgent 5 %"
)

// Report is how many alarms there were, by the figures of ISA-18.2.
type Report struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Days     float64   `json:"days"`
	Complete bool      `json:"complete"` // false: there were more than are read at once, the newest are left out
	Units    int       `json:"units"`    // in use
	Alarms   int       `json:"alarms"`   // raised within the time

	PerDay      float64 `json:"alarms_per_day"`
	PerUnitDay  float64 `json:"alarms_per_unit_and_day"`
	BusiestDay  string  `json:"busiest_day,omitempty"`
	OnBusiest   int     `json:"alarms_on_busiest_day"`
	InTenMin    int     `json:"most_in_ten_minutes"` // of the clock's ten-minute periods
	FloodPct    float64 `json:"flood_pct"`           // of those periods with more than ten
	TopTenPct   float64 `json:"top_ten_pct"`
	SeverityPct []Share `json:"severity"`

	ByUnit     []Count   `json:"by_unit"`    // the ten with the most
	TopTen     []Count   `json:"top_ten"`    // one finding of one unit each
	ByFinding  []Count   `json:"by_finding"` // over the fleet, the ten most frequent
	Chattering []Chatter `json:"chattering"`
	Stale      []Stale   `json:"standing_over_24_h"` // at the end, the oldest first
}

// Share is the part of one severity.
type Share struct {
	Severity string  `json:"severity"`
	Alarms   int     `json:"alarms"`
	Pct      float64 `json:"pct"`
}

// Count is how often something was raised.
type Count struct {
	Unit    string  `json:"unit,omitempty"`
	Finding string  `json:"finding,omitempty"`
	Subject string  `json:"subject,omitempty"`
	Alarms  int     `json:"alarms"`
	PerDay  float64 `json:"alarms_per_day"`
	Pct     float64 `json:"pct"`
}

// Chatter is a finding of a unit that was raised three times or more within a minute or an hour.
type Chatter struct {
	Unit     string `json:"unit"`
	Finding  string `json:"finding"`
	Subject  string `json:"subject,omitempty"`
	InMinute int    `json:"most_in_a_minute"`
	InHour   int    `json:"most_in_an_hour"`
}

// Stale is a finding that has stood for more than 24 h.
type Stale struct {
	Unit     string    `json:"unit"`
	Finding  string    `json:"finding"`
	Subject  string    `json:"subject,omitempty"`
	Severity string    `json:"severity"`
	Raised   time.Time `json:"raised"`
	Days     float64   `json:"days"`
}

// ReportStore is what the report asks of the database.
type ReportStore interface {
	Alarms(ctx context.Context, from, to time.Time, max int) ([]db.Alarm, error)
	Units(ctx context.Context, after string, max int) ([]db.Unit, error)
}

// ReportOf reads the report of a time.
func ReportOf(ctx context.Context, store ReportStore, from, to time.Time) (Report, error) {
	if !from.Before(to) {
		return Report{}, fmt.Errorf("alarms from %s to %s: want a time that ends after it begins", stamp(from), stamp(to))
	}
	alarms, err := store.Alarms(ctx, from, to, mostReported)
	if err != nil {
		return Report{}, err
	}
	units, working := 0, map[string]bool{}
	for after := ""; ; {
		page, err := store.Units(ctx, after, unitsAtOnce)
		if err != nil {
			return Report{}, err
		}
		for i := range page {
			if page[i].Decommissioned.IsZero() && !page[i].FirstHeardAt.IsZero() {
				units++
			}
			working[page[i].ID] = page[i].WorkEnds.After(to)
		}
		if len(page) < unitsAtOnce {
			break
		}
		after = page[len(page)-1].ID
	}
	r := report(alarms, units, from, to)
	// What is suppressed by design does not stand for lack of somebody who sees to it.
	r.Stale = slices.DeleteFunc(r.Stale, func(s Stale) bool { return working[s.Unit] })
	r.Complete = len(alarms) < mostReported
	return r, nil
}

type alarmKey struct{ unit, finding, subject string }

// report counts. An alarm belongs to the time in which it was raised; what stands is judged at its end.
func report(alarms []db.Alarm, units int, from, to time.Time) Report {
	r := Report{
		From: from.UTC(), To: to.UTC(), Days: round(to.Sub(from).Hours() / hoursOfDay), Complete: true, Units: units,
		ByUnit: []Count{}, TopTen: []Count{}, ByFinding: []Count{}, Chattering: []Chatter{}, Stale: []Stale{},
	}
	days := to.Sub(from).Hours() / hoursOfDay
	byDay, byTenMin := map[string]int{}, map[int64]int{}
	byKey, byUnit, byFinding := map[alarmKey]int{}, map[alarmKey]int{}, map[alarmKey]int{}
	bySeverity := map[string]int{}
	raises := map[alarmKey][]time.Time{}
	for i := range alarms {
		a := &alarms[i]
		k := alarmKey{a.Unit, a.Finding, a.Subject}
		if standing := a.Ended.IsZero() || a.Ended.After(to); standing && to.Sub(a.Raised) > staleAfter {
			r.Stale = append(r.Stale, Stale{a.Unit, a.Finding, a.Subject, a.Severity, a.Raised.UTC(), round(to.Sub(a.Raised).Hours() / hoursOfDay)})
		}
		if a.Raised.Before(from) || !a.Raised.Before(to) {
			continue
		}
		r.Alarms++
		byDay[a.Raised.UTC().Format(time.DateOnly)]++
		byTenMin[a.Raised.Unix()/int64(floodPeriod.Seconds())]++
		byKey[k]++
		byUnit[alarmKey{unit: a.Unit}]++
		byFinding[alarmKey{finding: a.Finding}]++
		bySeverity[a.Severity]++
		raises[k] = append(raises[k], a.Raised)
	}
	r.PerDay = round(float64(r.Alarms) / days)
	if units > 0 {
		r.PerUnitDay = round(float64(r.Alarms) / days / float64(units))
	}
	for day, n := range byDay {
		if n > r.OnBusiest || n == r.OnBusiest && day < r.BusiestDay {
			r.BusiestDay, r.OnBusiest = day, n
		}
	}
	floods := 0
	for _, n := range byTenMin {
		r.InTenMin = max(r.InTenMin, n)
		if n > floodAlarms {
			floods++
		}
	}
	r.FloodPct = round(percent * float64(floods) / max(1, to.Sub(from).Seconds()/floodPeriod.Seconds()))
	counts := func(of map[alarmKey]int) []Count {
		out := []Count{}
		for k, n := range of {
			out = append(out, Count{k.unit, k.finding, k.subject, n, round(float64(n) / days), round(percent * float64(n) / float64(r.Alarms))})
		}
		slices.SortFunc(out, func(a, b Count) int {
			return cmp.Or(cmp.Compare(b.Alarms, a.Alarms), strings.Compare(a.Unit, b.Unit), strings.Compare(a.Finding, b.Finding),
				strings.Compare(a.Subject, b.Subject))
		})
		return out[:min(len(out), mostListed)]
	}
	r.TopTen, r.ByUnit, r.ByFinding = counts(byKey), counts(byUnit), counts(byFinding)
	top := 0
	for _, c := range r.TopTen {
		top += c.Alarms
	}
	if r.Alarms > 0 {
		r.TopTenPct = round(percent * float64(top) / float64(r.Alarms))
	}
	for _, s := range []string{"urgent", "repair", "note"} {
		share := Share{Severity: s, Alarms: bySeverity[s]}
		if r.Alarms > 0 {
			share.Pct = round(percent * float64(share.Alarms) / float64(r.Alarms))
		}
		r.SeverityPct = append(r.SeverityPct, share)
	}
	for k, times := range raises {
		c := Chatter{k.unit, k.finding, k.subject, most(times, chatterWithin), most(times, slowChatter)}
		if c.InHour >= chatterRaises {
			r.Chattering = append(r.Chattering, c)
		}
	}
	slices.SortFunc(r.Chattering, func(a, b Chatter) int {
		return cmp.Or(cmp.Compare(b.InMinute, a.InMinute), cmp.Compare(b.InHour, a.InHour), strings.Compare(a.Unit, b.Unit),
			strings.Compare(a.Finding, b.Finding), strings.Compare(a.Subject, b.Subject))
	})
	slices.SortFunc(r.Stale, func(a, b Stale) int {
		return cmp.Or(a.Raised.Compare(b.Raised), strings.Compare(a.Unit, b.Unit), strings.Compare(a.Finding, b.Finding),
			strings.Compare(a.Subject, b.Subject))
	})
	return r
}

// most returns the largest number of instants within a span, both ends included.
func most(times []time.Time, within time.Duration) int {
	slices.SortFunc(times, time.Time.Compare)
	largest, from := 0, 0
	for i := range times {
		for times[i].Sub(times[from]) > within {
			from++
		}
		largest = max(largest, i-from+1)
	}
	return largest
}

func round(x float64) float64 { return float64(int64(x*100+0.5)) / 100 }

// Write writes the report as tables.
func (r *Report) Write(to io.Writer) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) } // a tabwriter fails when it is flushed
	line("Alarms from %s to %s, %.4g days, %d units", stamp(r.From), stamp(r.To), r.Days, r.Units)
	if !r.Complete {
		line("There were more than %d: the newest are left out. Ask for a shorter time.", mostReported)
	}
	line("\nwhat\tfigure\tISA-18.2")
	line("alarms\t%d\t", r.Alarms)
	line("a day\t%.4g\tup to %d acceptable, %d manageable", r.PerDay, dailyAcceptable, dailyManageable)
	line("a day and unit\t%.4g\t", r.PerUnitDay)
	if r.Alarms > 0 {
		line("busiest day\t%s: %d\t", r.BusiestDay, r.OnBusiest)
	}
	line("most in ten minutes\t%d\tup to %d", r.InTenMin, floodAlarms)
	line("ten-minute periods with more than %d\t%.4g %%\tbelow %.4g %%", floodAlarms, r.FloodPct, floodShareMax)
	line("by the ten most frequent\t%.4g %%\tup to %.4g %%", r.TopTenPct, topTenMax)
	chattering := 0
	for _, c := range r.Chattering {
		if c.InMinute >= chatterRaises {
			chattering++
		}
	}
	line("chattering (%d or more in a minute)\t%d\tnone", chatterRaises, chattering)
	line("standing over 24 h\t%d\tbelow %d", len(r.Stale), staleMax)
	var shares []string
	for _, s := range slices.Backward(r.SeverityPct) {
		shares = append(shares, fmt.Sprintf("%s %.4g %%", s.Severity, s.Pct))
	}
	line("by severity\t%s\t%s", strings.Join(shares, ", "), standardSeverity)
	table := func(title, head string, n int, row func(i int)) {
		if n == 0 {
			return
		}
		line("\n%s\n%s", title, head)
		for i := range n {
			row(i)
		}
	}
	table("Ten most frequent", "unit\tfinding\tsubject\talarms\ta day\t%", len(r.TopTen), func(i int) {
		c := &r.TopTen[i]
		line("%s\t%s\t%s\t%d\t%.4g\t%.4g", c.Unit, c.Finding, c.Subject, c.Alarms, c.PerDay, c.Pct)
	})
	table("By unit", "unit\talarms\ta day\t%", len(r.ByUnit), func(i int) {
		c := &r.ByUnit[i]
		line("%s\t%d\t%.4g\t%.4g", c.Unit, c.Alarms, c.PerDay, c.Pct)
	})
	table("By finding", "finding\talarms\ta day\t%", len(r.ByFinding), func(i int) {
		c := &r.ByFinding[i]
		line("%s\t%d\t%.4g\t%.4g", c.Finding, c.Alarms, c.PerDay, c.Pct)
	})
	table(fmt.Sprintf("Raised %d times or more in a minute or an hour", chatterRaises), "unit\tfinding\tsubject\tin a minute\tin an hour",
		min(len(r.Chattering), 2*mostListed), func(i int) {
			c := &r.Chattering[i]
			line("%s\t%s\t%s\t%d\t%d", c.Unit, c.Finding, c.Subject, c.InMinute, c.InHour)
		})
	table("Standing over 24 h", "unit\tfinding\tsubject\tseverity\tsince\tdays", min(len(r.Stale), 2*mostListed), func(i int) {
		s := &r.Stale[i]
		line("%s\t%s\t%s\t%s\t%s\t%.4g", s.Unit, s.Finding, s.Subject, s.Severity, stamp(s.Raised), s.Days)
	})
	return w.Flush()
}
