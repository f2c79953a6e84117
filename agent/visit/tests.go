package visit

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/snapshot"
	"liftbank/agent/visit/judge"
	"liftbank/rules/leadacid"
)

// Kinds of fields besides those of the checklist.
const (
	Date    Kind = iota + 100 // 2025-10-16 or 2025-10
	Drawing                   // strokes of a pen, as drawn on the phone
)

// Tested is how a load test was made, and what it shows by the published tables and beside what the
// monitor knows.
type Tested struct {
	TempC       *float64            `json:"temperature_c,omitempty"` // of the battery
	BeforeV     *float64            `json:"before_v,omitempty"`      // at rest, before the load
	TesterC     *float64            `json:"tester_c,omitempty"`      // that the electronic tester went by
	RatedCCA    float64             `json:"rated_cca_a,omitempty"`   // that it was judged by
	AgentSigmaA *float64            `json:"agent_cranking_sigma_a,omitempty"`
	Load        *judge.LoadResult   `json:"load,omitempty"`
	Tester      *judge.TesterResult `json:"tester,omitempty"`
}

// Cells is what a hydrometer shows of one battery.
type Cells struct {
	Battery     string                 `json:"battery"`
	TempC       *float64               `json:"temperature_c"`
	AgentSoCPct *float64               `json:"agent_soc_pct"`
	AgentSigma  *float64               `json:"agent_soc_sigma_pct"`
	Result      judge.HydrometerResult `json:"result"`
}

// Order is what the shop needs besides.
type Order struct {
	Number         string   `json:"number,omitempty"`
	Minutes        *float64 `json:"minutes,omitempty"` // of work
	Parts          string   `json:"parts,omitempty"`
	Remains        string   `json:"remains,omitempty"` // what is left to do
	Due            string   `json:"due,omitempty"`     // by when: 2025-11-14 or 2025-11
	ReceivedBy     string   `json:"received_by,omitempty"`
	Signature      string   `json:"signature,omitempty"`       // of the technician: strokes, see Strokes
	SignedReceived string   `json:"signed_received,omitempty"` // of whoever received the unit
}

// MonitorFacts is what the agent knew of a battery when the technician's test of it was noted.
type MonitorFacts struct {
	At        time.Time         `json:"at"`
	Chemistry string            `json:"chemistry"`
	RatedCCA  float64           `json:"rated_cca_a"`
	SoCPct    snapshot.Estimate `json:"soc_pct"`
	Cranking  snapshot.Estimate `json:"cranking_a"`
	Verdict   string            `json:"verdict"`
}

// addTests adds the fields of tests, in the order in which they are asked for.
func (f *Form) addTests(batteries []string) {
	number := func(key, unit string, low, high float64) {
		f.Fields = append(f.Fields, Field{Key: key, Kind: Number, Unit: unit, Min: low, Max: high})
	}
	for _, b := range batteries {
		number("test."+b+".temperature_c", "°C", -60, 120)
		number("test."+b+".before_v", "V", 0, 20)
		number("test."+b+".tester_c", "°C", -60, 120)
		for c := range judge.Cells {
			number("hydro."+b+"."+strconv.Itoa(c+1), "", 1, 1.35)
		}
		number("hydro."+b+".temperature_c", "°C", -40, 70)
	}
	f.addLabels(batteries)
	f.Fields = append(f.Fields,
		Field{Key: "order.number"}, Field{Key: "order.minutes", Kind: Number, Unit: "min", Min: 0, Max: 10000},
		Field{Key: "order.parts", Kind: Note}, Field{Key: "order.remains", Kind: Note}, Field{Key: "order.due", Kind: Date},
		Field{Key: "order.received_by"}, Field{Key: "sign.technician", Kind: Drawing}, Field{Key: "sign.received", Kind: Drawing})
}

// cleanMore cleans a value of a kind that the checklist has not.
func (f *Field) cleanMore(value string) (string, Problem) {
	if f.Kind == Date {
		return cleanDate(value)
	}
	switch {
	case len(value) > maxDrawing:
		return "", TooLong
	case !strokes.MatchString(value):
		return "", NotDrawing
	}
	return value, ""
}

// NotDrawing says that a value is no drawing.
const NotDrawing Problem = "not-drawing"

// maxDrawing bounds a signature, in bytes: some 800 points, twice what a long one has. Our choice.
const maxDrawing = 6000

// Size of a drawing: its points are within.
const (
	DrawingWidth  = 999
	DrawingHeight = 333
)

var strokes = regexp.MustCompile(`^[0-9]{1,3},[0-9]{1,3}( [0-9]{1,3},[0-9]{1,3})*(;[0-9]{1,3},[0-9]{1,3}( [0-9]{1,3},[0-9]{1,3})*)*$`)

