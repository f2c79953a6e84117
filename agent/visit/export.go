package visit

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/visit/judge"
)

// WriteCSV writes a visit as a table for a spreadsheet: one line a thing, with the agent's figure
// beside the technician's where both are there.
func (v *Visit) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{
		{"section", "subject", "name", "value", "unit", "agent", "note"},
		{"visit", "", "id", v.ID, "", "", ""},
		{"visit", "", "unit", v.Unit, "", "", ""},
		{"visit", "", "by", v.By, "", "", ""},
		{"visit", "", "place", v.Place, "", "", ""},
		{"visit", "", "begun", stamp(v.Begun), "", "", ""},
		{"visit", "", "finished", stamp(v.Finished), "", "", ""},
		{"visit", "", "clock_trusted", strconv.FormatBool(v.ClockTrusted), "", "", ""},
		{"start", "", "lift_cycles", strconv.FormatUint(v.Start.LiftCycles, 10), "", "", ""},
		{"start", "", "runs", strconv.FormatUint(v.Start.Runs, 10), "", "", ""},
		{"start", "", "motor_time", figure(&v.Start.MotorTimeS), "s", "", ""},
		{"end", "", "lift_cycles", strconv.FormatUint(v.End.LiftCycles, 10), "", "", ""},
		{"end", "", "runs", strconv.FormatUint(v.End.Runs, 10), "", "", ""},
		{"end", "", "motor_time", figure(&v.End.MotorTimeS), "s", "", ""},
	}
	if b := v.End.Before; b != nil {
		rows = append(rows, []string{"counter-start", b.From, "lift_cycles", strconv.FormatUint(b.LiftCycles, 10), "", "", ""},
			[]string{"counter-start", b.From, "runs", strconv.FormatUint(b.Runs, 10), "", "", ""},
			[]string{"counter-start", b.From, "motor_time", figure(&b.RunTimeS), "s", "", ""})
	}
	for _, f := range v.Found {
		rows = append(rows, findingRows("found", &f)...)
	}
	for _, a := range v.Areas {
		for _, i := range a.Items {
			note := i.Note
			if i.Photo != "" {
				note = strings.TrimSpace(note + " [photo " + i.Photo + "]")
			}
			rows = append(rows, []string{"check", a.Title, i.Text, i.State, "", "", note})
			if i.Reading != "" {
				rows = append(rows, []string{"check", a.Title, i.Text + ": reading", i.Reading, i.Unit, "", ""})
			}
		}
	}
	for _, r := range v.Readings {
		rows = append(rows, []string{
			"meter", r.Subject, r.Figure, figure(&r.Value), r.Unit, figure(r.Agent), stamp(r.At),
		})
	}
	for _, t := range v.Tests {
		rows = append(rows, testRows(&t)...)
	}
	for i := range v.Cells {
		rows = append(rows, cellRows(&v.Cells[i])...)
	}
	rows = append(
		rows, []string{"oil", "", "level", v.Oil.Level, "", "", v.Oil.Note},
		[]string{"oil", "", "position", v.Oil.Position, "", "", ""},
	)
	for _, k := range v.Work {
		rows = append(rows, []string{
			"work", k.Subject, k.Kind, stamp(k.At), "", strconv.FormatBool(k.Acted),
			strings.TrimSpace(k.Note + " " + k.Error),
		})
		if s := k.Setting; s != nil {
			rows = append(rows, []string{"setting", strconv.Itoa(s.Seq), s.Path, s.New, s.Unit, "", "was " + s.Old})
		}
		if k.Fitted != nil {
			rows = append(rows, labelRows(k.Subject, "put in", k.Fitted)...)
		}
		if k.Removed != nil {
			rows = append(rows, labelRows(k.Subject, "taken out", &k.Removed.Fitted)...)
			if k.Removed.Tests != nil {
				rows = append(rows, testRows(k.Removed.Tests)...)
			}
			if k.Removed.Cells != nil {
				rows = append(rows, cellRows(k.Removed.Cells)...)
			}
		}
		if k.TakenBack != nil {
			rows = append(rows, []string{"work", k.Subject, "taken-back", stamp(*k.TakenBack), "", "", ""})
		}
	}
	for i := range v.Passports {
		rows = append(rows, labelRows(v.Passports[i].Battery, "", &v.Passports[i].Fitted)...)
	}
	rows = append(
		rows, []string{"order", "", "number", v.Order.Number, "", "", ""},
		[]string{"order", "", "minutes", figure(v.Order.Minutes), "min", "", ""},
		[]string{"order", "", "parts", v.Order.Parts, "", "", ""},
		[]string{"order", "", "remains", v.Order.Remains, "", "", ""},
		[]string{"order", "", "due", v.Order.Due, "", "", ""},
		[]string{"order", "", "received_by", v.Order.ReceivedBy, "", "", ""},
	)
	rows = append(rows, figureRows("before", &v.Before)...)
	rows = append(rows, figureRows("after", &v.After)...)
	for _, f := range v.Findings {
		rows = append(rows, findingRows("finding", &f)...)
	}
	rows = append(rows, []string{"visit", "", "note", "", "", "", v.Note})
	for _, row := range rows {
		for i := range row {
			row[i] = escapeFormula(row[i])
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// findingRows are those of a finding: itself, who acknowledged or shelved it, and what was written on it.
func findingRows(section string, f *Remaining) [][]string {
	rows := [][]string{{section, f.Subject, f.Name, f.Severity, "", f.State, f.Summary}}
	put := func(what, by string, at *time.Time) {
		if by == "" {
			return
		}
		when := ""
		if at != nil {
			when = stamp(*at)
		}
		rows = append(rows, []string{section, f.Subject, f.Name + ": " + what, when, "", "", by})
	}
	put("acknowledged", f.AckBy, f.AckAt)
	put("shelved until", f.ShelvedBy, f.ShelvedUntil)
	put("out of service", f.OutBy, nil)
	for _, r := range f.Remarks {
		rows = append(rows, []string{section, f.Subject, f.Name + ": remark", stamp(r.At), "", "", r.By + ": " + r.Text})
	}
	return rows
}

func testRows(t *Test) (rows [][]string) {
	row := func(name string, v *float64, unit string, agent *float64) {
		if v != nil {
			rows = append(rows, []string{"load-test", t.Battery, name, figure(v), unit, figure(agent), t.Method})
		}
	}
	row("load", t.LoadA, "A", nil)
	row("after", t.AfterS, "s", nil)
	row("voltage", t.VoltageV, "V", nil)
	row("cranking", t.CrankingA, "A", t.AgentCrankingA)
	row("resistance", t.ResistanceMohm, "mΩ", t.AgentResistanceMohm)
	row("temperature", t.TempC, "°C", nil)
	row("before", t.BeforeV, "V", nil)
	said := func(name, outcome, monitor string, why []judge.Reason) {
		var notes []string
		for _, r := range why {
			notes = append(notes, string(r))
		}
		rows = append(rows, []string{"load-test", t.Battery, name, outcome, "", monitor, strings.Join(notes, " ")})
	}
	if r := t.Load; r != nil {
		row("needed", r.NeededV, "V", nil)
		said("judged", string(r.Outcome), string(r.Monitor), r.Reasons)
	}
	if r := t.Tester; r != nil {
		row("tester_needed", r.NeededA, "A", nil)
		said("tester_judged", string(r.Outcome), string(r.Monitor), r.Reasons)
	}
	return rows
}

func cellRows(c *Cells) (rows [][]string) {
	for i, x := range c.Result.Cells {
		note := ""
		if x.Low {
			note = "low"
		}
		rows = append(rows, []string{"hydrometer", c.Battery, "cell_" + strconv.Itoa(i+1), figure(x.Read), "", "", note},
			[]string{"hydrometer", c.Battery, "cell_" + strconv.Itoa(i+1) + "_charge", figure(x.ChargePct), "%", "", ""})
	}
	return append(rows, []string{"hydrometer", c.Battery, "temperature", figure(c.TempC), "°C", "", ""},
		[]string{"hydrometer", c.Battery, "charge", figure(c.Result.ChargePct), "%", figure(c.AgentSoCPct), ""},
		[]string{"hydrometer", c.Battery, "spread", figure(c.Result.Spread), "", "", ""},
		[]string{"hydrometer", c.Battery, "judged", string(c.Result.Outcome), "", string(c.Result.Monitor), ""})
}

func labelRows(battery, which string, f *Fitted) [][]string {
	rows := [][]string{
		{"battery", battery, "chemistry", f.Chemistry, "", "", which},
		{"battery", battery, "rated_capacity", figure(&f.RatedAh), "Ah", "", which},
		{"battery", battery, "rated_cca", figure(&f.RatedCCA), "A", "", which},
	}
	if p := f.Passport; p != nil {
		for _, x := range [][2]string{
			{"place", p.Place}, {"make", p.Make}, {"serial", p.Serial}, {"date_code", p.DateCode}, {"made", p.Made},
			{"installed", p.Installed}, {"warranty_until", p.WarrantyUntil},
		} {
			if x[1] != "" {
				rows = append(rows, []string{"battery", battery, x[0], x[1], "", "", which})
			}
		}
	}
	return rows
}

func figureRows(section string, f *Figures) (rows [][]string) {
	row := func(subject, name string, v *float64, unit string) {
		rows = append(rows, []string{section, subject, name, "", unit, figure(v), ""})
	}
	for _, b := range f.Batteries {
		row(b.ID, "voltage", b.VoltageV, "V")
		row(b.ID, "rested_voltage", b.RestedV, "V")
		row(b.ID, "soc", b.SoCPct, "%")
		row(b.ID, "resistance", b.ResistanceMohm, "mΩ")
		row(b.ID, "cranking", b.CrankingA, "A")
		rows = append(rows, []string{section, b.ID, "verdict", "", "", b.Verdict, ""})
	}
	for _, l := range f.Links {
		row(l.From+"-"+l.To, l.Side+" link", l.ResistanceMohm, "mΩ")
	}
	row("", "feed_voltage", f.FeedV, "V")
	row("", "feed_path", f.FeedMohm, "mΩ")
	row("", "motor_path", f.MotorMohm, "mΩ")
	return rows
}

func figure(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// escapeFormula puts an apostrophe before a text that a spreadsheet would take for a formula; a
// number stays one. (OWASP, CSV injection.)
func escapeFormula(text string) string {
	if text == "" || !strings.ContainsRune("=+-@\t\r|", rune(text[0])) {
		return text
	}
	if _, number := ParseNumber(text); number {
		return text
	}
	return "'" + text
}
