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

// spans are those that have a name.
var spans = []struct {
	Name string
	Span time.Duration
}{
	{"10m", 10 * time.Minute}, {"1h", time.Hour}, {"6h", 6 * time.Hour}, {"1d", 24 * time.Hour},
	{"7d", 7 * 24 * time.Hour},
	{"30d", 30 * 24 * time.Hour}, {"365d", 365 * 24 * time.Hour},
}

// offered are the spans that have a button; the others are asked for by address, as a link does.
var offered = []string{"1h", "1d", "7d", "30d", "365d"}

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
	Title          string // the span in words
	UTC            bool   // times are UTC, as the reader's zone is not known
	ZoneMin        int    // east of UTC, that the times are in
	FromS, UntilS  int64
	NowS           int64
	Follows        bool // the span goes on to now
	Spans          []spanLink
	Earlier, Later string
	Charts         []draw.Chart
	Axis           template.HTML
	Strip          draw.Strip
	Tables         []namedTable
	Findings       []spanView
	More           int
	Runs           []runView // the latest
	MoreRuns       int
	Recording      *recordingView // nil: nothing is recorded
}

type spanLink struct {
	Path, Text string
	Here       bool
}

// namedTable is a chart in figures.
type namedTable struct {
	Title string
	draw.Table
}

// runView is one motor run of the list.
type runView struct{ Path, Start, Duration, Mean, Peak string }

type spanView struct {
	Name, Path string
	Title      template.HTML
	Word       string
	From, To   string
}

// ZoneCookie has the reader's offset from UTC in minutes, which a script notes.
const ZoneCookie = "liftbank_zone"

// zoneOf returns the reader's zone; known is false where no script has told it.
func zoneOf(r *http.Request) (zone *time.Location, known bool) {
	c, err := r.Cookie(ZoneCookie)
	if err != nil {
		return time.UTC, false
	}
	minutes, err := strconv.Atoi(c.Value)
	if err != nil || minutes < -14*60 || minutes > 14*60 {
		return time.UTC, false
	}
	return time.FixedZone("", 60*minutes), true
}

// page is the page of history. It is whole without script; with it, the charts follow and can be zoomed.
func (h *historyPages) page(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := historyView{W: to.W, To: to, None: h.source == nil, Recording: recordingOf(h.recording)}
	c := web.Content{Template: "history", Title: to.W["NavHistory"], Nav: "/history", Scripts: []string{"history.js"}}
	status := http.StatusOK
	if !v.None {
		zone, known := zoneOf(r)
		asked := r.URL.Query()
		q, err := h.query(asked, pagePoints)
		if err != nil {
			status, v.Error = http.StatusBadRequest, to.W["BadSpan"]+" "+err.Error()
			asked = nil
			q, _ = h.query(nil, pagePoints)
		}
		now := h.site.Facts().At
		if asked.Get("from") == "" && asked.Get("to") == "" {
			q.From, q.To = whole(q.To.Sub(q.From), now, zone)
		}
		q.Points = min(q.Points, pagePoints)
		win, err := h.source.Window(r.Context(), q)
		if err != nil {
			h.site.Log.Error("history can't be read", "err", err)
			status, v.Error = http.StatusInternalServerError, to.W["HistoryUnread"]
			win = history.Window{}
		}
		win.From, win.To = q.From, q.To
		v.UTC = !known
		_, offset := now.In(zone).Zone()
		v.ZoneMin = offset / 60
		h.fill(to, &v, &win, now, zone)
		c.Title = to.W["NavHistory"] + ", " + v.Title
	}
	c.Data = &v
	h.site.Show(w, r, status, c)
}

// whole returns the span of that length that now lies in: whole days, or for hours up to the next five
// minutes or so. What is still to come is empty.
func whole(span time.Duration, now time.Time, zone *time.Location) (from, to time.Time) {
	const day = 24 * time.Hour
	if span >= day {
		y, m, d := now.In(zone).Date()
		to = time.Date(y, m, d+1, 0, 0, 0, 0, zone)
	} else {
		step := max(span/12, time.Minute).Truncate(time.Minute)
		to = now.Truncate(step).Add(step)
	}
	return to.Add(-span).UTC(), to.UTC()
}

func spanPath(from, until time.Time) string {
	q := url.Values{"from": {from.UTC().Format(time.RFC3339)}, "to": {until.UTC().Format(time.RFC3339)}}
	return "/history?" + q.Encode()
}

