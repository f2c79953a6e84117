package page

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"liftbank/agent/history"
)

// spans are those that the page of history offers.
var spans = []struct {
	Name string
	Span time.Duration
}{
	{"10m", 10 * time.Minute}, {"1h", time.Hour}, {"6h", 6 * time.Hour}, {"1d", 24 * time.Hour},
	{"7d", 7 * 24 * time.Hour},
	{"30d", 30 * 24 * time.Hour}, {"365d", 365 * 24 * time.Hour},
}

const (
	shortestSpan = time.Minute
	longestSpan  = 400 * 24 * time.Hour
	pagePoints   = 360 // of a series that the server draws
	apiPoints    = 600
	mostPoints   = 4000
	pastLimit    = 8 * time.Second
	listedSpans  = 50
)

// unitNow returns the unit's time, by which history is stored.
func (s *Server) unitNow() time.Time { return s.facts().At }

// historyQuery reads the requested span: from and to, or a span that ends at `to` or now.
func (s *Server) historyQuery(q url.Values, points int) (history.Query, error) {
	now := s.unitNow()
	out := history.Query{To: now, Points: points}
	if text := q.Get("points"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > mostPoints {
			return out, fmt.Errorf("points: %.40q: want 1 to %d", text, mostPoints)
		}
		out.Points = n
	}
	at := func(name string, into *time.Time) error {
		text := q.Get(name)
		if text == "" {
			return nil
		}
		t, err := time.Parse(time.RFC3339, text)
		if err != nil || t.Year() < 2000 || t.Year() > 2200 {
			return fmt.Errorf("%s: %.40q: want a time such as 2026-03-09T14:00:00Z", name, text)
		}
		*into = t.UTC()
		return nil
	}
	if err := at("to", &out.To); err != nil {
		return out, err
	}
	span := 24 * time.Hour
	if name := q.Get("span"); name != "" {
		span = 0
		for _, sp := range spans {
			if sp.Name == name {
				span = sp.Span
			}
		}
		if span == 0 {
			return out, fmt.Errorf("span: %.40q: want 10m, 1h, 6h, 1d, 7d, 30d or 365d", name)
		}
	}
	out.From = out.To.Add(-span)
	if err := at("from", &out.From); err != nil {
		return out, err
	}
	if d := out.To.Sub(out.From); d < shortestSpan || d > longestSpan {
		return out, fmt.Errorf("from, to: %v apart: want %v to %v", d, shortestSpan, longestSpan)
	}
	return out, nil
}

// window asks the past, within a time limit.
func (s *Server) window(ctx context.Context, q history.Query) (history.Window, error) {
	ctx, cancel := context.WithTimeout(ctx, pastLimit)
	defer cancel()
	return s.opts.History.Window(ctx, q)
}

// apiHistory returns a span of history: from, to (RFC 3339) or span, and points.
func (s *Server) apiHistory(w http.ResponseWriter, r *http.Request) {
	if s.opts.History == nil {
		s.sendJSON(w, r, http.StatusServiceUnavailable, errorAnswer{"history is off"})
		return
	}
	q, err := s.historyQuery(r.URL.Query(), apiPoints)
	if err != nil {
		s.sendJSON(w, r, http.StatusBadRequest, errorAnswer{err.Error()})
		return
	}
	win, err := s.window(r.Context(), q)
	if err != nil {
		s.opts.Log.Error("history can't be read", "err", err)
		s.sendJSON(w, r, http.StatusInternalServerError, errorAnswer{"history can't be read"})
		return
	}
	s.sendJSON(w, r, http.StatusOK, win)
}

type historyView struct {
	W              map[string]string
	To             *reader
	None           bool // nothing is kept
	Error          string
	Spans          []spanLink
	Earlier, Later string
	From, Until    string
	FromS, UntilS  int64
	Charts         []chartView
	Events         template.HTML
	Findings       []spanView
	More           int
	RunCount       int
	UPlot          string // addresses for the script
}

type spanLink struct {
	Path, Text string
	Here       bool
}

type spanView struct{ Name, Path, Subject, Word, From, To string }

// past is the page of history. It is whole without script; with it, the charts can be moved and
// zoomed.
func (s *Server) past(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	v := historyView{W: to.W, To: to, None: s.opts.History == nil, UPlot: s.assets.urls["uplot.css"]}
	c := content{
		template: "history", title: to.W["NavHistory"], nav: "/history", scripts: []string{"uplot.js", "history.js"},
	}
	status := http.StatusOK
	if !v.None {
		q, err := s.historyQuery(r.URL.Query(), pagePoints)
		if err != nil {
			status, v.Error = http.StatusBadRequest, to.W["BadSpan"]+" "+err.Error()
			q, _ = s.historyQuery(nil, pagePoints)
		}
		q.Points = min(q.Points, pagePoints)
		win, err := s.window(r.Context(), q)
		if err != nil {
			s.opts.Log.Error("history can't be read", "err", err)
			status, v.Error = http.StatusInternalServerError, to.W["HistoryUnread"]
			win = history.Window{}
		}
		win.From, win.To = q.From, q.To
		to.fillHistory(&v, &win, s.unitNow())
	}
	c.data = &v
	s.show(w, r, status, c)
}

func (to *reader) fillHistory(v *historyView, win *history.Window, now time.Time) {
	const layout = "2006-01-02 15:04 UTC"
	v.From, v.Until = win.From.Format(layout), win.To.Format(layout)
	v.FromS, v.UntilS = win.From.Unix(), win.To.Unix()
	span := win.To.Sub(win.From)
	link := func(from, until time.Time) string {
		return "/history?" + url.Values{"from": {from.Format(
			time.RFC3339,
		)}, "to": {until.Format(time.RFC3339)}}.Encode()
	}
	for _, sp := range spans {
		v.Spans = append(v.Spans, spanLink{"/history?span=" + sp.Name, to.label("Span", sp.Name), sp.Span == span})
	}
	v.Earlier = link(win.From.Add(-span), win.From)
	if win.To.Before(now.Add(-time.Minute)) {
		v.Later = link(win.To, win.To.Add(span))
	}
	v.Charts, v.Events, v.RunCount = to.charts(win), to.events(win), win.RunCount
	for i, f := range win.Findings {
		if i == listedSpans {
			v.More = len(win.Findings) - i
			break
		}
		sv := spanView{
			Name: f.Name, Path: "/findings/" + url.PathEscape(f.Name), Subject: to.about(f.Subject),
			Word: to.label("Severity", f.Severity), From: f.From.UTC().Format(layout), To: to.W["Stands"],
		}
		if f.To != nil {
			sv.To = f.To.UTC().Format(layout)
		}
		v.Findings = append(v.Findings, sv)
	}
}
