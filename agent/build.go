package agent

import (
	"math"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/snapshot"
	"liftbank/rules"
	"liftbank/rules/detect"
	"liftbank/rules/motor"
	"liftbank/rules/network"
	"liftbank/rules/power"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Decimals that figures are rounded to, once: a tenth of what the sensors can tell, or finer.
const (
	voltDecimals    = 3
	ampereDecimals  = 2
	percentDecimals = 1
	ahDecimals      = 2
	celsiusDecimals = 1
	barDecimals     = 1
	secondDecimals  = 3
	mohmDecimals    = 2
	dropDecimals    = 4
)

func round(x float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(x*p) / p
}

// figure gives a rounded figure, nil when it is no number: JSON has none for it.
func figure(x float64, decimals int) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	r := round(x, decimals)
	return &r
}

func reading(r rules.Reading, decimals int) *float64 {
	if !r.OK() {
		return nil
	}
	return figure(r.Value, decimals)
}

func estimateOf(e rules.Estimate, decimals int) snapshot.Estimate {
	if !e.Known {
		return snapshot.Estimate{}
	}
	return snapshot.Estimate{Value: figure(e.Value, decimals), Sigma: figure(e.Sigma, decimals)}
}

// textOf returns a text of the rules, nil for none.
func textOf(t *unit.Text) *snapshot.Text {
	if t == nil {
		return nil
	}
	return &snapshot.Text{ID: t.ID, English: t.English}
}

func contact(c rules.Contact) *bool {
	on := c == unit.ContactOn
	if !on && c != unit.ContactOff {
		return nil
	}
	return &on
}

// Snapshot gives the state after the last scan. seq counts snapshots from 1; session names this
// start of the agent.
func (c *Core) Snapshot(session string, seq uint64) *snapshot.Snapshot {
	c.engine.UpdateForecast()
	out, stats := c.out, c.board.Stats()
	l := c.timeline()
	s := &snapshot.Snapshot{
		Schema: snapshot.Schema, Unit: c.cfg.Unit.ID, Session: session, Seq: seq,
		At: l.at(out.At.Mono), ClockTrusted: out.At.WallTrusted, UptimeS: round(c.scan.At.Seconds(), secondDecimals),
		Scan: snapshot.Scan{
			Count: stats.Scans, Fast: c.scan.Fast, TookS: round(c.scan.Took.Seconds(), 6), Overruns: stats.Overruns,
		},
		Bank: bankOf(&out.Bank), Motor: c.motorOf(out, &l), Feed: feedOf(&out.Feed, &l),
		Links: []snapshot.Link{}, Findings: []snapshot.Finding{}, NotJudged: []snapshot.NotJudged{},
	}
	s.Power = c.powerOf(&out.Power, &l)
	if w := &out.Work; w.On {
		s.Work = &snapshot.UnderWay{Since: l.at(w.Since), By: w.By, Ends: l.at(w.Ends), Kind: w.Kind.String()}
	}
	c.mixed(&s.Bank)
	for i := range out.Strings {
		s.Strings = append(s.Strings, stringOf(out, &out.Strings[i]))
	}
	for _, l := range out.Links {
		s.Links = append(s.Links, snapshot.Link{
			Side: l.Side.String(), From: out.Battery[l.From].ID, To: out.Battery[l.To].ID,
			ResistanceMohm: estimateOf(l.Mohm, mohmDecimals),
			CurrentA:       reading(l.CurrentA, ampereDecimals), DropV: reading(l.DropV, dropDecimals),
			NowMohm: reading(network.MohmNow(l.CurrentA, l.DropV), mohmDecimals),
		})
	}
	amps := out.Bank.CurrentA
	drop, mohm := network.PathNow(out.Feed.VoltageV, out.Bank.VoltageV, amps)
	s.Feed.PathDropV, s.Feed.PathNowMohm = reading(drop, dropDecimals), reading(mohm, mohmDecimals)
	amps.Value = -amps.Value
	drop, mohm = network.PathNow(out.Bank.VoltageV, c.in.MotorV, amps)
	s.Motor.PathDropV, s.Motor.PathNowMohm = reading(drop, dropDecimals), reading(mohm, mohmDecimals)
	s.Bank.AmbientC = reading(c.in.AmbientC, celsiusDecimals)
	s.Bank.MotorLeadsAt, s.Bank.FeedLeadsAt = leadsAt(out, out.Bank.LoadLeads), leadsAt(out, out.Bank.FeedLeads)
	for i := range out.Battery {
		s.Batteries = append(s.Batteries, c.batteryOf(i, &out.Battery[i]))
	}
	c.findingsOf(s, out, &l)
	c.sensorsOf(s)
	return s
}

