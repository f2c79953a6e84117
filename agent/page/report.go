package page

import (
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/visit"
)

// reportView is a visit as it is printed.
// Steps returns the steps of a finding's next check, for its template.
func (v reportView) Steps(r visit.Remaining) []template.HTML { return v.To.steps(r.Name, r.NextCheck) }

type reportView struct {
	W          map[string]string
	To         *reader
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
	Charts     []chartView
	ChartsOf   string
	Oil        string
	JSON, CSV  string
	Gaps       []string // what is missing before it is finished; nothing forbids to finish
}

type reportArea struct {
	Title string
	Items []reportItem
}

type reportItem struct{ Text, Mark, State, Class, More string }

type readingView struct{ Name, Mine, Agents, Differs, At string }

type testView struct{ Battery, Method, Load, Cranking, AgentCranking, Mohm, AgentMohm string }

type compareRow struct {
	Name, Before, After string
	Changed             bool
}

const reportCharts = 7 * 24 * time.Hour // before the end of the visit

func (s *Server) showReport(w http.ResponseWriter, r *http.Request, v *visit.Visit, preview bool) {
	to := readerOf(r)
	p := reportView{
		W: to.W, To: to, V: v, Preview: preview, Begun: v.Begun.UTC().Format("2006-01-02 15:04 UTC"), End: unknown,
		JSON: "/visits/" + url.PathEscape(v.ID) + ".json", CSV: "/visits/" + url.PathEscape(v.ID) + ".csv",
	}
	end := v.Finished
	if preview {
		end = s.unitNow()
		p.Gaps = to.gaps(v)
	} else {
		p.End = v.Finished.UTC().Format("2006-01-02 15:04 UTC")
	}
	p.Head = to.reportHead(v)
	for _, a := range v.Areas {
		p.Areas = append(p.Areas, to.reportArea(a, &p.Unchecked))
	}
	for _, m := range v.Readings {
		p.Readings = append(p.Readings, to.readingView(m))
	}
	for _, t := range v.Tests {
		p.Tests = append(p.Tests, testView{
			t.Battery, t.Method, strings.TrimSpace(loadOf(t)), figure(t.CrankingA, 0), figure(
				t.AgentCrankingA, 0,
			), figure(t.ResistanceMohm, 2), figure(t.AgentResistanceMohm, 2),
		})
	}
	for _, k := range v.Work {
		p.Work = append(p.Work, to.workView(k))
	}
	p.Compare = to.compareFigures(&v.Before, &v.After)
	p.Oil = to.oil(v.Oil)
	if s.opts.History != nil {
		q := history.Query{From: end.Add(-reportCharts), To: end, Points: 240}
		if win, err := s.window(r.Context(), q); err == nil {
			win.From, win.To = q.From, q.To
			p.Charts = to.charts(&win)
			p.ChartsOf = q.From.UTC().Format("2006-01-02") + " – " + q.To.UTC().Format("2006-01-02")
		} else {
			s.opts.Log.Error("history can't be read", "err", err)
		}
	}
	s.show(w, r, http.StatusOK, content{
		template: "report", data: p, title: to.W["Report"] + " " + v.Unit, nav: "/visit",
		scripts: []string{"report.js"},
	})
}

func (to *reader) reportHead(v *visit.Visit) []pair {
	count := func(c visit.Counters) string {
		return fill(
			to.W["CountersText"], "cycles", number(float64(c.LiftCycles), 0), "runs", number(float64(c.Runs), 0),
			"hours", short(&[]float64{c.MotorTimeS / 3600}[0], 1, false),
		)
	}
	return []pair{
		{to.W["OfUnit"], v.Unit, ""}, {to.W["Field.by"], v.By, ""}, {to.W["Field.place"], orDash(v.Place), ""},
		{to.W["CountersAt"], count(v.Start), ""},
	}
}

func orDash(text string) string {
	if text == "" {
		return unknown
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
			parts = append(parts, number(*p.v, 0)+"\u00a0"+p.unit)
		}
	}
	return strings.Join(parts, ", ")
}

// stateMarks are signs beside the words of a state.
var stateMarks = map[string]string{"ok": "✓", "attention": "!", "not-checked": "–"}

