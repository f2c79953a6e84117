package page

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/draw"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
)

// historyPages show and answer what the unit has stored of its past.
type historyPages struct {
	site      *web.Site
	source    history.Source // nil: nothing is stored
	recording Recording      // nil: nothing is recorded
}

// Routes registers the page of history and what programs ask for.
func (h *historyPages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /history", h.page)
	mux.HandleFunc("GET /history/run", h.runPage)
	mux.HandleFunc("GET /api/v1/history", h.apiWindow)
	mux.HandleFunc("GET /api/v1/history/run", h.apiRun)
}

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
	listedRuns   = 10
)

// query reads the requested span: from and to, or a span that ends at `to` or now.
func (h *historyPages) query(q url.Values, points int) (history.Query, error) {
	now := h.site.Facts().At // the unit's time, by which history is stored
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

// timed reads history within a time limit.
type timed struct{ history.Source }

// Window returns a span.
func (t timed) Window(ctx context.Context, q history.Query) (history.Window, error) {
	ctx, cancel := context.WithTimeout(ctx, pastLimit)
	defer cancel()
	return t.Source.Window(ctx, q)
}

// FirstSecond returns a motor run's first second.
func (t timed) FirstSecond(ctx context.Context, at time.Time) (history.Trace, error) {
	ctx, cancel := context.WithTimeout(ctx, pastLimit)
	defer cancel()
	return t.Source.FirstSecond(ctx, at)
}

// apiWindow returns a span of history: from, to (RFC 3339) or span, and points.
func (h *historyPages) apiWindow(w http.ResponseWriter, r *http.Request) {
	if h.source == nil {
		h.site.SendError(w, r, http.StatusServiceUnavailable, "history is off")
		return
	}
	q, err := h.query(r.URL.Query(), apiPoints)
	if err != nil {
		h.site.SendError(w, r, http.StatusBadRequest, err.Error())
		return
	}
	win, err := h.source.Window(r.Context(), q)
	if err != nil {
		h.site.Log.Error("history can't be read", "err", err)
		h.site.SendError(w, r, http.StatusInternalServerError, "history can't be read")
		return
	}
	h.site.SendJSON(w, r, http.StatusOK, win)
}

type historyView struct {
	W              map[string]string
	To             *words.Reader
	None           bool // nothing is kept
	Error          string
	Spans          []spanLink
	Earlier, Later string
	From, Until    string
	FromS, UntilS  int64
	Charts         []draw.Chart
	Events         template.HTML
	Findings       []spanView
	More           int
	Runs           []runView // the latest
	MoreRuns       int
	UPlot          string         // addresses for the script
	Recording      *recordingView // nil: nothing is recorded
}

type spanLink struct {
	Path, Text string
	Here       bool
}

// runView is one motor run of the list.
type runView struct{ Path, Start, Duration, Mean, Peak string }

type spanView struct{ Name, Path, Subject, Word, From, To string }

// page is the page of history. It is whole without script; with it, the charts can be moved and
// zoomed.
func (h *historyPages) page(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := historyView{W: to.W, To: to, None: h.source == nil, UPlot: h.site.Assets.URLs["uplot.css"],
		Recording: recordingOf(h.recording)}
	c := web.Content{
		Template: "history", Title: to.W["NavHistory"], Nav: "/history", Scripts: []string{"uplot.js", "history.js"},
	}
	status := http.StatusOK
	if !v.None {
		q, err := h.query(r.URL.Query(), pagePoints)
		if err != nil {
			status, v.Error = http.StatusBadRequest, to.W["BadSpan"]+" "+err.Error()
			q, _ = h.query(nil, pagePoints)
		}
		q.Points = min(q.Points, pagePoints)
		win, err := h.source.Window(r.Context(), q)
		if err != nil {
			h.site.Log.Error("history can't be read", "err", err)
			status, v.Error = http.StatusInternalServerError, to.W["HistoryUnread"]
			win = history.Window{}
		}
		win.From, win.To = q.From, q.To
		fillHistory(to, &v, &win, h.site.Facts().At)
	}
	c.Data = &v
	h.site.Show(w, r, status, c)
}

func fillHistory(to *words.Reader, v *historyView, win *history.Window, now time.Time) {
	const layout = "2006-01-02 15:04 UTC"
	v.From, v.Until = win.From.Format(layout), win.To.Format(layout)
	v.FromS, v.UntilS = win.From.Unix(), win.To.Unix()
	span := win.To.Sub(win.From)
	link := func(from, until time.Time) string {
		q := url.Values{"from": {from.Format(time.RFC3339)}, "to": {until.Format(time.RFC3339)}}
		return "/history?" + q.Encode()
	}
	for _, sp := range spans {
		v.Spans = append(v.Spans, spanLink{"/history?span=" + sp.Name, to.Label("Span", sp.Name), sp.Span == span})
	}
	v.Earlier = link(win.From.Add(-span), win.From)
	if win.To.Before(now.Add(-time.Minute)) {
		v.Later = link(win.To, win.To.Add(span))
	}
	v.Charts, v.Events = draw.Charts(to, win), draw.Events(to, win)
	v.Runs = runViews(win.Runs)
	v.MoreRuns = win.RunCount - len(v.Runs)
	for i, f := range win.Findings {
		if i == listedSpans {
			v.More = len(win.Findings) - i
			break
		}
		sv := spanView{
			Name: f.Name, Path: "/findings/" + url.PathEscape(f.Name), Subject: to.About(f.Subject),
			Word: to.Label("Severity", f.Severity), From: f.From.UTC().Format(layout), To: to.W["Stands"],
		}
		if f.To != nil {
			sv.To = f.To.UTC().Format(layout)
		}
		v.Findings = append(v.Findings, sv)
	}
}

// runViews returns the latest runs, the last one first.
func runViews(runs []history.Run) []runView {
	runs = slices.SortedFunc(slices.Values(runs), func(a, b history.Run) int { return b.At.Compare(a.At) })
	var out []runView
	for _, r := range runs[:min(len(runs), listedRuns)] {
		out = append(out, runView{
			Path:  "/history/run?" + url.Values{"at": {r.At.UTC().Format(time.RFC3339Nano)}}.Encode(),
			Start: r.At.UTC().Format("2006-01-02 15:04:05"), Duration: figures.Number(r.DurationS, 1),
			Mean: figures.Number(r.MeanA, 0), Peak: figures.Number(r.PeakA, 0),
		})
	}
	return out
}

// runPageView is the page of a motor run's first second.
type runPageView struct {
	W      map[string]string
	Start  string
	Error  string
	Charts []draw.Chart // none: nothing is stored
}

// runPage shows the first second of the motor run that began at a time.
func (h *historyPages) runPage(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := runPageView{W: to.W}
	status := http.StatusNotFound
	at, err := time.Parse(time.RFC3339, r.URL.Query().Get("at"))
	switch {
	case err != nil:
		status = http.StatusBadRequest
	case h.source != nil:
		v.Start = words.Fill(to.W["FirstSecondAt"], "at", at.UTC().Format("2006-01-02 15:04:05 UTC"))
		trace, err := h.source.FirstSecond(r.Context(), at)
		if err != nil {
			h.site.Log.Error("history can't be read", "err", err)
			status, v.Error = http.StatusInternalServerError, to.W["HistoryUnread"]
		} else if v.Charts = draw.FirstSecond(to, &trace); len(v.Charts) > 0 {
			status = http.StatusOK
		}
	}
	if v.Error == "" && len(v.Charts) == 0 {
		v.Error = to.W["NoFirstSecond"]
	}
	h.site.Show(w, r, status, web.Content{Template: "run-start", Data: v, Title: to.W["FirstSecond"], Nav: "/history"})
}

// apiRun answers with the first second of a motor run; at is its start, as in the history.
func (h *historyPages) apiRun(w http.ResponseWriter, r *http.Request) {
	if h.source == nil {
		h.site.SendError(w, r, http.StatusServiceUnavailable, "no history is stored")
		return
	}
	at, err := time.Parse(time.RFC3339, r.URL.Query().Get("at"))
	if err != nil {
		want := "at: want the start of a motor run, such as 2026-03-09T13:41:07.218Z"
		h.site.SendError(w, r, http.StatusBadRequest, want)
		return
	}
	trace, err := h.source.FirstSecond(r.Context(), at)
	switch {
	case err != nil:
		h.site.Log.Error("history can't be read", "err", err)
		h.site.SendError(w, r, http.StatusInternalServerError, "history can't be read")
	case len(trace.Series) == 0:
		h.site.SendError(w, r, http.StatusNotFound, "no first second is stored of a motor run at that time")
	default:
		h.site.SendJSON(w, r, http.StatusOK, trace)
	}
}
