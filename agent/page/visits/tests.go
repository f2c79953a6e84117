package visits

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/agent/visit/judge"
)

// Ways to test a battery, in the order that they are offered.
const (
	withLoad       = "load"
	withTester     = "tester"
	withHydrometer = "hydrometer"
)

// testKeys are the fields of each way, after the battery and a point.
var testKeys = map[string][]string{
	withLoad:   {"load_a", "after_s", "voltage_v", "temperature_c", "before_v"},
	withTester: {"cranking_a", "tester_c", "resistance_mohm", "method"},
	withHydrometer: {
		"1", "2", "3", "4", "5", "6", "temperature_c",
	},
}

// testField returns the key of a field of a way to test a battery.
func testField(with, battery, what string) string {
	if with == withHydrometer {
		return "hydro." + battery + "." + what
	}
	return "test." + battery + "." + what
}

// batteryRoutes registers the pages of each battery, and of what the shop needs.
func (p *Forms) batteryRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /visit/test/{battery}", p.showTest)
	mux.HandleFunc("POST /visit/test", p.saveTest)
	mux.HandleFunc("GET /visit/battery/{battery}", p.showBattery)
	mux.HandleFunc("POST /visit/battery", p.saveBattery)
	mux.HandleFunc("POST /visit/battery/back", p.takeBack)
	mux.HandleFunc("GET /visit/order", p.showOrder)
	mux.HandleFunc("POST /visit/order", p.saveOrder)
}

// ownForm is what the templates of these pages have in common.
type ownForm struct {
	W        map[string]string
	To       *words.Reader
	Draft    *visit.Draft
	Battery  string
	Fields   []fieldView
	Refusals []refusalView
}

// F returns the data for the template of an input.
func (v ownForm) F(f fieldView) fieldOf { return fieldOf{f, v.W["Empty"], v.W["AgentSays"]} }

// ownField returns one input of these pages; a temperature is in the reader's unit.
func (p *Forms) ownField(to *words.Reader, v *ownForm, key, value string, refused []visit.Refusal) fieldView {
	field := p.store.Form().Field(key)
	f := inputOf(to, field, value)
	for _, r := range refused {
		if r.Key == key {
			f.show(bare(to, field, r.Value))
			f.Error = trouble(to, field, r.Why)
			v.Refusals = append(v.Refusals, refusalView{Label: f.Label, Value: f.Value, Why: f.Error, ID: f.ID})
		}
	}
	return f
}

// typed returns what a form sent for a field, as it is kept: a specific gravity with its point, which
// the trade leaves out (1265).
func typed(to *words.Reader, f *visit.Field, value string) string {
	n, ok := visit.ParseNumber(value)
	if ok && strings.HasPrefix(f.Key, "hydro.") && f.Unit == "" && n >= 1000 && n <= 1400 {
		return strconv.FormatFloat(n/1000, 'f', -1, 64)
	}
	return sentBy(to, f, value)
}

// under returns the visit under way and the battery that a page is about; where one of them is
// missing it has answered.
func (p *Forms) under(w http.ResponseWriter, r *http.Request, battery string) (*visit.Draft, bool) {
	if p.store == nil || p.store.Draft() == nil {
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
		return nil, false
	}
	if battery != "" && !slices.Contains(p.store.Form().Batteries, battery) {
		to := words.Of(r)
		p.site.Say(w, r, http.StatusNotFound, web.Message{Head: to.W["NotFound"], Path: "/visit", Link: to.W["NavVisit"]})
		return nil, false
	}
	return p.store.Draft(), true
}

// sentOf returns what a form sent for fields.
func (p *Forms) sentOf(r *http.Request, to *words.Reader, keys []string) map[string]string {
	sent := map[string]string{}
	for _, key := range keys {
		if f := p.store.Form().Field(key); f != nil && r.PostForm.Has(key) {
			sent[key] = typed(to, f, r.PostForm.Get(key))
		}
	}
	return sent
}