func bankOf(b *rules.BankState) snapshot.Bank {
	out := snapshot.Bank{
		VoltageV: reading(b.VoltageV, voltDecimals), CurrentA: reading(b.CurrentA, ampereDecimals),
		SoCPct: estimateOf(b.SoCPct, percentDecimals), SpreadPct: estimateOf(b.SpreadPct, percentDecimals),
		ResistanceRatio: estimateOf(b.ResistanceRatio, mohmDecimals), FullCycles: round(b.FullCycles, ahDecimals),
		RestedV: estimateOf(b.RestedV, voltDecimals), Rested: b.Rested,
		ChargedAh: round(b.ChargedAh, ahDecimals), DrawnAh: round(b.DrawnAh, ahDecimals),
		ChargedWh: round(b.ChargedWh, percentDecimals), DrawnWh: round(b.DrawnWh, percentDecimals),
		LiftsLeft: estimateOf(b.LiftsLeft, 0), LiftsWaitFor: textOf(b.LiftsWaitFor),
		TimeToFullS: estimateOf(b.TimeToFullS, 0), FullWaitsFor: textOf(b.FullWaitsFor),
		CirculatingA: estimateOf(b.CirculatingA, ampereDecimals), ParkedDrawA: estimateOf(b.ParkedDrawA, ampereDecimals),
		MotorLeads: b.LoadLeads.Arrangement.String(), FeedLeads: b.FeedLeads.Arrangement.String(),
	}
	if b.FullKnown {
		out.SinceFullS = figure(b.SinceFull.Seconds(), 0)
	}
	return out
}

func stringOf(out *rules.Output, st *view.StringState) snapshot.String {
	s := snapshot.String{
		From: out.Battery[st.From].ID, To: out.Battery[st.To].ID,
		VoltageV: reading(st.VoltageV, voltDecimals), CurrentA: reading(st.CurrentA, ampereDecimals),
		RestDiffV: estimateOf(st.RestDiffV, voltDecimals), HeldDiffV: estimateOf(st.HeldDiffV, voltDecimals),
		RunDiffV: estimateOf(st.RunDiffV, voltDecimals), SpreadPct: estimateOf(st.SpreadPct, percentDecimals),
		DrawSharePct:   estimateOf(st.DrawSharePct, percentDecimals),
		ChargeSharePct: estimateOf(st.ChargeSharePct, percentDecimals),
	}
	if st.WeakestKnown {
		s.Weakest = out.Battery[st.Weakest].ID
	}
	return s
}

func (c *Core) batteryOf(i int, b *rules.BatteryState) snapshot.Battery {
	rated := c.cfg.Bank.Batteries[i]
	draw, charge := b.DrawSharePct, b.ChargeSharePct
	if c.cfg.Bank.Layout.Rules().Blocks() > 1 { // they are the string's
		draw, charge = unit.Estimate{}, unit.Estimate{}
	}
	return snapshot.Battery{
		ID: b.ID, Chemistry: string(rated.Chemistry), RatedAh: rated.RatedAh, RatedCCA: rated.RatedCCA,
		RatingsFrom: c.known[i].ratingsFrom, Passport: c.known[i].passport,
		VoltageV: reading(b.In.VoltageV, voltDecimals), CurrentA: reading(b.In.CurrentA, ampereDecimals),
		TempC:  reading(b.In.TempC, celsiusDecimals),
		SoCPct: estimateOf(b.SoCPct, percentDecimals), RestedV: estimateOf(b.RestedV, voltDecimals),
		ResistanceMohm: estimateOf(b.Resistance, mohmDecimals), CrankingA: estimateOf(b.CrankingA, 0),
		CapacityAh: estimateOf(b.CapacityAh, percentDecimals), HealthPct: estimateOf(b.HealthPct, percentDecimals),
		TrendMohm: estimateOf(b.Trend, voltDecimals),
		Verdict:   b.Verdict.String(), WaitsFor: textOf(b.WaitsFor),
		ChargedAh: round(b.ChargedAh, ahDecimals), DrawnAh: round(b.DrawnAh, ahDecimals),
		DrawSharePct:   estimateOf(draw, percentDecimals),
		ChargeSharePct: estimateOf(charge, percentDecimals),
	}
}

func (c *Core) powerOf(p *view.Power, l *timeline) *snapshot.Power {
	s := &snapshot.Power{
		Level: p.Level.String(), Since: l.at(p.Since), Why: textOf(p.Why), DrawA: round(p.DrawA, voltDecimals),
		ParkedS: round(p.ParkedFor.Seconds(), 0), DrawnAh: round(p.ParkedAh, ahDecimals), DrawnPct: round(p.ParkedPct, percentDecimals),
		TotalAh: round(p.DrawnAh, ahDecimals), Sleeps: p.Sleeps, LateWord: p.LateWord,
		AwakeS: round(p.Spent[power.Awake].Seconds(), 0), SavingS: round(p.Spent[power.Saving].Seconds(), 0),
		AsleepS: round(p.Spent[power.Asleep].Seconds(), 0),
	}
	if o := p.Outlook; o.Known {
		s.StandsDays, s.StandsWithoutDays = figure(o.Days, 0), figure(o.Without, 0)
	}
	return s
}

