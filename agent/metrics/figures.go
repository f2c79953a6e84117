package metrics

import (
	"fmt"
	"strconv"
	"time"

	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/rules/unit"
)

// Values of the state labels. Every state has a sample: 1 for the present one, 0 for the others.
var (
	verdicts     = words(loadtest.Unknown, loadtest.Fit, loadtest.FitLow, loadtest.Tired, loadtest.Failed)
	feeds        = words(feed.Unknown, feed.Off, feed.Awaited, feed.Present, feed.Missing, feed.Unasked)
	arrangements = words(network.Unknown, network.Diagonal, network.SamePost, network.Between)
	severities   = words(finding.Note, finding.Repair, finding.Urgent)
)

func words[T fmt.Stringer](values ...T) []string {
	var all []string
	for _, v := range values {
		all = append(all, v.String())
	}
	return all
}

// figure is one metric and how to read its value, nil when it is unknown.
type figure[T any] struct {
	desc  *Desc
	kind  Kind
	value func(T) *float64
}

func collect[T any](to Sink, figures []figure[T], from T, labels ...string) {
	for _, f := range figures {
		if v := f.value(from); v != nil {
			send(to, f.desc, f.kind, *v, labels...)
		}
	}
}

const (
	labelBattery = "battery"
	labelString  = "string"
)

func desc(name, help string, labels ...string) *Desc {
	return describe("liftbank_"+name, help, labels...)
}

func gauge[T any](name, help string, value func(T) *float64, labels ...string) figure[T] {
	return figure[T]{desc(name, help, labels...), Gauge, value}
}

func counter[T any](name, help string, value func(T) *float64, labels ...string) figure[T] {
	return figure[T]{desc(name+"_total", help, labels...), Counter, value}
}

// estimate returns two metrics, NAME_UNIT and its standard uncertainty NAME_sigma_UNIT, both
// divided by divisor. A figure without a unit is NAME and NAME_sigma.
func estimate[T any](
	name, unit, help string, divisor float64, value func(T) snapshot.Estimate, labels ...string,
) []figure[T] {
	full, sigma := name, name+"_sigma"
	if unit != "" {
		full, sigma = full+"_"+unit, sigma+"_"+unit
	}
	return []figure[T]{
		gauge(full, help, func(from T) *float64 { return over(value(from).Value, divisor) }, labels...),
		gauge(sigma, "Standard uncertainty of liftbank_"+full+", same unit.",
			func(from T) *float64 { return over(value(from).Sigma, divisor) }, labels...),
	}
}

func join[T any](parts ...[]figure[T]) []figure[T] {
	var all []figure[T]
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}

// Conversions to base units.
const (
	percent        = 100.0                // per 1
	milliohms      = 1000.0               // per ohm
	ampereHours    = 1.0 / secondsPerHour // per coulomb
	bars           = 1e-5                 // per pascal
	unchanged      = 1.0
	perDay         = 1.0 / 86400 // seconds to days
	secondsPerHour = 3600.0      // ampere hours to coulombs, watt hours to joules
)

// power reads a figure of the board's own draw, which older snapshots don't have.
func power(s snap, of func(*snapshot.Power) *float64) *float64 {
	if s.Power == nil {
		return nil
	}
	return of(s.Power)
}

// over divides v and rounds the result to 15 digits, so that 71.2 % is 0.712 and not
// 0.7120000000000001.
func over(v *float64, divisor float64) *float64 {
	if v == nil || divisor == unchanged {
		return v
	}
	q, err := strconv.ParseFloat(strconv.FormatFloat(*v/divisor, 'g', 15, 64), 64)
	if err != nil {
		return nil // unreachable: FormatFloat writes what ParseFloat reads
	}
	return &q
}

func hours(v float64) *float64 { return new(v * secondsPerHour) }
func count(n uint64) *float64  { return new(float64(n)) }
func flag(b bool) *float64     { return new(fromBool(b)) }

func maybeFlag(b *bool) *float64 {
	if b == nil {
		return nil
	}
	return flag(*b)
}