// saveOwn saves fields. It reports whether all went well, and has answered otherwise, unless there
// are refusals: those are for the page to show.
func (p *Forms) saveOwn(w http.ResponseWriter, r *http.Request, keys []string) (visit.Result, bool) {
	to := words.Of(r)
	revision, err := strconv.Atoi(r.PostForm.Get("revision"))
	if err != nil || revision < 0 {
		p.site.Fail(w, r, http.StatusBadRequest, web.Message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return visit.Result{}, false
	}
	res, err := p.store.Save(r.PostForm.Get("id"), revision, p.sentOf(r, to, keys), p.facts(r))
	if err != nil {
		p.refuse(w, r, err)
		return res, false
	}
	if len(res.Conflicts) > 0 {
		http.Redirect(w, r, "/visit/settle", http.StatusSeeOther)
		return res, false
	}
	return res, true
}

type testPage struct {
	ownForm
	TestHead  string
	With      string
	Ways      []wayView
	Caution   string
	Hint      string
	Judged    []judgedView
	Cells     []cellView
	Next      string // path of the next battery
	NextText  string
	Batteries []wayView
}

// wayView is one of several pages to choose from.
type wayView struct {
	Path, Text string
	Here       bool
}

// judgedView is what a test shows, or what the monitor says beside it.
type judgedView struct {
	Mark  string // a word; empty for the monitor's
	Class string // fails, unsure, fine
	Head  string
	Lines []string
}

type cellView struct {
	Number                  int
	Read, Corrected, Charge string
	Low                     bool
}

// showTest is a test of one battery: what was noted, and what it shows.
func (p *Forms) showTest(w http.ResponseWriter, r *http.Request) {
	if d, ok := p.under(w, r, r.PathValue("battery")); ok {
		p.testPage(w, r, http.StatusOK, d, r.PathValue("battery"), r.URL.Query().Get("with"), nil)
	}
}

func (p *Forms) testPage(
	w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, battery, with string, refused []visit.Refusal,
) {
	to := words.Of(r)
	if testKeys[with] == nil {
		with = withLoad
	}
	v := testPage{
		ownForm: ownForm{W: to.W, To: to, Draft: d, Battery: battery}, With: with,
		TestHead: words.Fill(to.W["TestOf"], "battery", battery),
		Caution:  to.W["CautionPosts"],
	}
	path := "/visit/test/" + url.PathEscape(battery)
	for _, way := range []string{withLoad, withTester, withHydrometer} {
		v.Ways = append(v.Ways, wayView{path + "?with=" + way, to.Label("TestWith", way), way == with})
	}
	for _, key := range testKeys[with] {
		key = testField(with, battery, key)
		v.Fields = append(v.Fields, p.ownField(to, &v.ownForm, key, d.Fields[key], refused))
	}
	all := p.store.Form().Batteries
	for _, b := range all {
		v.Batteries = append(v.Batteries, wayView{
			"/visit/test/" + url.PathEscape(b) + "?with=" + with, to.W["Battery"] + " " + b, b == battery,
		})
	}
	if i := slices.Index(all, battery); len(all) > 1 {
		next := all[(i+1)%len(all)]
		v.Next, v.NextText = next, words.Fill(to.W["TestNext"], "battery", next)
	}
	snap := p.site.Hub.Current()
	if b := batteryOf(snap, battery); b != nil && with == withLoad && b.RatedCCA > 0 {
		v.Hint = words.Fill(to.W["TestHalf"], "half", figures.Number(b.RatedCCA/2, 0), "rated", figures.Number(b.RatedCCA, 0))
	}
	switch with {
	case withHydrometer:
		if c, any := d.Cells(battery); any {
			v.Judged, v.Cells = cellsJudged(to, &c)
		}
	default:
		if t, any := d.Test(battery); any {
			v.Judged = testJudged(to, &t, d.Monitor["test."+battery], with)
		}
	}
	p.show(w, r, status, d, web.Content{Template: "battery-test", Data: v, Title: words.Fill(to.W["TestOf"], "battery", battery)})
}

func batteryOf(s *snapshot.Snapshot, battery string) *snapshot.Battery {
	if s == nil || s.Index(battery) < 0 {
		return nil
	}
	return &s.Batteries[s.Index(battery)]
}

// saveTest saves a test and shows what it says.
func (p *Forms) saveTest(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	battery, with := r.PostForm.Get("battery"), r.PostForm.Get("with")
	if _, ok := p.under(w, r, battery); !ok {
		return
	}
	var keys []string
	for _, what := range testKeys[with] {
		keys = append(keys, testField(with, battery, what))
	}
	res, ok := p.saveOwn(w, r, keys)
	switch {
	case !ok:
	case len(res.Refusals) > 0:
		p.testPage(w, r, http.StatusUnprocessableEntity, res.Draft, battery, with, res.Refusals)
	default:
		to, at := battery, "#judged"
		if next := r.PostForm.Get("next"); slices.Contains(p.store.Form().Batteries, next) {
			to, at = next, ""
		}
		http.Redirect(w, r, "/visit/test/"+url.PathEscape(to)+"?with="+url.QueryEscape(with)+at, http.StatusSeeOther)
	}
}

// Words of an outcome's mark.
var outcomeClass = map[judge.Outcome]string{
	judge.Passes: "fine", judge.Borderline: "unsure", judge.Fails: "fails", judge.NotJudged: "unsure",
}

// testJudged returns what a load test or a tester's reading shows.
func testJudged(to *words.Reader, t *visit.Test, m visit.MonitorFacts, with string) (all []judgedView) {
	if with == withLoad && t.Load != nil {
		v := judgedView{Mark: to.Label("Outcome", string(t.Load.Outcome)), Class: outcomeClass[t.Load.Outcome]}
		if t.VoltageV != nil && t.Load.NeededV != nil {
			v.Head = words.Fill(to.W["LoadHead"], "v", volts(*t.VoltageV), "needed", volts(*t.Load.NeededV))
			v.Lines = append(v.Lines, words.Fill(to.W["LoadTable"], "temp", temperature(to, t.TempC), "needed",
				volts(*t.Load.NeededV), "half", amps(*t.Load.HalfA)))
		}
		v.Lines = append(v.Lines, reasons(to, t.Load.Reasons)...)
		if len(t.Load.Reasons) == 0 {
			v.Lines = append(v.Lines, chargeLine(to, t.BeforeV, m.SoCPct))
		}
		if t.Load.Outcome == judge.Borderline || t.Load.Outcome == judge.Fails {
			v.Lines = append(v.Lines, to.Label("LoadDo", string(t.Load.Outcome)))
		}
		all = append(all, v, besideMonitor(to, t.Load.Monitor, m))
	}
	if with == withTester && t.Tester != nil {
		v := judgedView{Mark: to.Label("Outcome", string(t.Tester.Outcome)), Class: outcomeClass[t.Tester.Outcome]}
		if t.CrankingA != nil && t.Tester.SharePct != nil {
			v.Head = words.Fill(to.W["TesterHead"], "a", plusMinus(t.CrankingA, t.Tester.SigmaA, 0),
				"pct", figures.Short(t.Tester.SharePct, 0, false))
			v.Lines = append(v.Lines, words.Fill(to.W["TesterTable"], "needed", amps(*t.Tester.NeededA)))
		}
		v.Lines = append(v.Lines, reasons(to, t.Tester.Reasons)...)
		all = append(all, v, besideMonitor(to, t.Tester.Monitor, m))
	}
	return all
}

// cellsJudged returns what a hydrometer shows.
func cellsJudged(to *words.Reader, c *visit.Cells) (all []judgedView, cells []cellView) {
	v := judgedView{Mark: to.Label("Outcome", string(c.Result.Outcome)), Class: outcomeClass[c.Result.Outcome]}
	var low []string
	for i, x := range c.Result.Cells {
		cells = append(cells, cellView{
			i + 1, gravity(x.Read), gravity(x.Corrected), figures.Short(x.ChargePct, 0, false), x.Low,
		})
		if x.Low {
			low = append(low, strconv.Itoa(i+1))
		}
	}
	if c.Result.Spread != nil {
		key := "CellsEven"
		if len(low) > 0 {
			key = "CellsLow"
		}
		v.Head = words.Fill(to.W[key], "cells", strings.Join(low, ", "))
		v.Lines = append(v.Lines, words.Fill(to.W["CellsSpread"], "spread", figures.Short(c.Result.Spread, 3, false)))
		if c.Result.Charge {
			v.Lines = append(v.Lines, words.Fill(to.W["CellsCharge"], "pct", figures.Short(c.Result.ChargePct, 0, false)))
		}
		if len(low) > 0 {
			v.Lines = append(v.Lines, to.W["CellsDo"])
		}
	}
	v.Lines = append(v.Lines, reasons(to, c.Result.Reasons)...)
	all = append(all, v)
	if c.Result.Monitor != judge.Unknown {
		m := judgedView{Head: to.Label("Monitor", string(c.Result.Monitor)), Class: "fine", Lines: []string{words.Fill(
			to.W["CellsMonitor"], "pct", figures.Short(c.Result.ChargePct, 0, false),
			"sigma", figures.Number(judge.GravityPct, 0), "monitor", plusMinus(c.AgentSoCPct, c.AgentSigma, 0))}}
		if c.Result.Monitor == judge.Disagree {
			m.Class, m.Lines = "fails", append(m.Lines, to.W["CellsDisagree"])
		}
		all = append(all, m)
	}
	return all, cells
}

// besideMonitor returns what the monitor says beside a test.
func besideMonitor(to *words.Reader, a judge.Agreement, m visit.MonitorFacts) judgedView {
	v := judgedView{Head: to.Label("Monitor", string(a)), Class: "fine"}
	if m.Cranking.Value != nil && m.RatedCCA > 0 {
		share := 100 * *m.Cranking.Value / m.RatedCCA
		v.Lines = append(v.Lines, words.Fill(to.W["MonitorSays"], "a", plusMinus(m.Cranking.Value, m.Cranking.Sigma, 0),
			"pct", figures.Short(&share, 0, false), "verdict", to.Label("Verdict", m.Verdict)))
	}
	switch a {
	case judge.Unknown:
		v.Head = to.W["MonitorNone"]
	case judge.Disagree:
		v.Class, v.Lines = "fails", append(v.Lines, to.W["MonitorDisagree"])
	case judge.Unsure:
		v.Class, v.Lines = "unsure", append(v.Lines, to.W["MonitorUnsure"])
	}
	return v
}

func reasons(to *words.Reader, all []judge.Reason) (lines []string) {
	for _, why := range all {
		lines = append(lines, to.Label("Reason", string(why)))
	}
	return lines
}

// chargeLine says what charge a test began with.
func chargeLine(to *words.Reader, beforeV *float64, soc snapshot.Estimate) string {
	if beforeV != nil {
		return words.Fill(to.W["ChargedV"], "v", volts(*beforeV))
	}
	return words.Fill(to.W["ChargedPct"], "pct", plusMinus(soc.Value, soc.Sigma, 0))
}

const noBreak = "\u00a0"

func volts(v float64) string {
	text := strconv.FormatFloat(v, 'f', 2, 64)
	return strings.TrimSuffix(text, "0") + noBreak + "V"
}

func amps(a float64) string { return figures.Short(&a, 0, false) + noBreak + "A" }

func gravity(sg *float64) string { return figures.Short(sg, 3, false) }

func temperature(to *words.Reader, c *float64) string {
	return figures.Short(to.Temp(c), 0, false) + noBreak + to.TempUnit()
}

// plusMinus returns a figure with its standard uncertainty.
func plusMinus(v, sigma *float64, decimals int) string {
	text := figures.Short(v, decimals, false)
	if v != nil && sigma != nil {
		text += noBreak + "±" + noBreak + figures.Short(sigma, decimals, false)
	}
	return text
}