func (c *Core) motorOf(out *rules.Output, l *timeline) snapshot.Motor {
	m := &out.Motor
	s := snapshot.Motor{
		Running: m.Running, Runs: m.Runs, RunTimeS: round(m.RunTime.Seconds(), secondDecimals), LiftCycles: m.LiftCycles,
		VoltageV: reading(c.in.MotorV, voltDecimals), Command: contact(c.in.MotorCommand),
		ControlV: reading(c.in.ControlV, voltDecimals), OilBar: reading(c.in.OilBar, barDecimals),
		PathMohm: estimateOf(m.PathMohm, mohmDecimals),
		LiftAh:   estimateOf(m.LiftAh, 3), LiftWh: estimateOf(m.LiftWh, 2),
	}
	for k := range m.Since {
		s.Since = append(s.Since, c.sinceOf(out, rules.ServiceKind(k)))
	}
	if b := c.cfg.Counter; b != (config.Counter{}) {
		s.Before = &snapshot.Before{
			LiftCycles: uint64(b.LiftCycles), Runs: uint64(b.Runs), RunTimeS: round(b.MotorTime.Seconds(), secondDecimals), From: b.From,
		}
	}
	if m.Last.Number > 0 {
		run := runOf(m.Last, l)
		run.Batteries = c.runBatteries()
		s.LastRun = &run
	}
	return s
}

// sinceOf returns the work since a kind of service, and when it is due.
func (c *Core) sinceOf(out *rules.Output, k rules.ServiceKind) snapshot.SinceService {
	since, next := &out.Motor.Since[k], &out.Motor.Next[k]
	s := snapshot.SinceService{
		Kind: k.String(), LiftCycles: since.LiftCycles, RunTimeS: round(since.RunTime.Seconds(), secondDecimals),
		NextBy: next.By.String(),
	}
	if since.ForKnown {
		s.Days = figure(days(since.For), percentDecimals)
	}
	if n := uint64(c.cfg.Limits.Of(detect.IntervalPath(k, detect.ByCycles))); n > 0 {
		s.DueLiftCycles = &n
	}
	if t := c.cfg.Limits.Of(detect.IntervalPath(k, detect.ByMotorTime)); t > 0 {
		s.DueRunTimeS = &t
	}
	if t := c.cfg.Limits.Duration(detect.IntervalPath(k, detect.ByDays)); t > 0 {
		s.DueDays = figure(days(t), percentDecimals)
	}
	if next.Known && out.At.WallTrusted {
		s.NextOn = out.At.Wall.Add(next.In).UTC().Format(time.DateOnly)
	}
	return s
}

func days(d time.Duration) float64 { return d.Hours() / 24 }

func runOf(r motor.Run, l *timeline) snapshot.Run {
	return snapshot.Run{
		Number: r.Number, Start: l.at(r.Start), DurationS: round(r.Duration.Seconds(), secondDecimals),
		ByCommand: r.ByCommand,
		PeakA:     round(r.PeakA, ampereDecimals), MeanA: round(r.MeanA, ampereDecimals),
		MinBankV: round(r.MinBankV, voltDecimals), DrawnAh: round(r.DrawnAh, 4),
	}
}

func feedOf(f *rules.FeedState, l *timeline) snapshot.Feed {
	return snapshot.Feed{
		Status: f.Status.String(), Since: l.at(f.Since), VoltageV: reading(f.VoltageV, voltDecimals),
		InputV: reading(f.InputV, voltDecimals), IndicatorLine: contact(f.Indicator),
		WakeLine: contact(f.WakeLine), DisconnectClosed: contact(f.Disconnect),
		WakeTimeS: round(f.WakeTime.Seconds(), 0), FeedTimeS: round(f.FeedTime.Seconds(), 0),
		PathMohm: estimateOf(f.PathMohm, mohmDecimals),
	}
}

// sensorsOf adds the channels as read last, and the chips.
func (c *Core) sensorsOf(s *snapshot.Snapshot) {
	stats := c.board.Stats()
	for i := range c.cfg.Board.Channels {
		ch := &c.cfg.Board.Channels[i]
		r := *c.wiring.channel[i](&c.in)
		s.Channels = append(s.Channels, snapshot.Channel{
			Name: ch.Name(), Value: reading(r, voltDecimals), Unit: ch.Unit(), Quality: *textOf(r.Quality.Text()),
			Rejected: stats.Channels[i].Rejected(), Calibration: c.calibratedOf(i),
		})
	}
	for i, chip := range c.cfg.Board.Chips {
		st := &stats.Chips[i]
		s.Chips = append(s.Chips, snapshot.Chip{
			Name: chip.Name, Address: chip.Address(), Answering: st.Answering, Errors: st.Errors, Retries: st.Retries,
		})
	}
}
