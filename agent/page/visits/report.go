package visits

import (
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/draw"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// Steps returns the steps of a finding's next check, for its template.
func (v reportView) Steps(r visit.Remaining) []template.HTML {
	return view.Steps(v.To, r.Name, r.NextCheck)
}

type reportView struct {
	W          map[string]string
	To         *words.Reader
	V          *visit.Visit
	Preview    bool
	Begun, End string
	Head       []pair
	Areas      []reportArea
	Unchecked  int
	Readings   []readingView
	Tests      []testView
	Work       []workView
	Compare    []compareRow
	Charts     []draw.Chart
	ChartsOf   string
	Oil        string
	JSON, CSV  string
	Gaps       []string // what is missing before it is finished; nothing forbids to finish
}

// pair is one line of a table: a name, what is said of it, and a remark.
type pair struct{ Name, Value, Note string }

type reportArea struct {
	Title, Note string
	Items       []reportItem
	Photos      []photoView
}

type reportItem struct {
	Text, Mark, State, Class, More string
	Photos                         []photoView
}

type readingView struct{ Name, Mine, Agents, Differs, At string }

type testView struct{ Battery, Method, Load, Cranking, AgentCranking, Mohm, AgentMohm string }

type compareRow struct {
	Name, Before, After string
	Changed             bool
}

const reportCharts = 7 * 24 * time.Hour // before the end of the visit

// show sends the report of a visit; of the one under way, with what stands at the end of the bar.
func (p *Records) show(w http.ResponseWriter, r *http.Request, v *visit.Visit, bar template.HTML) {
	to, preview := words.Of(r), bar != ""
	scripts := []string{"report.js"}
	if preview {
		scripts = append(scripts, "visit.js")
	}
	out := reportView{
		W: to.W, To: to, V: v, Preview: preview, Begun: v.Begun.UTC().Format("2006-01-02 15:04 UTC"), End: figures.Unknown,
		JSON: "/visits/" + url.PathEscape(v.ID) + ".json", CSV: "/visits/" + url.PathEscape(v.ID) + ".csv",
	}
	end := v.Finished
	if preview {
		end = p.site.Facts().At
		out.Gaps = gaps(to, v)
	} else {
		out.End = v.Finished.UTC().Format("2006-01-02 15:04 UTC")
	}
	out.Head = reportHead(to, v)
	for _, a := range v.Areas {
		out.Areas = append(out.Areas, p.checkedOf(to, v, a, &out.Unchecked))
	}
	for _, m := range v.Readings {
		out.Readings = append(out.Readings, readingOf(to, m))
	}
	for _, t := range v.Tests {
		out.Tests = append(out.Tests, testView{
			t.Battery, t.Method, strings.TrimSpace(loadOf(t)), figures.Of(t.CrankingA, 0),
			figures.Of(t.AgentCrankingA, 0), figures.Of(t.ResistanceMohm, 2), figures.Of(t.AgentResistanceMohm, 2),
		})
	}
	for _, k := range v.Work {
		out.Work = append(out.Work, workOf(to, k))
	}
	out.Compare = compareFigures(to, &v.Before, &v.After)
	out.Oil = oil(to, v.Oil)
	if p.source != nil {
		q := history.Query{From: end.Add(-reportCharts), To: end, Points: 240}
		if win, err := p.source.Window(r.Context(), q); err == nil {
			win.From, win.To = q.From, q.To
			out.Charts = draw.Charts(to, &win)
			out.ChartsOf = q.From.UTC().Format("2006-01-02") + " – " + q.To.UTC().Format("2006-01-02")
		} else {
			p.site.Log.Error("history can't be read", "err", err)
		}
	}
	p.site.Show(w, r, http.StatusOK, web.Content{
		Template: "report", Data: out, Title: to.W["Report"] + " " + v.Unit, Nav: "/visit",
		Scripts: scripts, BarEnd: bar,
	})
}

func reportHead(to *words.Reader, v *visit.Visit) []pair {
	count := func(c visit.Counters) string {
		return words.Fill(
			to.W["CountersText"], "cycles", figures.Number(float64(c.LiftCycles), 0), "runs", figures.Number(float64(c.Runs), 0),
			"hours", figures.Short(&[]float64{c.MotorTimeS / 3600}[0], 1, false),
		)
	}
	return []pair{
		{to.W["OfUnit"], v.Unit, ""}, {to.W["Field.by"], v.By, ""}, {to.W["Field.place"], orDash(v.Place), ""},
		{to.W["CountersAt"], count(v.Start), ""},
	}
}

func orDash(text string) string {
	if text == "" {
		return figures.Unknown
	}
	return text
}

func loadOf(t visit.Test) string {
	var parts []string
	for _, p := range []struct {
		v    *float64
		unit string
	}{{t.LoadA, "A"}, {t.AfterS, "s"}, {t.VoltageV, "V"}} {
		if p.v != nil {
			parts = append(parts, figures.Number(*p.v, 0)+"\u00a0"+p.unit)
		}
	}
	return strings.Join(parts, ", ")
}

// stateMarks are signs beside the words of a state.
var stateMarks = map[string]string{"ok": "✓", "attention": "!", "not-applicable": "–", "not-checked": "–"}

func (p *Records) checkedOf(to *words.Reader, v *visit.Visit, a visit.CheckedArea, unchecked *int) reportArea {
	out := reportArea{Title: to.Translate(a.Title), Note: a.Note}
	out.Photos = p.photosOf(to, v, "area."+a.ID, out.Title)
	for _, i := range a.Items {
		if i.State == "not-checked" && i.Note+i.Reading+i.Photo == "" && len(i.Photos) == 0 {
			*unchecked++
			continue
		}
		item := reportItem{
			Text: to.Translate(i.Text), Mark: stateMarks[i.State], State: to.Label("Choice", i.State), Class: "note",
		}
		if i.State == "attention" {
			item.Class = "urgent"
		}
		var more []string
		if i.Reading != "" {
			more = append(more, readingText(to, i))
		}
		if i.Note != "" {
			more = append(more, i.Note)
		}
		if i.Photo != "" {
			more = append(more, to.W["Field.photo"]+": "+i.Photo)
		}
		item.More = strings.Join(more, " · ")
		item.Photos = p.photosOf(to, v, visit.ItemKey(a.ID, i.ID), item.Text)
		out.Items = append(out.Items, item)
	}
	return out
}

// photosOf returns the photos of one thing that are still on the card.
func (p *Records) photosOf(to *words.Reader, v *visit.Visit, of, what string) (kept []photoView) {
	for _, photo := range photoViews(to, v.ID, v.Photos, of, what) {
		if p.store.HasPhoto(v.ID, photo.Name) {
			kept = append(kept, photo)
		}
	}
	return kept
}

// readingText returns what was read, and its limits where it is outside of them.
func readingText(to *words.Reader, i visit.CheckedItem) string {
	if i.Value == nil {
		return strings.TrimSpace(i.Reading + " " + i.Unit)
	}
	text := view.Measured(to, i.Value, i.Unit)
	if i.Judged == visit.Below || i.Judged == visit.Above {
		text += ". " + words.Fill(to.Label("Judged", i.Judged), "limit", limitText(to, i.LimitMin, i.LimitMax, i.Unit))
	}
	return text
}

func readingOf(to *words.Reader, m visit.Reading) readingView {
	v := readingView{
		Name: to.Label("Subject", m.Subject) + ", " + to.Label("Field", m.Figure),
		Mine: view.Measured(to, &m.Value, m.Unit), Agents: view.Measured(to, m.Agent, m.Unit),
		Differs: figures.Unknown, At: m.At.UTC().Format("15:04"),
	}
	if _, named := to.W["Subject."+m.Subject]; !named {
		v.Name = to.W["Battery"] + " " + m.Subject + ", " + to.Label("Field", m.Figure)
	}
	if m.Agent != nil {
		d := m.Value - *m.Agent
		unit := m.Unit
		if unit == "°C" && to.Fahrenheit {
			d, unit = d*9/5, "°F"
		}
		v.Differs = figures.Short(&d, 2, true) + " " + unit
	}
	return v
}

// compareFigures sets the figures of the beginning and the end side by side.
func compareFigures(to *words.Reader, before, after *visit.Figures) []compareRow {
	var out []compareRow
	row := func(name string, b, a *float64, decimals int) {
		if b == nil && a == nil {
			return
		}
		out = append(out, compareRow{
			name, figures.Short(b, decimals, false), figures.Short(a, decimals, false),
			b == nil || a == nil || figures.Short(b, decimals, false) != figures.Short(a, decimals, false),
		})
	}
	for i, b := range before.Batteries {
		var a visit.BatteryFigures
		if i < len(after.Batteries) {
			a = after.Batteries[i]
		}
		name := to.W["Battery"] + " " + b.ID + ": "
		out = append(out, compareRow{
			name + to.W["Verdict"], to.Label("Verdict", b.Verdict), to.Label("Verdict", a.Verdict),
			a.Verdict != b.Verdict,
		})
		row(name+to.W["Resistance"], b.ResistanceMohm, a.ResistanceMohm, 2)
		row(name+to.W["Cranking"], b.CrankingA, a.CrankingA, 0)
		row(name+to.W["Charge"], b.SoCPct, a.SoCPct, 0)
		row(name+to.W["Rested"], b.RestedV, a.RestedV, 2)
	}
	for i, b := range before.Links {
		var a visit.LinkFigures
		if i < len(after.Links) {
			a = after.Links[i]
		}
		row(to.Label("Link", b.Side)+" "+b.From+" "+to.W["To"]+" "+b.To+", mΩ", b.ResistanceMohm, a.ResistanceMohm, 2)
	}
	row(to.W["FeedPath"], before.FeedMohm, after.FeedMohm, 2)
	row(to.W["MotorPath"], before.MotorMohm, after.MotorMohm, 2)
	return out
}

func oil(to *words.Reader, o visit.Oil) string {
	if o == (visit.Oil{}) {
		return ""
	}
	level, position := figures.Unknown, to.W["PositionUnknown"]
	if o.Level != "" {
		level = to.Label("Choice", o.Level)
	}
	if o.Position != "" {
		position = to.Label("Choice", o.Position)
	}
	text := words.Fill(to.W["OilText"], "level", level, "position", position)
	if o.Note != "" {
		text += " · " + o.Note
	}
	return text
}

// gaps returns what a record lacks that its readers would look for.
func gaps(to *words.Reader, v *visit.Visit) []string {
	var out []string
	unchecked := 0
	for _, a := range v.Areas {
		for _, i := range a.Items {
			if i.State == "not-checked" {
				unchecked++
			}
			if i.State == "attention" && i.Note == "" {
				out = append(out, words.Fill(to.W["GapNote"], "item", to.Translate(i.Text)))
			}
			if outside := i.Judged == visit.Below || i.Judged == visit.Above; outside && i.State != "attention" {
				out = append(out, words.Fill(to.W["GapLimit"], "item", to.Translate(i.Text)))
			}
		}
	}
	if unchecked > 0 {
		out = append(out, words.Fill(to.W["GapUnchecked"], "n", figures.Number(float64(unchecked), 0)))
	}
	if v.Oil.Level != "" && v.Oil.Position == "" {
		out = append(out, to.W["GapPosition"])
	}
	if o := v.Oil; o.WantedPosition != "" && o.Position != "" && o.Position != o.WantedPosition {
		out = append(out, to.W["GapOil"])
	}
	if !v.ClockTrusted {
		out = append(out, to.W["ClockUnsure"])
	}
	return out
}