func (to *reader) reportArea(a visit.CheckedArea, unchecked *int) reportArea {
	out := reportArea{Title: to.translate(a.Title)}
	for _, i := range a.Items {
		if i.State == "not-checked" && i.Note+i.Reading+i.Photo == "" {
			*unchecked++
			continue
		}
		item := reportItem{
			Text: to.translate(i.Text), Mark: stateMarks[i.State], State: to.label("Choice", i.State), Class: "note",
		}
		if i.State == "attention" {
			item.Class = "urgent"
		}
		var more []string
		if i.Reading != "" {
			more = append(more, strings.TrimSpace(i.Reading+" "+i.Unit))
		}
		if i.Note != "" {
			more = append(more, i.Note)
		}
		if i.Photo != "" {
			more = append(more, to.W["Field.photo"]+": "+i.Photo)
		}
		item.More = strings.Join(more, " · ")
		out.Items = append(out.Items, item)
	}
	return out
}

func (to *reader) readingView(m visit.Reading) readingView {
	v := readingView{
		Name: to.label("Subject", m.Subject) + ", " + to.label(
			"Field", m.Figure,
		), Mine: to.measured(&m.Value, m.Unit), Agents: to.measured(m.Agent, m.Unit), Differs: unknown,
		At: m.At.UTC().Format("15:04"),
	}
	if _, named := to.W["Subject."+m.Subject]; !named {
		v.Name = to.W["Battery"] + " " + m.Subject + ", " + to.label("Field", m.Figure)
	}
	if m.Agent != nil {
		d := m.Value - *m.Agent
		unit := m.Unit
		if unit == "°C" && to.Fahrenheit {
			d, unit = d*9/5, "°F"
		}
		v.Differs = short(&d, 2, true) + " " + unit
	}
	return v
}

// compareFigures sets the figures of the beginning and the end side by side.
func (to *reader) compareFigures(before, after *visit.Figures) []compareRow {
	var out []compareRow
	row := func(name string, b, a *float64, decimals int) {
		if b == nil && a == nil {
			return
		}
		out = append(out, compareRow{
			name, short(b, decimals, false), short(a, decimals, false),
			b == nil || a == nil || short(b, decimals, false) != short(a, decimals, false),
		})
	}
	for i, b := range before.Batteries {
		var a visit.BatteryFigures
		if i < len(after.Batteries) {
			a = after.Batteries[i]
		}
		name := to.W["Battery"] + " " + b.ID + ": "
		out = append(out, compareRow{
			name + to.W["Verdict"], to.label("Verdict", b.Verdict), to.label("Verdict", a.Verdict),
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
		row(to.label("Link", b.Side)+" "+b.From+" "+to.W["To"]+" "+b.To+", mΩ", b.ResistanceMohm, a.ResistanceMohm, 2)
	}
	row(to.W["FeedPath"], before.FeedMohm, after.FeedMohm, 2)
	row(to.W["MotorPath"], before.MotorMohm, after.MotorMohm, 2)
	return out
}

func (to *reader) oil(o visit.Oil) string {
	if o == (visit.Oil{}) {
		return ""
	}
	level, position := unknown, to.W["PositionUnknown"]
	if o.Level != "" {
		level = to.label("Choice", o.Level)
	}
	if o.Position != "" {
		position = to.label("Choice", o.Position)
	}
	text := fill(to.W["OilText"], "level", level, "position", position)
	if o.Note != "" {
		text += " · " + o.Note
	}
	return text
}

// gaps returns what a record lacks that its readers would look for.
func (to *reader) gaps(v *visit.Visit) []string {
	var out []string
	unchecked := 0
	for _, a := range v.Areas {
		for _, i := range a.Items {
			if i.State == "not-checked" {
				unchecked++
			}
			if i.State == "attention" && i.Note == "" {
				out = append(out, fill(to.W["GapNote"], "item", to.translate(i.Text)))
			}
		}
	}
	if unchecked > 0 {
		out = append(out, fill(to.W["GapUnchecked"], "n", number(float64(unchecked), 0)))
	}
	if v.Oil.Level != "" && v.Oil.Position == "" {
		out = append(out, to.W["GapPosition"])
	}
	if !v.ClockTrusted {
		out = append(out, to.W["ClockUnsure"])
	}
	return out
}
