package page

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// pair is one line of a table: a name, what is said of it, and a remark.
type pair struct{ Name, Value, Note string }

// row is one line of the table of batteries, a cell for each.
type row struct {
	Name   string
	Strong bool
	Cells  []figures.Estimated
}

// batteryRows returns the lines of the table of batteries.
func batteryRows(to *words.Reader, batteries []snapshot.Battery) []row {
	cells := func(name string, cell func(snapshot.Battery) figures.Estimated) row {
		r := row{Name: name}
		for _, b := range batteries {
			r.Cells = append(r.Cells, cell(b))
		}
		return r
	}
	plain := func(name string, value func(snapshot.Battery) string) row {
		return cells(name, func(b snapshot.Battery) figures.Estimated { return figures.Estimated{Value: value(b)} })
	}
	learned := func(name string, least int, of func(snapshot.Battery) snapshot.Estimate) row {
		return cells(name, func(b snapshot.Battery) figures.Estimated { return figures.Estimate(of(b), least) })
	}
	verdict := cells(to.W["Verdict"], func(b snapshot.Battery) figures.Estimated {
		return figures.Estimated{
			Value: to.Label("Verdict", b.Verdict), Sigma: to.Label("VerdictMeans", b.Verdict),
		}
	})
	verdict.Strong = true
	rows := []row{verdict}
	if slices.ContainsFunc(batteries, func(b snapshot.Battery) bool { return b.WaitsFor != nil }) {
		rows = append(rows, cells(to.W["WaitsFor"], func(b snapshot.Battery) figures.Estimated {
			return figures.Estimated{Sigma: to.Maybe(b.WaitsFor)}
		}))
	}
	return append(rows,
		plain(to.W["Voltage"], func(b snapshot.Battery) string { return figures.Of(b.VoltageV, figures.VoltDecimals) }),
		plain(to.W["Current"], func(b snapshot.Battery) string {
			return figures.Signed(b.CurrentA, figures.AmpereDecimals)
		}),
		plain(to.W["Temperature"]+", "+to.TempUnit(), func(b snapshot.Battery) string {
			return figures.Of(to.Temp(b.TempC), 1)
		}),
		learned(to.W["Charge"], 1, func(b snapshot.Battery) snapshot.Estimate { return b.SoCPct }),
		learned(to.W["Rested"], figures.VoltDecimals, func(b snapshot.Battery) snapshot.Estimate { return b.RestedV }),
		learned(to.W["Resistance"], 2, func(b snapshot.Battery) snapshot.Estimate { return b.ResistanceMohm }),
		learned(to.W["Cranking"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.CrankingA }),
		learned(to.W["Capacity"], 1, func(b snapshot.Battery) snapshot.Estimate { return b.CapacityAh }),
		learned(to.W["Health"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.HealthPct }),
		learned(to.W["DrawShare"], 1, func(b snapshot.Battery) snapshot.Estimate { return b.DrawSharePct }),
		learned(to.W["ChargeShare"], 1, func(b snapshot.Battery) snapshot.Estimate { return b.ChargeSharePct }),
		cells(to.W["Counted"], func(b snapshot.Battery) figures.Estimated {
			return figures.Estimated{
				Value: figures.Number(b.ChargedAh, figures.AmpereDecimals),
				Sigma: "/\u00a0" + figures.Number(b.DrawnAh, figures.AmpereDecimals),
			}
		}),
		cells(to.W["Kind"], func(b snapshot.Battery) figures.Estimated {
			rated := figures.Number(b.RatedAh, 0) + " Ah, " + figures.Number(b.RatedCCA, 0) + " A"
			return figures.Estimated{Sigma: b.Chemistry + ", " + rated}
		}),
	)
}

func estimatePair(to *words.Reader, name string, e snapshot.Estimate, least int, note string) pair {
	shown := figures.Estimate(e, least)
	if e.Value == nil {
		note = ""
	}
	return pair{name, strings.TrimSpace(shown.Value + " " + shown.Sigma), note}
}

// forecastPair is the line of a forecast. While the forecast is not known, the line says what it
// waits for.
func forecastPair(name, shown string, e snapshot.Estimate, waitsFor string) pair {
	if e.Value == nil && waitsFor != "" {
		return pair{name, shown, waitsFor}
	}
	return pair{name, shown, ""}
}

