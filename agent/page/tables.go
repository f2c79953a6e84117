package page

import (
	"html/template"
	"math"
	"slices"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// pair is one line of a table: a name, what is said of it, and a remark.
type pair struct {
	Name  string
	Value template.HTML
	Note  string
}

// row is one line of the table of batteries, a cell for each.
type row struct {
	Name  string
	Cells []cell
}

// cell is one figure of a battery. Bad is one that is not right.
type cell struct {
	figures.Estimated
	Bad bool
}

// batteryRows returns the lines of the table of batteries. What batteries in series have together, such as
// their current, is in the table of strings.
func batteryRows(to *words.Reader, s *snapshot.Snapshot) []row {
	batteries, series := s.Batteries, len(s.Strings) > 0
	cells := func(name string, of func(snapshot.Battery) figures.Estimated) row {
		r := row{Name: name}
		for _, b := range batteries {
			r.Cells = append(r.Cells, cell{Estimated: of(b)})
		}
		return r
	}
	plain := func(name string, value func(snapshot.Battery) string) row {
		return cells(name, func(b snapshot.Battery) figures.Estimated { return figures.Estimated{Value: value(b)} })
	}
	learned := func(name string, decimals int, of func(snapshot.Battery) snapshot.Estimate) row {
		return cells(name, func(b snapshot.Battery) figures.Estimated { return figures.Rounded(of(b), decimals) })
	}
	verdict := cells(to.W["Verdict"], func(b snapshot.Battery) figures.Estimated {
		return figures.Estimated{Value: to.Label("Verdict", b.Verdict)}
	})
	for i, b := range batteries {
		verdict.Cells[i].Bad = b.Verdict == "failed" || b.Verdict == "tired"
	}
	rows := []row{verdict}
	if series {
		rows = append(rows, plain(to.W["Place"], func(b snapshot.Battery) string { return view.PlaceIn(to, s, b.ID) }))
	}
	if slices.ContainsFunc(batteries, func(b snapshot.Battery) bool { return b.WaitsFor != nil }) {
		rows = append(rows, cells(to.W["WaitsFor"], func(b snapshot.Battery) figures.Estimated {
			return figures.Estimated{Sigma: to.Maybe(b.WaitsFor)}
		}))
	}
	rows = append(rows,
		learned(to.W["Cranking"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.CrankingA }),
		learned(to.W["Resistance"], 2, func(b snapshot.Battery) snapshot.Estimate { return b.ResistanceMohm }),
		learned(to.W["Charge"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.SoCPct }),
		learned(to.W["Capacity"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.CapacityAh }),
		learned(to.W["Health"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.HealthPct }),
		plain(to.W["Voltage"], func(b snapshot.Battery) string { return figures.Short(b.VoltageV, 2, false) }),
	)
	if !series {
		rows = append(rows, plain(to.W["Current"], func(b snapshot.Battery) string { return figures.Short(b.CurrentA, 1, true) }))
	}
	rows = append(rows,
		plain(to.W["Temperature"]+", "+to.TempUnit(), func(b snapshot.Battery) string {
			return figures.Short(to.Temp(b.TempC), 0, false)
		}),
		learned(to.W["Rested"], 2, func(b snapshot.Battery) snapshot.Estimate { return b.RestedV }),
	)
	if !series {
		rows = append(rows,
			learned(to.W["DrawShare"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.DrawSharePct }),
			learned(to.W["ChargeShare"], 0, func(b snapshot.Battery) snapshot.Estimate { return b.ChargeSharePct }),
			plain(to.W["Counted"], func(b snapshot.Battery) string { return inOut(b.ChargedAh, b.DrawnAh) }),
		)
	}
	return append(rows, cells(to.W["Kind"], func(b snapshot.Battery) figures.Estimated {
		rated := figures.Number(b.RatedAh, 0) + " Ah, " + figures.Number(b.RatedCCA, 0) + " A"
		return figures.Estimated{Sigma: b.Chemistry + ", " + rated}
	}))
}

// inOut writes what went in and what came out.
func inOut(in, out float64) string {
	return figures.Count(uint64(math.Round(max(in, 0)))) + "\u00a0/\u00a0" + figures.Count(uint64(math.Round(max(out, 0))))
}

func estimatePair(to *words.Reader, name string, e snapshot.Estimate, decimals int, note string) pair {
	if e.Value == nil {
		note = ""
	}
	return pair{name, template.HTML(template.HTMLEscapeString(figures.Rounded(e, decimals).Text())), note}
}

// bankPairs returns what is known of the bank as a whole. One string has no share to spread, and its leads
// have one place each.
func bankPairs(to *words.Reader, s *snapshot.Snapshot) []pair {
	b, single := &s.Bank, len(s.Strings) == 1
	when := to.W["RestedEarlier"]
	if b.Rested {
		when = to.W["RestedNow"]
	}
	out := []pair{
		said(to.W["Voltage"], figures.Short(b.VoltageV, 2, false)),
		said(to.W["Current"], figures.Short(b.CurrentA, 1, true)),
		estimatePair(to, to.W["Charge"], b.SoCPct, 0, ""),
	}
	if len(s.Strings) == 0 { // of each string it is in their table
		out = append(out, estimatePair(to, to.W["Spread"], b.SpreadPct, 0, ""))
	}
	out = append(out,
		estimatePair(to, to.W["ResistanceRatio"], b.ResistanceRatio, 2, ""),
		estimatePair(to, to.W["Rested"], b.RestedV, 2, when),
	)
	if !single {
		out = append(out, estimatePair(to, to.W["Circulating"], b.CirculatingA, 1, ""))
	}
	out = append(out, estimatePair(to, to.W["ParkedDraw"], b.ParkedDrawA, 2, ""))
	if !single {
		out = append(out,
			said(to.W["LoadLeads"], leadsMean(to, s, b.MotorLeads)),
			said(to.W["FeedLeads"], leadsMean(to, s, b.FeedLeads)),
		)
	}
	out = append(out,
		said(to.W["SinceFull"], maybeRough(b.SinceFullS)),
		said(to.W["Counted"], inOut(b.ChargedAh, b.DrawnAh)),
		said(to.W["Energy"], inOut(b.ChargedWh, b.DrawnWh)),
	)
	if c := to.Temp(b.AmbientC); c != nil {
		out = append(out, said(words.Fill(to.W["OutsideTemperature"], "unit", to.TempUnit()), figures.Short(c, 0, false)))
	}
	return out
}

// leadsMean says how a pair of leads is on the bank.
func leadsMean(to *words.Reader, s *snapshot.Snapshot, arrangement string) string {
	if len(s.Strings) > 0 && arrangement == "same-post" {
		arrangement = "same-string"
	}
	return to.Label("LeadsMean", arrangement)
}

// said is a pair of plain text.
func said(name, value string) pair {
	return pair{Name: name, Value: template.HTML(template.HTMLEscapeString(value))}
}

func roughS(s float64) string { return figures.Rough(time.Duration(s * float64(time.Second))) }

func maybeRough(s *float64) string {
	if s == nil {
		return figures.Unknown
	}
	return roughS(*s)
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
		since = to.W["Since"] + " " + figures.Rough(now.Sub(f.Since))
	}
	state := said(to.W["FeedDoes"], to.Label("FeedMeans", f.Status))
	state.Note = since
	out := []pair{
		state,
		said(to.W["FeedVoltage"], figures.Short(f.VoltageV, 2, false)),
	}
	if f.InputV != nil {
		out = append(out, said(to.W["FeedInput"], figures.Short(f.InputV, 2, false)))
	}
	if f.IndicatorLine != nil {
		out = append(out, said(to.W["IndicatorLine"], figures.Contact(f.IndicatorLine, to.W["SwitchOn"], to.W["SwitchOff"])))
	}
	return append(out,
		said(to.W["WakeLine"], figures.Contact(f.WakeLine, to.W["SwitchOn"], to.W["SwitchOff"])),
		said(to.W["Disconnect"], figures.Contact(f.DisconnectClosed, to.W["Closed"], to.W["Open"])),
		estimatePair(to, to.W["FeedPath"], f.PathMohm, 1, ""),
		said(to.W["WakeTime"], roughS(f.WakeTimeS)),
		said(to.W["FeedTime"], roughS(f.FeedTimeS)),
	)
}