func (h *historyPages) fill(to *words.Reader, v *historyView, win *history.Window, now time.Time, zone *time.Location) {
	v.FromS, v.UntilS, v.NowS = win.From.Unix(), win.To.Unix(), now.Unix()
	v.Follows = !now.Before(win.From) && now.Before(win.To.Add(time.Minute))
	v.Title = spanTitle(to, win.From.In(zone), win.To.In(zone), now.In(zone))
	span := win.To.Sub(win.From)
	for _, sp := range spans {
		if !slices.Contains(offered, sp.Name) && sp.Span != span {
			continue
		}
		v.Spans = append(v.Spans, spanLink{"/history?span=" + sp.Name, to.Label("Span", sp.Name), sp.Span == span})
	}
	v.Earlier = spanPath(win.From.Add(-span), win.From)
	if win.To.Before(now) {
		v.Later = spanPath(win.To, win.To.Add(span))
	}
	numbers := map[[2]string]int{}
	if s := h.site.Hub.Current(); s != nil {
		for i := range s.Findings {
			if f := &s.Findings[i]; f.Active {
				numbers[[2]string{f.Name, f.Subject}] = i + 1
			}
		}
	}
	past := draw.Past{
		Zone: zone, Now: now, Number: func(name, subject string) int { return numbers[[2]string{name, subject}] },
		Path: func(from, to time.Time) template.URL { return template.URL(spanPath(from, to)) },
	}
	past.Wired = draw.WiredAs(h.site.Hub.Current())
	if v.Follows {
		past.Doubt = h.doubtNow
	}
	v.Charts, v.Axis, v.Strip = past.Charts(to, win), past.Axis(to, win), past.Strip(to, win)
	for _, c := range v.Charts {
		v.Tables = append(v.Tables, namedTable{c.Title, c.Table})
	}
	v.Tables = append(v.Tables, namedTable{to.W["EventsTitle"], v.Strip.Table})
	v.Runs = runViews(win.Runs, zone)
	v.MoreRuns = win.RunCount - len(v.Runs)
	stamp := func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04") }
	for i, f := range win.Findings {
		if i == listedSpans {
			v.More = len(win.Findings) - i
			break
		}
		sv := spanView{
			Name: f.Name, Path: "/findings/" + url.PathEscape(f.Name), Word: to.Label("Severity", f.Severity),
			Title: draw.TitleOf(to, f.Name, f.Subject), From: stamp(f.From), To: to.W["Stands"],
		}
		if f.To != nil {
			sv.To = stamp(*f.To)
		}
		v.Findings = append(v.Findings, sv)
	}
}

// doubtNow is the uncertainty of what a line shows last, of those that have one.
func (h *historyPages) doubtNow(figure, battery string) string {
	s := h.site.Hub.Current()
	if s == nil || figure != "soc_pct" {
		return ""
	}
	for i := range s.Batteries {
		if b := &s.Batteries[i]; b.ID == battery && b.SoCPct.Sigma != nil {
			return "±\u00a0" + figures.Short(new(max(*b.SoCPct.Sigma, 1)), 0, false)
		}
	}
	return ""
}

// spanTitle says a span in words: its days, or the hours of one. The end is not in it.
func spanTitle(to *words.Reader, from, until, now time.Time) string {
	last := until.Add(-time.Second)
	day := func(t time.Time, month, year bool) string {
		text := strconv.Itoa(t.Day())
		if month {
			text = words.Fill(to.W["DateOf"], "day", text, "month", to.Label("MonthName", strconv.Itoa(int(t.Month()))))
		}
		if year {
			text += " " + strconv.Itoa(t.Year())
		}
		return text
	}
	year := last.Year() != now.Year() || from.Year() != last.Year()
	whole := from.Hour() == 0 && from.Minute() == 0 && until.Hour() == 0 && until.Minute() == 0
	switch sameDay := from.YearDay() == last.YearDay() && from.Year() == last.Year(); {
	case sameDay && whole:
		return day(from, true, year)
	case sameDay:
		hours := words.Fill(to.W["FromTo"], "from", from.Format("15:04"), "to", until.Format("15:04"))
		return day(from, true, year) + ", " + hours
	case !whole && until.Sub(from) < 3*24*time.Hour:
		return words.Fill(to.W["FromTo"], "from", day(from, true, from.Year() != last.Year())+", "+from.Format("15:04"), "to",
			day(last, true, year)+", "+until.Format("15:04"))
	}
	month := from.Month() != last.Month() || from.Year() != last.Year()
	return words.Fill(to.W["FromTo"], "from", day(from, month, from.Year() != last.Year()), "to", day(last, true, year))
}

// runViews returns the latest runs, the last one first.
func runViews(runs []history.Run, zone *time.Location) []runView {
	runs = slices.SortedStableFunc(slices.Values(runs), func(a, b history.Run) int { return b.At.Compare(a.At) })
	var out []runView
	for _, r := range runs[:min(len(runs), listedRuns)] {
		out = append(out, runView{
			Path:  "/history/run?" + url.Values{"at": {r.At.UTC().Format(time.RFC3339Nano)}}.Encode(),
			Start: r.At.In(zone).Format("2006-01-02 15:04:05"), Duration: figures.Number(r.DurationS, 1),
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
		} else if v.Charts = draw.FirstSecond(to, &trace, draw.WiredAs(h.site.Hub.Current())); len(v.Charts) > 0 {
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