func bankPairs(to *words.Reader, b snapshot.Bank) []pair {
	counted := figures.Number(b.ChargedAh, figures.AmpereDecimals) + " / " +
		figures.Number(b.DrawnAh, figures.AmpereDecimals)
	when := to.W["RestedEarlier"]
	if b.Rested {
		when = to.W["RestedNow"]
	}
	return []pair{
		{to.W["Voltage"], figures.Of(b.VoltageV, figures.VoltDecimals), ""},
		{to.W["Current"], figures.Signed(b.CurrentA, figures.AmpereDecimals), ""},
		estimatePair(to, to.W["Charge"], b.SoCPct, 1, ""),
		estimatePair(to, to.W["Spread"], b.SpreadPct, 1, ""),
		estimatePair(to, to.W["ResistanceRatio"], b.ResistanceRatio, figures.MohmDecimals, ""),
		estimatePair(to, to.W["Rested"], b.RestedV, figures.VoltDecimals, when),
		estimatePair(to, to.W["Circulating"], b.CirculatingA, figures.AmpereDecimals, ""),
		estimatePair(to, to.W["ParkedDraw"], b.ParkedDrawA, figures.AmpereDecimals, ""),
		{to.W["LoadLeads"], to.Label("LeadsMean", b.MotorLeads), ""},
		{to.W["FeedLeads"], to.Label("LeadsMean", b.FeedLeads), ""},
		{to.W["SinceFull"], figures.MaybeSeconds(b.SinceFullS), ""},
		{to.W["Counted"], counted, ""},
		{to.W["Energy"], figures.Number(b.ChargedWh, 1) + " / " + figures.Number(b.DrawnWh, 1), ""},
	}
}

// linkPairs returns a line for each link.
func linkPairs(to *words.Reader, links []snapshot.Link) []pair {
	var out []pair
	for _, l := range links {
		name := to.Label("Sides", l.Side) + " " + l.From + " " + to.W["To"] + " " + l.To
		out = append(out, estimatePair(to, name, l.ResistanceMohm, figures.MohmDecimals, ""))
	}
	return out
}

func feedPairs(to *words.Reader, f snapshot.Feed, now time.Time) []pair {
	since := ""
	if !f.Since.IsZero() {
		since = to.W["Since"] + " " + figures.Span(now.Sub(f.Since))
	}
	return []pair{
		{to.W["FeedDoes"], to.Label("FeedMeans", f.Status), since},
		{to.W["FeedVoltage"], figures.Of(f.VoltageV, figures.VoltDecimals), ""},
		{to.W["WakeLine"], figures.Contact(f.WakeLine, to.W["SwitchOn"], to.W["SwitchOff"]), ""},
		{to.W["Disconnect"], figures.Contact(f.DisconnectClosed, to.W["Closed"], to.W["Open"]), ""},
		estimatePair(to, to.W["FeedPath"], f.PathMohm, figures.MohmDecimals, ""),
		{to.W["WakeTime"], figures.Seconds(f.WakeTimeS), ""},
		{to.W["FeedTime"], figures.Seconds(f.FeedTimeS), ""},
	}
}

func motorPairs(to *words.Reader, m snapshot.Motor) []pair {
	now := to.W["Resting"]
	if m.Running {
		now = to.W["Running"]
	}
	return []pair{
		{to.W["Now"], now, ""},
		{to.W["MotorVoltage"], figures.Of(m.VoltageV, figures.VoltDecimals), ""},
		{to.W["Command"], figures.Contact(m.Command, to.W["SwitchOn"], to.W["SwitchOff"]), ""},
		estimatePair(to, to.W["MotorPath"], m.PathMohm, figures.MohmDecimals, ""),
		{to.W["Runs"], fmt.Sprint(m.Runs), ""},
		{to.W["LiftCycles"], fmt.Sprint(m.LiftCycles), ""},
		{to.W["SinceService"], sinceService(to, m.Since), ""},
		estimatePair(to, to.W["LiftCharge"], m.LiftAh, figures.AmpereDecimals, ""),
		estimatePair(to, to.W["LiftEnergy"], m.LiftWh, 1, ""),
		{to.W["RunTime"], figures.Seconds(m.RunTimeS), ""},
	}
}

// sinceService returns the lift cycles since the lift's last service.
func sinceService(to *words.Reader, since []snapshot.SinceService) string {
	for _, s := range since {
		if s.Kind == "service" {
			return fmt.Sprint(s.LiftCycles)
		}
	}
	return figures.Unknown
}

// runPairs shows the last run. A current or voltage of zero was not measured.
func runPairs(to *words.Reader, r *snapshot.Run, now time.Time) []pair {
	if r == nil {
		return nil
	}
	measured := func(v float64, least int) string {
		if v == 0 {
			return figures.Unknown
		}
		return figures.Number(v, least)
	}
	by := to.W["ByCurrent"]
	if r.ByCommand {
		by = to.W["ByCommand"]
	}
	return []pair{
		{to.W["LastStart"], figures.TimeOfDay(r.Start, now), ""},
		{to.W["LastLength"], figures.Number(r.DurationS, 1), ""},
		{to.W["LastPeak"], measured(r.PeakA, figures.AmpereDecimals), ""},
		{to.W["LastMean"], measured(r.MeanA, figures.AmpereDecimals), ""},
		{to.W["LastLow"], measured(r.MinBankV, figures.VoltDecimals), ""},
		{to.W["LastDrawn"], measured(r.DrawnAh, 3), ""},
		{to.W["LastSeenBy"], by, ""},
	}
}

func scanPairs(to *words.Reader, s snapshot.Scan) []pair {
	return []pair{
		{to.W["Scans"], fmt.Sprintf("%d, %d %s", s.Count, s.Overruns, to.W["Overruns"]), ""},
		{to.W["ScanTook"], figures.Number(s.TookS, 2), ""},
	}
}