func motorPairs(to *words.Reader, m snapshot.Motor, at time.Time) []pair {
	cycles, runs, seconds := m.Totals()
	now := to.W["Resting"]
	if m.Running {
		now = to.W["Running"]
	}
	pairs := []pair{
		said(to.W["Now"], now),
		said(to.W["MotorVoltage"], figures.Short(m.VoltageV, 2, false)),
		said(to.W["Command"], figures.Contact(m.Command, to.W["SwitchOn"], to.W["SwitchOff"])),
	}
	if m.ControlV != nil {
		pairs = append(pairs, said(to.W["ControlVoltage"], figures.Short(m.ControlV, 2, false)))
	}
	if m.OilBar != nil {
		pairs = append(pairs, said(to.W["OilPressure"], figures.Short(m.OilBar, 0, false)))
	}
	pairs = append(pairs,
		estimatePair(to, to.W["MotorPath"], m.PathMohm, 1, ""),
		said(to.W["Runs"], figures.Count(runs)),
		said(to.W["LiftCycles"], figures.Count(cycles)),
		said(to.W["SinceService"], sinceService(m.Since)),
		estimatePair(to, to.W["LiftCharge"], m.LiftAh, 2, ""),
		estimatePair(to, to.W["LiftEnergy"], m.LiftWh, 1, ""),
		said(to.W["RunTime"], figures.Seconds(seconds)),
	)
	if b := m.Before; b != nil {
		pairs = append(pairs, pair{to.W["CountedBefore"], template.HTML(figures.Count(b.LiftCycles)), b.From})
	}
	for i := range m.Since {
		if text := view.DueText(to, &m.Since[i], at); text != "" {
			pairs = append(pairs, said(to.Label("DueKind", m.Since[i].Kind), text))
		}
	}
	return pairs
}

