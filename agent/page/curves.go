package page

import (
	"context"
	"strings"
	"sync"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/draw"
	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// curve is what is drawn in the evidence of a finding. A finding has one where what it rests on is stored and its
// course tells something: the resistance of a link is not stored, and a service that is due has no course.
type curve struct {
	draw.Small
	limit string        // label of the evidence that is its limit
	span  time.Duration // of the past; 0: the first second of the last motor run
}

const day = 24 * time.Hour

var curves = map[string]curve{
	"balance-negative":  {draw.Small{Figures: []string{"soc_pct"}}, "", 15 * day},
	"bank-flat":         {draw.Small{Figures: []string{"voltage_v"}}, "", 3 * day},
	"bank-low":          {draw.Small{Figures: []string{"voltage_v"}}, "threshold-v", 3 * day},
	"bank-undercharged": {draw.Small{Figures: []string{"soc_pct"}}, "", 15 * day},
	"battery-failed":    {draw.Small{Figures: []string{"current_a"}}, "", 0},
	"battery-tired":     {draw.Small{Figures: []string{"current_a"}}, "", 0},
	"blocks-unequal":    {draw.Small{Figures: []string{"voltage_v"}, Of: draw.Blocks}, "", 8 * day},
	"circulating":       {draw.Small{Figures: []string{"current_a"}, Of: draw.AtRest}, "", day},
	"feed-high":         {draw.Small{Figures: []string{"voltage_v"}}, "limit-at-temperature", 3 * day},
	"feed-lost":         {draw.Small{Figures: []string{"feed_voltage_v"}}, "", day},
	"feed-low":          {draw.Small{Figures: []string{"feed_voltage_v"}}, "wants-v", 3 * day},
	"feed-mismatch":     {draw.Small{Figures: []string{"feed_voltage_v"}}, "", day},
	"feed-weak":         {draw.Small{Figures: []string{"current_a"}, Of: draw.Inflow}, "converter-can", 3 * day},
	"freeze-risk":       {draw.Small{Figures: []string{"temperature_c"}}, "freezes-at", 3 * day},
	"hot":               {draw.Small{Figures: []string{"temperature_c"}}, "limit-c", day},
	"middle-tap-open":   {draw.Small{Figures: []string{"voltage_v"}, Of: draw.Blocks}, "", day},
	"motor-drop":        {draw.Small{Figures: []string{"voltage_v", "motor_voltage_v"}}, "", 0},
	"motor-hungry":      {draw.Small{Of: draw.RunMean}, "usual-now", 15 * day},
	"motor-overrun":     {draw.Small{Of: draw.RunTime}, "", 8 * day},
	"motor-starved":     {draw.Small{Of: draw.RunMean}, "usual-now", 15 * day},
	"motor-stuck":       {draw.Small{Figures: []string{"current_a"}}, "", day},
	"near-reversal":     {draw.Small{Figures: []string{"voltage_v"}, Of: draw.Blocks}, "", 0},
	"parallel-wired":    {draw.Small{Figures: []string{"voltage_v"}, Of: draw.Blocks}, "", day},
	"parked-drain":      {draw.Small{Figures: []string{"soc_pct"}}, "", 8 * day},
	"reversed":          {draw.Small{Figures: []string{"voltage_v"}}, "", day},
	"sense-fault":       {draw.Small{}, "", day}, // of the channel that it is about
	"series-wired":      {draw.Small{Figures: []string{"voltage_v"}}, "limit-v", day},
	"share-uneven":      {draw.Small{Figures: []string{"current_a"}}, "", 0},
}

// ofOne are findings whose curve is the one battery's alone; beside the others the rest tell more.
var ofOne = map[string]bool{"freeze-risk": true, "hot": true, "reversed": true}

// curvesOf draws them. Each is kept for a while: it changes slowly, and a page that is followed is made anew each second.
type curvesOf struct {
	site   *web.Site
	source history.Source // nil: nothing is stored

	mu   sync.Mutex
	kept map[curveKey]keptCurve
}

type curveKey struct {
	name, subject string
	raised        time.Time
	variant       int
}

type keptCurve struct {
	until time.Time // by the process's clock
	at    time.Time // by the unit's, which a demonstration's runs faster
	made  view.Curve
	ok    bool
}

const (
	curveKept   = 5 * time.Minute
	curveTrue   = 30 * time.Minute // of the unit's time
	curveUnread = 30 * time.Second // until it is tried again
	curveLimit  = 2 * time.Second  // of reading the past for one: the page waits
	curvePoints = 160
	mostKept    = 200 // more than one unit can have at a time
)

// add draws the curves of findings that have a card.
func (c *curvesOf) add(to *words.Reader, s *snapshot.Snapshot, all []view.Finding) {
	if c == nil || c.source == nil || !s.ClockTrusted {
		return
	}
	for i := range all {
		if f := &all[i]; f.Look != "over" {
			f.Curve = c.of(to, s, &f.Finding)
		}
	}
}

// of returns the curve of a finding, nil where there is none.
func (c *curvesOf) of(to *words.Reader, s *snapshot.Snapshot, f *snapshot.Finding) *view.Curve {
	if _, drawn := curves[f.Name]; !drawn {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	key, now := curveKey{name: f.Name, subject: f.Subject, variant: to.Variant}, c.site.Now()
	if f.RaisedAt != nil {
		key.raised = f.RaisedAt.UTC()
	}
	kept, is := c.kept[key]
	if !is || !now.Before(kept.until) || s.At.Sub(kept.at).Abs() >= curveTrue {
		var err error
		kept = keptCurve{until: now.Add(curveKept), at: s.At}
		if kept.made, kept.ok, err = c.draw(to, s, f); err != nil {
			c.site.Log.Warn("the past of a finding can't be read", "finding", f.Name, "subject", f.Subject, "err", err)
			kept.until = now.Add(curveUnread)
		}
		if c.kept == nil || len(c.kept) >= mostKept {
			c.kept = map[curveKey]keptCurve{}
		}
		c.kept[key] = kept
	}
	if !kept.ok {
		return nil
	}
	return &kept.made
}

func (c *curvesOf) draw(to *words.Reader, s *snapshot.Snapshot, f *snapshot.Finding) (view.Curve, bool, error) {
	ctx, cancel := context.WithTimeout(context.Background(), curveLimit)
	defer cancel()
	want := curves[f.Name]
	if ofOne[f.Name] {
		want.Battery = f.Subject
	}
	if f.Name == "sense-fault" {
		if want.Figures, want.Battery = stored(f.Subject); want.Figures == nil {
			return view.Curve{}, false, nil
		}
	}
	for _, e := range f.Evidence {
		if want.limit != "" && e.What.ID == "evidence."+want.limit && e.Words == nil && e.Battery == "" {
			want.Limit = &e.Value
		}
	}
	want.Wired = draw.WiredAs(s)
	if want.span == 0 {
		if s.Motor.LastRun == nil {
			return view.Curve{}, false, nil
		}
		trace, err := c.source.FirstSecond(ctx, s.Motor.LastRun.Start)
		if err != nil {
			return view.Curve{}, false, err
		}
		chart, ok := draw.SmallRun(to, &trace, want.Small)
		return view.Curve{Chart: chart, Title: words.Fill(to.W["CurveRun"], "chart", chart.Title)}, ok, nil
	}
	if f.RaisedAt != nil {
		want.Raised = *f.RaisedAt
	}
	span := want.span
	for _, longer := range draw.SmallSpans { // one that has the moment it was raised in it, and what was before
		if longer >= span && !want.Raised.Before(s.At.Add(-longer*9/10)) {
			span = longer
			break
		}
	}
	win, err := c.source.Window(ctx, history.Query{From: s.At.Add(-span), To: s.At, Points: curvePoints})
	if err != nil {
		return view.Curve{}, false, err
	}
	win.From, win.To = s.At.Add(-span), s.At
	chart, ok := draw.Past{Now: s.At}.Small(to, &win, want.Small)
	return view.Curve{Chart: chart, Title: chart.Title}, ok, nil
}

// stored returns the figure that is stored of a channel, by the name that findings give it; none of most.
func stored(channel string) (figure []string, battery string) {
	switch channel {
	case "feed voltage":
		return []string{"feed_voltage_v"}, ""
	case "motor voltage":
		return []string{"motor_voltage_v"}, ""
	}
	rest, of := strings.CutPrefix(channel, "battery ")
	id, what, split := strings.Cut(rest, " ")
	if !of || !split {
		return nil, ""
	}
	switch what {
	case "voltage":
		return []string{"voltage_v"}, id
	case "current":
		return []string{"current_a"}, id
	case "temperature":
		return []string{"temperature_c"}, id
	}
	return nil, ""
}