// measured returns nil for the zero that means "not measured" in a motor run.
func measured(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

func at(t time.Time) *float64 {
	if t.IsZero() {
		return nil
	}
	return new(unixSeconds(t))
}

var (
	buildInfo = desc(
		"build_info", "Always 1. The labels say which program this is.", "version", "revision", "go_version",
	)
	unitInfo     = desc("unit_info", "Always 1. The label is the unit's name in the fleet.", "unit")
	snapshotTime = desc(
		"snapshot_timestamp_seconds",
		"Time of the newest snapshot by the unit's clock, in seconds since 1970-01-01 UTC. Stays when the other "+
			"figures are dropped because the snapshot is old.",
	)
	batteryInfo = desc(
		"battery_info", "Always 1. The labels say what kind of battery this is.", labelBattery, "chemistry",
	)
	batteryVerdict = desc(
		"battery_verdict",
		"1 for the battery's verdict, 0 for the others: fit (sound and charged), fit-low (sound, needs charge), "+
			"tired, failed, unknown (not enough evidence yet).",
		labelBattery, "verdict",
	)
	stringWeakest = desc(
		"string_weakest", "Always 1. The label battery is the battery of the string that will be empty first; none while it is not known.",
		labelString, labelBattery,
	)
	boardLevel = desc(
		"board_level_seconds_total",
		"Time that the monitor's own board spent at a level, in seconds: awake, saving (scans slower, a radio on by the "+
			"hour), asleep (switched off).",
		"level",
	)
	feedStatus = desc(
		"feed_status",
		"1 for the state of the feed, 0 for the others: off, starting (wake line on, still within its allowance), "+
			"present, missing, unrequested (present with the wake line off), unknown.",
		"status",
	)
	motorLeads = desc(
		"bank_motor_leads",
		"1 for the arrangement of the pump motor's leads, 0 for the others: diagonal (opposite ends of the bank), "+
			"same-post, between (any other), unknown.",
		"arrangement",
	)
	feedLeads = desc(
		"bank_feed_leads",
		"1 for the arrangement of the converter's leads, 0 for the others. Values as in liftbank_bank_motor_leads.",
		"arrangement",
	)
	channelQuality = desc(
		"channel_quality",
		"Always 1. The label quality says whether the channel's last reading is usable and, if not, why.", "channel",
		"quality",
	)
	findingActive = desc(
		"finding_active",
		"1 while the finding is active, 0 while it is listed but cleared, shelved or out of service. The label "+
			"subject is the battery, link or channel, empty for the unit.",
		"finding", "subject", "severity",
	)
	findings = desc(
		"findings", "Number of active findings by severity. Findings explained by another one are not counted.",
		"severity",
	)
	findingNotJudged = desc(
		"finding_not_judged",
		"Always 1. One sample for each finding that can't be judged now because something it needs is missing.",
		"finding",
	)
)

type snap = *snapshot.Snapshot

var unitFigures = join([]figure[snap]{
	gauge(
		"snapshot_sequence", "Sequence number of the newest snapshot since the agent started.",
		func(s snap) *float64 { return count(s.Seq) },
	),
	gauge(
		"clock_trusted", "1 if the unit's clock is known to be set, 0 if times are only relative.",
		func(s snap) *float64 { return flag(s.ClockTrusted) },
	),
	gauge(
		"work_under_way",
		"1 while somebody works on the unit and has said so: findings stay as they are and nothing is learned; else 0.",
		func(s snap) *float64 { return flag(s.Work != nil) },
	),
	gauge(
		"uptime_seconds", "Time since the agent started by the unit's clock, in seconds.",
		func(s snap) *float64 { return &s.UptimeS },
	),

	counter(
		"scans", "Scans of all channels since the agent started.", func(s snap) *float64 { return count(s.Scan.Count) },
	),
	counter(
		"scan_overruns", "Scans that started late since the agent started.",
		func(s snap) *float64 { return count(s.Scan.Overruns) },
	),
	gauge(
		"scan_duration_seconds", "Duration of the last scan, in seconds.",
		func(s snap) *float64 { return &s.Scan.TookS },
	),
	gauge(
		"scan_fast", "1 while the unit scans as fast as its input chips allow, as in a motor run; 0 at the slow rate.",
		func(s snap) *float64 { return flag(s.Scan.Fast) },
	),

	gauge(
		"bank_volts", "Bank voltage from its minus to its plus, averaged over the batteries or strings with a usable voltage, in volts.",
		func(s snap) *float64 { return s.Bank.VoltageV },
	),
	gauge(
		"bank_blocks_in_series", "12 V batteries between the bank's minus and its plus: 1 in parallel, 2 of 24 V.",
		func(s snap) *float64 { return count(uint64(s.Blocks())) },
	),
	gauge(
		"bank_mixed", "1 if the batteries are of different kinds or ages, by their labels and dates, else 0.",
		func(s snap) *float64 { return flag(len(s.Bank.Mixed) > 0) },
	),
	gauge(
		"bank_amperes", "Current into the bank, in amperes; negative is out of it.",
		func(s snap) *float64 { return s.Bank.CurrentA },
	),
	gauge(
		"bank_rested", "1 if the bank has rested long enough for liftbank_bank_rested_volts to be current, else 0.",
		func(s snap) *float64 { return flag(s.Bank.Rested) },
	),
	gauge(
		"bank_since_full_seconds", "Time since the last full charge that was seen, in seconds.",
		func(s snap) *float64 { return s.Bank.SinceFullS },
	),
	counter(
		"bank_charged_coulombs", "Charge into the bank, in coulombs (1 Ah is 3600).",
		func(s snap) *float64 { return hours(s.Bank.ChargedAh) },
	),
	counter(
		"bank_drawn_coulombs", "Charge drawn from the bank, in coulombs (1 Ah is 3600).",
		func(s snap) *float64 { return hours(s.Bank.DrawnAh) },
	),
	gauge(
		"bank_full_cycles", "Equivalent full cycles: charge drawn over rated capacity.",
		func(s snap) *float64 { return &s.Bank.FullCycles },
	),
	counter(
		"bank_charged_joules", "Energy into the bank, in joules (1 Wh is 3600).",
		func(s snap) *float64 { return hours(s.Bank.ChargedWh) },
	),
	counter(
		"bank_drawn_joules", "Energy drawn from the bank, in joules (1 Wh is 3600).",
		func(s snap) *float64 { return hours(s.Bank.DrawnWh) },
	),

	gauge(
		"motor_running", "1 while the pump motor runs, else 0.", func(s snap) *float64 { return flag(s.Motor.Running) },
	),
	gauge("motor_volts", "Voltage at the motor terminal, in volts.", func(s snap) *float64 { return s.Motor.VoltageV }),
	gauge(
		"motor_command", "1 while the motor contactor's coil is on, else 0.",
		func(s snap) *float64 { return maybeFlag(s.Motor.Command) },
	),
	gauge(
		"motor_control_volts", "Voltage behind the breaker of the lift's controls, in volts.",
		func(s snap) *float64 { return s.Motor.ControlV },
	),
	gauge(
		"motor_oil_pressure_pascals", "Oil pressure at the pump, in pascals.",
		func(s snap) *float64 { return over(s.Motor.OilBar, bars) },
	),
	counter(
		"motor_runs", "Motor runs, each from one start to its stop.",
		func(s snap) *float64 { return count(s.Motor.Runs) },
	),
	counter("motor_run_seconds", "Motor run time, in seconds.", func(s snap) *float64 { return &s.Motor.RunTimeS }),
	counter(
		"motor_lift_cycles", "Lift cycles, each a configured number of motor runs.",
		func(s snap) *float64 { return count(s.Motor.LiftCycles) },
	),
	gauge(
		"motor_before_lift_cycles", "Lift cycles that an old counter had when this board began: to be added to the counter.",
		func(s snap) *float64 {
			return before(s, func(b *snapshot.Before) *float64 { return count(b.LiftCycles) })
		},
	),
	gauge(
		"motor_before_runs", "Motor runs that an old counter had when this board began: to be added to the counter.",
		func(s snap) *float64 { return before(s, func(b *snapshot.Before) *float64 { return count(b.Runs) }) },
	),
	gauge(
		"motor_before_run_seconds",
		"Motor run time that an old counter had when this board began: to be added to the counter, in seconds.",
		func(s snap) *float64 { return before(s, func(b *snapshot.Before) *float64 { return &b.RunTimeS }) },
	),

	gauge(
		"feed_volts", "Feed voltage ahead of the charge breaker, in volts.",
		func(s snap) *float64 { return s.Feed.VoltageV },
	),
	gauge(
		"feed_input_volts", "Voltage ahead of the converter, from the tractor, in volts.",
		func(s snap) *float64 { return s.Feed.InputV },
	),
	gauge(
		"feed_indicator_line", "1 while the charging lamp's line is live, behind its fuse, else 0.",
		func(s snap) *float64 { return maybeFlag(s.Feed.IndicatorLine) },
	),
	gauge(
		"ambient_celsius", "Temperature outside of the batteries' box, in °C.",
		func(s snap) *float64 { return s.Bank.AmbientC },
	),
	gauge(
		"feed_status_since_timestamp_seconds",
		"Time of the last change of liftbank_feed_status by the unit's clock, in seconds since 1970-01-01 UTC.",
		func(s snap) *float64 { return at(s.Feed.Since) },
	),
	gauge(
		"feed_wake_line", "1 while the wake line (ignition) is on, else 0.",
		func(s snap) *float64 { return maybeFlag(s.Feed.WakeLine) },
	),
	gauge(
		"disconnect_closed", "1 while the battery disconnect is closed, 0 while it is open.",
		func(s snap) *float64 { return maybeFlag(s.Feed.DisconnectClosed) },
	),
	counter(
		"board_drawn_coulombs", "Charge that the monitor's own board drew from the bank, in coulombs (1 Ah is 3600).",
		func(s snap) *float64 {
			return power(s, func(p *snapshot.Power) *float64 { return over(&p.TotalAh, ampereHours) })
		},
	),
	gauge(
		"board_draw_amperes", "What the monitor's own board draws at its level, by the configuration, in amperes.",
		func(s snap) *float64 { return power(s, func(p *snapshot.Power) *float64 { return &p.DrawA }) },
	),
	gauge(
		"board_parked_drawn_coulombs", "Charge that the board drew since the unit was parked, in coulombs (1 Ah is 3600).",
		func(s snap) *float64 {
			return power(s, func(p *snapshot.Power) *float64 { return over(&p.DrawnAh, ampereHours) })
		},
	),
	gauge(
		"board_parked_drawn_ratio", "The same over the bank's capacity.",
		func(s snap) *float64 {
			return power(s, func(p *snapshot.Power) *float64 { return over(&p.DrawnPct, percent) })
		},
	),
	gauge(
		"bank_parked_seconds", "Time since motor, wake line or feed was on, in seconds.",
		func(s snap) *float64 { return power(s, func(p *snapshot.Power) *float64 { return &p.ParkedS }) },
	),
	gauge(
		"bank_stands_seconds", "Time until the bank is too low for a lift, parked as now, in seconds; at most 365 days.",
		func(s snap) *float64 {
			return power(s, func(p *snapshot.Power) *float64 { return over(p.StandsDays, perDay) })
		},
	),
	gauge(
		"bank_stands_without_seconds", "The same if there were no monitor.",
		func(s snap) *float64 {
			return power(s, func(p *snapshot.Power) *float64 { return over(p.StandsWithoutDays, perDay) })
		},
	),
	counter(
		"board_sleeps", "Times that the monitor's own board was switched off to spare the bank.",
		func(s snap) *float64 { return power(s, func(p *snapshot.Power) *float64 { return count(p.Sleeps) }) },
	),
	counter(
		"feed_wake_seconds", "Time with the wake line on, in seconds.",
		func(s snap) *float64 { return &s.Feed.WakeTimeS },
	),
	counter(
		"feed_present_seconds", "Time with the feed present, in seconds.",
		func(s snap) *float64 { return &s.Feed.FeedTimeS },
	),
},
	estimate(
		"bank_soc", "ratio", "State of charge of the bank, 0 to 1 of its present full capacity.", percent,
		func(s snap) snapshot.Estimate { return s.Bank.SoCPct },
	),
	estimate(
		"bank_soc_spread", "ratio", "Highest less lowest state of charge of the batteries, 0 to 1.", percent,
		func(s snap) snapshot.Estimate { return s.Bank.SpreadPct },
	),
	estimate(
		"bank_resistance", "ratio", "Highest over lowest resistance of the batteries, 1 or more.", unchanged,
		func(s snap) snapshot.Estimate { return s.Bank.ResistanceRatio },
	),
	estimate(
		"bank_rested", "volts", "Last rested voltage of the bank at 25 °C, in volts.", unchanged,
		func(s snap) snapshot.Estimate { return s.Bank.RestedV },
	),
	estimate(
		"bank_circulating", "amperes", "Current from one battery into another with nothing switched on, in amperes.",
		unchanged, func(s snap) snapshot.Estimate { return s.Bank.CirculatingA },
	),
	estimate(
		"bank_parked_draw", "amperes", "Drawn from the parked bank with nothing on, the board included, in amperes.",
		unchanged, func(s snap) snapshot.Estimate { return s.Bank.ParkedDrawA },
	),
	estimate(
		"bank_lifts_left", "", "Lifts that the bank can still make with the feed off.", unchanged,
		func(s snap) snapshot.Estimate { return s.Bank.LiftsLeft },
	),
	estimate(
		"bank_time_to_full", "seconds", "Time until the bank is full at the present feed, in seconds.", unchanged,
		func(s snap) snapshot.Estimate { return s.Bank.TimeToFullS },
	),
	estimate(
		"motor_lift", "coulombs", "Charge drawn from the bank per lift, in coulombs (1 Ah is 3600).", ampereHours,
		func(s snap) snapshot.Estimate { return s.Motor.LiftAh },
	),
	estimate(
		"motor_lift", "joules", "Energy drawn from the bank per lift, in joules (1 Wh is 3600).", ampereHours,
		func(s snap) snapshot.Estimate { return s.Motor.LiftWh },
	),
	estimate(
		"motor_path", "ohms",
		"Resistance from the bank's positive post to the motor terminal (lead, disconnect, breaker, contactor), in "+
			"ohms.",
		milliohms, func(s snap) snapshot.Estimate { return s.Motor.PathMohm },
	),
	estimate(
		"feed_path", "ohms", "Resistance from the converter to the bank's positive post, in ohms.", milliohms,
		func(s snap) snapshot.Estimate { return s.Feed.PathMohm },
	),
	runFigures,
)

// ofRun makes a figure of the last motor run. It has no sample before the first run.
func ofRun(name, help string, value func(r *snapshot.Run) *float64) figure[snap] {
	return gauge("motor_last_run_"+name, help, func(s snap) *float64 {
		if s.Motor.LastRun == nil {
			return nil
		}
		return value(s.Motor.LastRun)
	})
}

var runFigures = []figure[snap]{
	ofRun(
		"start_timestamp_seconds", "Start of the last motor run by the unit's clock, in seconds since 1970-01-01 UTC.",
		func(r *snapshot.Run) *float64 { return at(r.Start) },
	),
	ofRun(
		"duration_seconds", "Duration of the last motor run, in seconds.",
		func(r *snapshot.Run) *float64 { return &r.DurationS },
	),
	ofRun(
		"peak_amperes", "Peak current drawn from the bank in the last motor run, in amperes, positive.",
		func(r *snapshot.Run) *float64 { return measured(r.PeakA) },
	),
	ofRun(
		"mean_amperes", "Mean current drawn from the bank in the last motor run, in amperes, positive.",
		func(r *snapshot.Run) *float64 { return measured(r.MeanA) },
	),
	ofRun(
		"min_bank_volts", "Lowest bank voltage in the last motor run, in volts.",
		func(r *snapshot.Run) *float64 { return measured(r.MinBankV) },
	),
	ofRun(
		"drawn_coulombs", "Charge drawn from the bank in the last motor run, in coulombs (1 Ah is 3600).",
		func(r *snapshot.Run) *float64 { return measured(r.DrawnAh * secondsPerHour) },
	),
}

type batt = *snapshot.Battery

var batteryFigures = join([]figure[batt]{
	gauge(
		"battery_volts", "Voltage at the battery's own posts, in volts; of one that stands on another, over that one's positive post.", func(b batt) *float64 { return b.VoltageV },
		labelBattery,
	),
	gauge(
		"battery_amperes", "Current into the battery, in amperes; negative is out of it.",
		func(b batt) *float64 { return b.CurrentA }, labelBattery,
	),
	gauge(
		"battery_celsius", "Temperature at the battery's case or post, in degrees Celsius.",
		func(b batt) *float64 { return b.TempC }, labelBattery,
	),
	gauge(
		"battery_rated_coulombs", "Rated capacity at the 20 h rate, in coulombs (1 Ah is 3600).",
		func(b batt) *float64 { return hours(b.RatedAh) }, labelBattery,
	),
	gauge(
		"battery_rated_cranking_amperes", "Rated cold cranking current (SAE J537: -18 °C, 30 s, 7.2 V), in amperes.",
		func(b batt) *float64 { return &b.RatedCCA }, labelBattery,
	),
	counter(
		"battery_charged_coulombs", "Charge into the battery, in coulombs (1 Ah is 3600).",
		func(b batt) *float64 { return hours(b.ChargedAh) }, labelBattery,
	),
	counter(
		"battery_drawn_coulombs", "Charge drawn from the battery, in coulombs (1 Ah is 3600).",
		func(b batt) *float64 { return hours(b.DrawnAh) }, labelBattery,
	),
},
	estimate(
		"battery_soc", "ratio", "State of charge of the battery, 0 to 1 of its present full capacity at the 20 h rate.",
		percent, func(b batt) snapshot.Estimate { return b.SoCPct }, labelBattery,
	),
	estimate(
		"battery_rested", "volts", "Last rested voltage of the battery at 25 °C, in volts.", unchanged,
		func(b batt) snapshot.Estimate { return b.RestedV }, labelBattery,
	),
	estimate(
		"battery_resistance", "ohms", "Battery resistance from motor runs, at 25 °C and full charge, in ohms.",
		milliohms, func(b batt) snapshot.Estimate { return b.ResistanceMohm }, labelBattery,
	),
	estimate(
		"battery_cranking", "amperes",
		"Cold cranking capability under SAE J537 conditions, calculated from the battery's resistance, in amperes.",
		unchanged, func(b batt) snapshot.Estimate { return b.CrankingA }, labelBattery,
	),
	estimate(
		"battery_capacity", "coulombs",
		"Present full capacity at the 20 h rate, learned from deep swings, in coulombs (1 Ah is 3600).", ampereHours,
		func(b batt) snapshot.Estimate { return b.CapacityAh }, labelBattery,
	),
	estimate(
		"battery_health", "ratio", "State of health of the battery: present full over rated capacity; can exceed 1.",
		percent, func(b batt) snapshot.Estimate { return b.HealthPct }, labelBattery,
	),
	estimate(
		"battery_resistance_trend", "ohms",
		"Change of the battery's resistance per 100 motor runs, in ohms; positive is rising.", milliohms,
		func(b batt) snapshot.Estimate { return b.TrendMohm }, labelBattery,
	),
	estimate(
		"battery_discharge_share", "ratio",
		"Discharge share: part of the bank's discharge that this battery gave over the last motor runs, 0 to 1.",
		percent, func(b batt) snapshot.Estimate { return b.DrawSharePct }, labelBattery,
	),
	estimate(
		"battery_charge_share", "ratio", "Charge share: part of the bank's charge that went into this battery, 0 to 1.",
		percent, func(b batt) snapshot.Estimate { return b.ChargeSharePct }, labelBattery,
	),
)

// before returns a figure of what was counted before this board; nil without.
func before(s snap, of func(*snapshot.Before) *float64) *float64 {
	if s.Motor.Before == nil {
		return nil
	}
	return of(s.Motor.Before)
}

// ofDays returns days in seconds.
func ofDays(d *float64) *float64 {
	if d == nil {
		return nil
	}
	return new(*d * 24 * secondsPerHour)
}

func maybeCount(n *uint64) *float64 {
	if n == nil {
		return nil
	}
	return count(*n)
}

type series = *snapshot.String

// stringFigures are those of batteries in series. The label has them from minus to plus: a-b.
var stringFigures = join([]figure[series]{
	gauge(
		"string_volts", "Voltage of the string from its minus to its plus, in volts.",
		func(s series) *float64 { return s.VoltageV }, labelString,
	),
	gauge(
		"string_amperes", "Current into the string, which is that of each of its batteries, in amperes; negative is out of it.",
		func(s series) *float64 { return s.CurrentA }, labelString,
	),
},
	estimate(
		"string_rest_difference", "volts", "Upper battery less lower one at rest, in volts.", unchanged,
		func(s series) snapshot.Estimate { return s.RestDiffV }, labelString,
	),
	estimate(
		"string_held_difference", "volts", "Upper battery less lower one at the end of a charge, held at the feed's voltage, in volts.",
		unchanged, func(s series) snapshot.Estimate { return s.HeldDiffV }, labelString,
	),
	estimate(
		"string_run_difference", "volts", "Upper battery less lower one under the motor's current, in volts.", unchanged,
		func(s series) snapshot.Estimate { return s.RunDiffV }, labelString,
	),
	estimate(
		"string_soc_spread", "ratio", "State of charge of the fuller battery less that of the emptier, 0 to 1.", percent,
		func(s series) snapshot.Estimate { return s.SpreadPct }, labelString,
	),
	estimate(
		"string_discharge_share", "ratio", "Part of the bank's discharge that this string gave over the last motor runs, 0 to 1.",
		percent, func(s series) snapshot.Estimate { return s.DrawSharePct }, labelString,
	),
	estimate(
		"string_charge_share", "ratio", "Part of the bank's charge that went into this string, 0 to 1.", percent,
		func(s series) snapshot.Estimate { return s.ChargeSharePct }, labelString,
	),
)

type link = *snapshot.Link

var linkFigures = estimate(
	"link_resistance", "ohms", "Resistance of the link between two batteries' posts, lugs included, in ohms.",
	milliohms, func(l link) snapshot.Estimate { return l.ResistanceMohm }, "side", "from", "to",
)

var sinceFigures = []figure[*snapshot.SinceService]{
	gauge(
		"since_service_lift_cycles", "Lift cycles since the last service of this kind, or since counting began.",
		func(s *snapshot.SinceService) *float64 { return count(s.LiftCycles) }, "kind",
	),
	gauge(
		"since_service_motor_run_seconds",
		"Motor run time since the last service of this kind, or since counting began, in seconds.",
		func(s *snapshot.SinceService) *float64 { return &s.RunTimeS }, "kind",
	),
	gauge(
		"since_service_seconds", "Time since the last service of this kind, or since counting began, by the calendar, in seconds.",
		func(s *snapshot.SinceService) *float64 { return ofDays(s.Days) }, "kind",
	),
	gauge(
		"service_interval_lift_cycles", "Lift cycles between services of this kind, where such an interval is set.",
		func(s *snapshot.SinceService) *float64 { return maybeCount(s.DueLiftCycles) }, "kind",
	),
	gauge(
		"service_interval_motor_run_seconds",
		"Motor run time between services of this kind, where such an interval is set, in seconds.",
		func(s *snapshot.SinceService) *float64 { return s.DueRunTimeS }, "kind",
	),
	gauge(
		"service_interval_seconds", "Calendar time between services of this kind, where such an interval is set, in seconds.",
		func(s *snapshot.SinceService) *float64 { return ofDays(s.DueDays) }, "kind",
	),
	gauge(
		"service_due_timestamp_seconds",
		"Day on which a service of this kind is due at the usual duty, in seconds since 1970-01-01 UTC.",
		func(s *snapshot.SinceService) *float64 {
			day, err := time.Parse(time.DateOnly, s.NextOn)
			if err != nil {
				return nil
			}
			return at(day)
		}, "kind",
	),
}

var channelFigures = []figure[*snapshot.Channel]{
	gauge(
		"channel_usable", "1 if the channel's last reading is usable, else 0.",
		func(c *snapshot.Channel) *float64 { return flag(c.Quality.ID == unit.Good.Text().ID) }, "channel",
	),
	counter(
		"channel_rejected", "Readings of the channel that were rejected since the agent started.",
		func(c *snapshot.Channel) *float64 { return count(c.Rejected) }, "channel",
	),
	gauge(
		"channel_moved_amperes", "By how much the current sensor's learned zero has moved since its calibration, in "+
			"amperes; absent without one.",
		func(c *snapshot.Channel) *float64 { return movedIn(c, "A") }, "channel",
	),
	gauge(
		"channel_moved_volts", "By how much the tap has moved against the mean of all since its calibration, in volts; "+
			"absent without one.",
		func(c *snapshot.Channel) *float64 { return movedIn(c, "V") }, "channel",
	),
}

// movedIn returns by how much a channel of a unit has moved since its calibration.
func movedIn(c *snapshot.Channel, unit string) *float64 {
	if c.Calibration == nil || c.Unit != unit {
		return nil
	}
	return c.Calibration.Moved.Value
}

var chipFigures = []figure[*snapshot.Chip]{
	gauge(
		"chip_answering", "1 while the input chip answers on the bus, else 0.",
		func(c *snapshot.Chip) *float64 { return flag(c.Answering) }, "chip",
	),
	counter(
		"chip_errors", "Failed transfers with the input chip since the agent started, retries included.",
		func(c *snapshot.Chip) *float64 { return count(c.Errors) }, "chip",
	),
	counter(
		"chip_retries", "Retried transfers with the input chip since the agent started.",
		func(c *snapshot.Chip) *float64 { return count(c.Retries) }, "chip",
	),
}

type pub = *outlet.State

const labelOutlet = "outlet"

var publishFigures = []figure[pub]{
	gauge(
		"publish_connected", "1 while the agent is connected to its MQTT broker, else 0.",
		func(p pub) *float64 { return flag(p.Connected) }, labelOutlet,
	),
	gauge(
		"publish_connected_since_timestamp_seconds",
		"Time of the last change of liftbank_publish_connected, in seconds since 1970-01-01 UTC.",
		func(p pub) *float64 { return at(p.Since) }, labelOutlet,
	),
	counter(
		"publish_failures", "MQTT connections that could not be made or were lost.",
		func(p pub) *float64 { return count(p.Failures) }, labelOutlet,
	),
	counter(
		"publish_reconnects", "MQTT connections made after the first.",
		func(p pub) *float64 { return count(p.Reconnects) }, labelOutlet,
	),
	counter(
		"publish_messages", "MQTT messages acknowledged by the broker.",
		func(p pub) *float64 { return count(p.Published) }, labelOutlet,
	),
	counter(
		"publish_dropped",
		"MQTT messages given up: a figure could not be encoded as JSON, or the broker does not take the message.",
		func(p pub) *float64 { return count(p.Dropped) }, labelOutlet,
	),
	counter(
		"publish_resent", "Records sent again because the collector asked for them or did not confirm them.",
		func(p pub) *float64 { return count(p.Repeated) }, labelOutlet,
	),
	counter(
		"publish_bytes",
		"Bytes sent and received over MQTT, with IP and TCP headers estimated from the number of reads and writes, "+
			"without TLS handshakes.",
		func(p pub) *float64 { return count(p.Bytes) }, labelOutlet,
	),
	gauge(
		"publish_budget_level", "How scarce the daily byte budget is, from 0 (plenty) to 3 (used up).",
		func(p pub) *float64 { return new(float64(p.BudgetLevel)) }, labelOutlet,
	),
	counter(
		"publish_receipts",
		"Receipts accepted from the collector.",
		func(p pub) *float64 { return count(p.Receipts) },
		labelOutlet,
	),
	counter(
		"publish_receipts_rejected",
		"Messages on the topic received that were no receipt, or a receipt for records never sent.",
		func(p pub) *float64 { return count(p.Refused) }, labelOutlet,
	),
	counter(
		"publish_oversized", "Packets from the broker that were too large and were skipped.",
		func(p pub) *float64 { return count(p.Oversized) }, labelOutlet,
	),
	gauge(
		"publish_receipts_blocked", "1 if the broker refuses the subscription to the collector's receipts, else 0.",
		func(p pub) *float64 { return flag(p.ReceiptsBlocked) }, labelOutlet,
	),
}
