package visit

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"
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
	rows = append(
		rows, []string{"oil", "", "level", v.Oil.Level, "", "", v.Oil.Note},
		[]string{"oil", "", "position", v.Oil.Position, "", "", ""},
	)
	for _, k := range v.Work {
		rows = append(rows, []string{
			"work", k.Subject, k.Kind, stamp(k.At), "", strconv.FormatBool(k.Acted),
			strings.TrimSpace(k.Note + " " + k.Error),
		})
	}
	rows = append(rows, figureRows("before", &v.Before)...)
	rows = append(rows, figureRows("after", &v.After)...)
	for _, f := range v.Findings {
		rows = append(rows, []string{"finding", f.Subject, f.Name, f.Severity, "", f.State, f.Summary})
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