// sinceService returns the lift cycles since the lift's last service.
func sinceService(since []snapshot.SinceService) string {
	for _, s := range since {
		if s.Kind == "service" {
			return figures.Count(s.LiftCycles)
		}
	}
	return figures.Unknown
}

// runPairs shows the last run. A current or voltage of zero was not measured.
func runPairs(to *words.Reader, r *snapshot.Run, s *snapshot.Snapshot) []pair {
	if r == nil {
		return nil
	}
	measured := func(v float64, decimals int) string {
		if v == 0 {
			return figures.Unknown
		}
		return figures.Short(&v, decimals, false)
	}
	by := to.W["ByCurrent"]
	if r.ByCommand {
		by = to.W["ByCommand"]
	}
	return []pair{
		{to.W["LastStart"], view.Time(to, r.Start, s.At), ""},
		said(to.W["LastLength"], figures.Short(&r.DurationS, 1, false)),
		said(to.W["LastPeak"], measured(r.PeakA, 0)),
		said(to.W["LastMean"], measured(r.MeanA, 0)),
		said(to.W["LastLow"], measured(r.MinBankV, 2)),
		said(to.W["LastDrawn"], measured(r.DrawnAh, 2)),
		said(to.W["LastSeenBy"], by),
	}
}

func scanPairs(to *words.Reader, s snapshot.Scan) []pair {
	return []pair{
		said(to.W["Scans"], figures.Count(s.Count)+", "+figures.Count(s.Overruns)+" "+to.W["Overruns"]),
		said(to.W["ScanTook"], figures.Short(&s.TookS, 2, false)),
	}
}