// Path returns a drawing as the data of an SVG path, empty for one that is none.
func Path(drawing string) string {
	if !strokes.MatchString(drawing) {
		return ""
	}
	var b strings.Builder
	for stroke := range strings.SplitSeq(drawing, ";") {
		points := strings.Fields(stroke)
		b.WriteString("M" + points[0])
		if len(points) == 1 {
			b.WriteString(" l1,0") // a dot
		}
		for _, p := range points[1:] {
			b.WriteString(" L" + p)
		}
	}
	return b.String()
}

// noteMonitor keeps what the agent knows of a battery beside a test of it.
func (d *Draft) noteMonitor(key string, now Facts) {
	section, rest, _ := strings.Cut(key, ".")
	battery, _, _ := strings.Cut(rest, ".")
	if section != "test" && section != "hydro" || now.Snapshot == nil || now.Snapshot.Index(battery) < 0 {
		return
	}
	b := &now.Snapshot.Batteries[now.Snapshot.Index(battery)]
	monitor := map[string]MonitorFacts{}
	for id, m := range d.Monitor {
		monitor[id] = m
	}
	monitor[section+"."+battery] = MonitorFacts{
		At: now.At.UTC(), Chemistry: b.Chemistry, RatedCCA: b.RatedCCA, SoCPct: b.SoCPct, Cranking: b.CrankingA,
		Verdict: b.Verdict,
	}
	d.Monitor = monitor
}

// judgeTest judges the load test and the tester's reading of a battery.
func (d *Draft) judgeTest(t *Test, figure func(string) *float64) {
	m := d.Monitor["test."+t.Battery]
	t.TempC, t.BeforeV, t.TesterC = figure("temperature_c"), figure("before_v"), figure("tester_c")
	t.RatedCCA, t.AgentSigmaA = m.RatedCCA, m.Cranking.Sigma
	if t.AgentCrankingA == nil {
		t.AgentCrankingA = m.Cranking.Value
	}
	soc, cranking := judge.Figure(m.SoCPct), judge.Figure(m.Cranking)
	if t.VoltageV != nil || t.LoadA != nil {
		chemistry, _ := leadacid.Parse(m.Chemistry) // nil: unknown, of no known full voltage
		l := judge.Load{
			RatedCCA: m.RatedCCA, FullV: chemistry.FullV(), TempC: t.TempC, LoadA: t.LoadA, Seconds: t.AfterS,
			VoltageV: t.VoltageV, BeforeV: t.BeforeV, SoCPct: soc, Cranking: cranking,
		}
		r := l.Judge()
		t.Load = &r
	}
	if t.CrankingA != nil {
		x := judge.Tester{RatedCCA: m.RatedCCA, CCA: t.CrankingA, TempC: t.TesterC, SoCPct: soc, Cranking: cranking}
		if x.TempC == nil {
			x.TempC = t.TempC
		}
		r := x.Judge()
		t.Tester = &r
	}
}

// cells judges the hydrometer's readings of a battery; any is false where there are none.
func (d *Draft) cells(battery string) (c Cells, any bool) {
	key := "hydro." + battery + "."
	m := d.Monitor["hydro."+battery]
	chemistry, _ := leadacid.Parse(m.Chemistry) // nil: unknown, and not judged
	h := judge.Hydrometer{Flooded: chemistry.Opens(), SoCPct: judge.Figure(m.SoCPct)}
	for i := range h.SG {
		if sg, ok := ParseNumber(d.Fields[key+strconv.Itoa(i+1)]); ok {
			h.SG[i], any = &sg, true
		}
	}
	if temp, ok := ParseNumber(d.Fields[key+"temperature_c"]); ok {
		h.TempC = &temp
	}
	c = Cells{Battery: battery, TempC: h.TempC, AgentSoCPct: m.SoCPct.Value, AgentSigma: m.SoCPct.Sigma}
	if any {
		c.Result = h.Judge()
	}
	return c, any
}

// Test returns what was noted of a battery's load test, judged; any is false where nothing was.
func (d *Draft) Test(battery string) (t Test, any bool) { return d.test(battery) }

// Cells returns what was noted of a battery's cells, judged; any is false where nothing was.
func (d *Draft) Cells(battery string) (c Cells, any bool) { return d.cells(battery) }

// addMore fills in what the record has besides the checklist, meter and work.
func (d *Draft) addMore(v *Visit, form *Form, now Facts) {
	v.Found = foundOf(d.Found, now.Snapshot)
	for _, b := range form.Batteries {
		if c, any := d.cells(b); any {
			v.Cells = append(v.Cells, c)
		}
	}
	v.Order = Order{
		Number: d.Fields["order.number"], Parts: d.Fields["order.parts"], Remains: d.Fields["order.remains"],
		Due: d.Fields["order.due"], ReceivedBy: d.Fields["order.received_by"], Signature: d.Fields["sign.technician"],
		SignedReceived: d.Fields["sign.received"],
	}
	if n, ok := ParseNumber(d.Fields["order.minutes"]); ok {
		v.Order.Minutes = &n
	}
	v.Passports = labelsOf(now.Snapshot)
}
