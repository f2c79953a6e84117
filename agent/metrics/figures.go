package metrics

import (
	"fmt"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"liftbank/agent/publish"
	"liftbank/agent/snapshot"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/rules/unit"
)

// Words that a state label can have. States that are not the present one have a sample of 0.
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

// figure is one metric and where its value stands. value gives nil when it is unknown.
type figure[T any] struct {
	desc  *prometheus.Desc
	kind  prometheus.ValueType
	value func(T) *float64
}

func collect[T any](ch chan<- prometheus.Metric, figures []figure[T], from T, labels ...string) {
	for _, f := range figures {
		if v := f.value(from); v != nil {
			send(ch, f.desc, f.kind, *v, labels...)
		}
	}
}

const labelBattery = "battery"

// described is every metric of this package.
var described []*prometheus.Desc

func desc(name, help string, labels ...string) *prometheus.Desc {
	d := prometheus.NewDesc("liftbank_"+name, help, labels, nil)
	described = append(described, d)
	return d
}

func gauge[T any](name, help string, value func(T) *float64, labels ...string) figure[T] {
	return figure[T]{desc(name, help, labels...), prometheus.GaugeValue, value}
}

func counter[T any](name, help string, value func(T) *float64, labels ...string) figure[T] {
	return figure[T]{desc(name+"_total", help, labels...), prometheus.CounterValue, value}
}

// estimate gives two metrics, NAME_UNIT and its standard uncertainty NAME_sigma_UNIT, both divided by divisor.
func estimate[T any](name, unit, help string, divisor float64, value func(T) snapshot.Estimate, labels ...string) []figure[T] {
	return []figure[T]{
		gauge(name+"_"+unit, help, func(from T) *float64 { return over(value(from).Value, divisor) }, labels...),
		gauge(name+"_sigma_"+unit, "Standard uncertainty of liftbank_"+name+"_"+unit+", same unit.",
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
	unchanged      = 1.0
	secondsPerHour = 3600.0 // ampere hours to coulombs, watt hours to joules
)

// over divides and drops what division adds beyond 15 digits: 71.2 % is 0.712, not 0.7120000000000001.
func over(v *float64, divisor float64) *float64 {
	if v == nil || divisor == unchanged {
		return v
	}
	q, err := strconv.ParseFloat(strconv.FormatFloat(*v/divisor, 'g', 15, 64), 64)
	if err != nil {
		return nil // NaN and the infinities parse; nothing else comes here
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

// measured gives nil for the zero that stands for "not measured" in a motor run.
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
	buildInfo        = desc("build_info", "Always 1; the labels say which program this is.", "version", "revision", "go_version")
	unitInfo         = desc("unit_info", "Always 1; the label is the unit's name in the fleet.", "unit")
	snapshotTime     = desc("snapshot_timestamp_seconds", "Time of the newest snapshot by the unit's clock, seconds since 1970-01-01 UTC. Stays when the figures have vanished because it is old.")
	batteryInfo      = desc("battery_info", "Always 1; the labels say what kind of battery this is.", labelBattery, "chemistry")
	batteryVerdict   = desc("battery_verdict", "1 for the verdict that the battery has, 0 for each other: fit (sound and charged), fit-low (sound, needs charge), tired, failed, unknown (not enough evidence yet).", labelBattery, "verdict")
	feedStatus       = desc("feed_status", "1 for what the feed does now, 0 for each other: off, awaited (wake line on, still within its allowance), present, missing, unasked (there with the wake line off), unknown.", "status")
	motorLeads       = desc("bank_motor_leads", "1 for how the pump motor's leads sit, 0 for each other: diagonal (opposite ends of the bank), same-post, between (any other), unknown.", "arrangement")
	feedLeads        = desc("bank_feed_leads", "1 for how the converter's leads sit, 0 for each other; words as in liftbank_bank_motor_leads.", "arrangement")
	channelQuality   = desc("channel_quality", "Always 1; the label quality says whether the channel's last reading can be used and, if not, why.", "channel", "quality")
	findingActive    = desc("finding_active", "1 while the named condition holds; 0 when it is over and still listed, shelved or out of service. Subject is the battery, link or channel concerned, empty for the unit.", "finding", "subject", "severity")
	findings         = desc("findings", "Number of conditions that hold now, by severity; those that another one explains are not counted.", "severity")
	findingNotJudged = desc("finding_not_judged", "Always 1; one sample for each finding that can't be judged now because something it needs is missing.", "finding")
)

type snap = *snapshot.Snapshot

var unitFigures = join([]figure[snap]{
	gauge("snapshot_sequence", "Sequence number of the newest snapshot, counted since the agent's start.", func(s snap) *float64 { return count(s.Seq) }),
	gauge("clock_trusted", "1 when the unit's clock is known to be set, 0 when times are only relative.", func(s snap) *float64 { return flag(s.ClockTrusted) }),
	gauge("uptime_seconds", "Time since the agent's start by the unit's clock, in seconds.", func(s snap) *float64 { return &s.UptimeS }),

	counter("scans", "Readings of the whole board since the agent's start.", func(s snap) *float64 { return count(s.Scan.Count) }),
	counter("scan_overruns", "Scans begun later than they were due since the agent's start.", func(s snap) *float64 { return count(s.Scan.Overruns) }),
	gauge("scan_duration_seconds", "Time that the last scan took, in seconds.", func(s snap) *float64 { return &s.Scan.TookS }),
	gauge("scan_fast", "1 while the board is read as fast as its converters allow, as in a motor run; 0 at the slow rate.", func(s snap) *float64 { return flag(s.Scan.Fast) }),

	gauge("bank_volts", "Voltage of the bank, mean of its batteries' usable voltages, in volts.", func(s snap) *float64 { return s.Bank.VoltageV }),
	gauge("bank_amperes", "Current into the bank in amperes; negative out of it.", func(s snap) *float64 { return s.Bank.CurrentA }),
	gauge("bank_rested", "1 when the bank has been at rest long enough for liftbank_bank_rested_volts to be of now, else 0.", func(s snap) *float64 { return flag(s.Bank.Rested) }),
	gauge("bank_since_full_seconds", "Time since the last full charge that was seen, in seconds.", func(s snap) *float64 { return s.Bank.SinceFullS }),
	counter("bank_charged_coulombs", "Charge that went into the bank, in coulombs (1 Ah is 3600).", func(s snap) *float64 { return hours(s.Bank.ChargedAh) }),
	counter("bank_drawn_coulombs", "Charge that was drawn out of the bank, in coulombs (1 Ah is 3600).", func(s snap) *float64 { return hours(s.Bank.DrawnAh) }),
	gauge("bank_full_cycles", "Full cycles that the charge drawn comes to: over the rated capacity.", func(s snap) *float64 { return &s.Bank.FullCycles }),
	counter("bank_charged_joules", "Energy that went into the bank, in joules (1 Wh is 3600).", func(s snap) *float64 { return hours(s.Bank.ChargedWh) }),
	counter("bank_drawn_joules", "Energy that was drawn out of the bank, in joules (1 Wh is 3600).", func(s snap) *float64 { return hours(s.Bank.DrawnWh) }),

	gauge("motor_running", "1 while the pump motor runs, else 0.", func(s snap) *float64 { return flag(s.Motor.Running) }),
	gauge("motor_volts", "Voltage at the motor terminal, in volts.", func(s snap) *float64 { return s.Motor.VoltageV }),
	gauge("motor_command", "1 while the contactor coil of the motor is switched on, else 0.", func(s snap) *float64 { return maybeFlag(s.Motor.Command) }),
	counter("motor_runs", "Motor runs, one start to stop each.", func(s snap) *float64 { return count(s.Motor.Runs) }),
	counter("motor_run_seconds", "Time that the motor ran, in seconds.", func(s snap) *float64 { return &s.Motor.RunTimeS }),
	counter("motor_lift_cycles", "Lift cycles, a configured number of motor runs each.", func(s snap) *float64 { return count(s.Motor.LiftCycles) }),

	gauge("feed_volts", "Voltage of the feed ahead of the charge breaker, in volts.", func(s snap) *float64 { return s.Feed.VoltageV }),
	gauge("feed_status_since_timestamp_seconds", "Time since which the feed does what liftbank_feed_status says, seconds since 1970-01-01 UTC by the unit's clock.", func(s snap) *float64 { return at(s.Feed.Since) }),
	gauge("feed_wake_line", "1 while the wake line (ignition) asks for the feed, else 0.", func(s snap) *float64 { return maybeFlag(s.Feed.WakeLine) }),
	gauge("disconnect_closed", "1 while the battery disconnect is closed, 0 while it is open.", func(s snap) *float64 { return maybeFlag(s.Feed.DisconnectClosed) }),
	counter("feed_wake_seconds", "Time that the wake line was on, in seconds.", func(s snap) *float64 { return &s.Feed.WakeTimeS }),
	counter("feed_present_seconds", "Time that the feed was there, in seconds.", func(s snap) *float64 { return &s.Feed.FeedTimeS }),
},
	estimate("bank_soc", "ratio", "State of charge of the bank, 0 to 1 of its present full capacity.", percent, func(s snap) snapshot.Estimate { return s.Bank.SoCPct }),
	estimate("bank_soc_spread", "ratio", "Largest less smallest state of charge among the batteries, 0 to 1.", percent, func(s snap) snapshot.Estimate { return s.Bank.SpreadPct }),
	estimate("bank_resistance_spread", "ratio", "Largest resistance of a battery over the smallest, 1 or more.", unchanged, func(s snap) snapshot.Estimate { return s.Bank.ResistanceRatio }),
	estimate("bank_rested", "volts", "Rested voltage of the bank brought to 25 °C, in volts.", unchanged, func(s snap) snapshot.Estimate { return s.Bank.RestedV }),
	estimate("bank_circulating", "amperes", "Current that one battery drains into another with nothing switched on, in amperes.", unchanged, func(s snap) snapshot.Estimate { return s.Bank.CirculatingA }),
	estimate("bank_lifts", "left", "Lifts of this unit's kind that the bank can still make with the feed off.", unchanged, func(s snap) snapshot.Estimate { return s.Bank.LiftsLeft }),
	estimate("bank_time_to_full", "seconds", "Time until the bank is full at the present feed, in seconds.", unchanged, func(s snap) snapshot.Estimate { return s.Bank.TimeToFullS }),
	estimate("motor_lift", "coulombs", "Charge that a lift takes out of the bank, in coulombs (1 Ah is 3600).", ampereHours, func(s snap) snapshot.Estimate { return s.Motor.LiftAh }),
	estimate("motor_lift", "joules", "Energy that a lift takes out of the bank, in joules (1 Wh is 3600).", ampereHours, func(s snap) snapshot.Estimate { return s.Motor.LiftWh }),
	estimate("motor_path", "ohms", "What lies between the bank's positive post and the motor's terminal: lead, disconnect, breaker, contactor; in ohms.", milliohms, func(s snap) snapshot.Estimate { return s.Motor.PathMohm }),
	estimate("feed_path", "ohms", "What lies between the converter and the bank's positive post, in ohms.", milliohms, func(s snap) snapshot.Estimate { return s.Feed.PathMohm }),
	runFigures,
)

// ofRun makes a figure of the last motor run; there is none before the first run.
func ofRun(name, help string, value func(r *snapshot.Run) *float64) figure[snap] {
	return gauge("motor_last_run_"+name, help, func(s snap) *float64 {
		if s.Motor.LastRun == nil {
			return nil
		}
		return value(s.Motor.LastRun)
	})
}

var runFigures = []figure[snap]{
	ofRun("start_timestamp_seconds", "Start of the last motor run, seconds since 1970-01-01 UTC by the unit's clock.", func(r *snapshot.Run) *float64 { return at(r.Start) }),
	ofRun("duration_seconds", "Length of the last motor run, in seconds.", func(r *snapshot.Run) *float64 { return &r.DurationS }),
	ofRun("peak_amperes", "Largest current drawn from the bank in the last motor run, in amperes, positive.", func(r *snapshot.Run) *float64 { return measured(r.PeakA) }),
	ofRun("mean_amperes", "Mean current drawn from the bank in the last motor run, in amperes, positive.", func(r *snapshot.Run) *float64 { return measured(r.MeanA) }),
	ofRun("min_bank_volts", "Lowest voltage of the bank in the last motor run, in volts.", func(r *snapshot.Run) *float64 { return measured(r.MinBankV) }),
	ofRun("drawn_coulombs", "Charge drawn from the bank in the last motor run, in coulombs (1 Ah is 3600).", func(r *snapshot.Run) *float64 { return measured(r.DrawnAh * secondsPerHour) }),
}

type batt = *snapshot.Battery

var batteryFigures = join([]figure[batt]{
	gauge("battery_volts", "Voltage at the battery's own posts, in volts.", func(b batt) *float64 { return b.VoltageV }, labelBattery),
	gauge("battery_amperes", "Current into the battery in amperes; negative out of it.", func(b batt) *float64 { return b.CurrentA }, labelBattery),
	gauge("battery_celsius", "Temperature at the battery's case or post, in degrees Celsius.", func(b batt) *float64 { return b.TempC }, labelBattery),
	gauge("battery_rated_coulombs", "Rated capacity at the 20 h rate, in coulombs (1 Ah is 3600).", func(b batt) *float64 { return hours(b.RatedAh) }, labelBattery),
	gauge("battery_rated_cranking_amperes", "Rated cold cranking current under SAE J537 (-18 °C, 30 s, 7.2 V), in amperes.", func(b batt) *float64 { return &b.RatedCCA }, labelBattery),
	counter("battery_charged_coulombs", "Charge that went into the battery, in coulombs (1 Ah is 3600).", func(b batt) *float64 { return hours(b.ChargedAh) }, labelBattery),
	counter("battery_drawn_coulombs", "Charge that was drawn out of the battery, in coulombs (1 Ah is 3600).", func(b batt) *float64 { return hours(b.DrawnAh) }, labelBattery),
},
	estimate("battery_soc", "ratio", "State of charge of the battery, 0 to 1 of its present full capacity at the 20 h rate.", percent, func(b batt) snapshot.Estimate { return b.SoCPct }, labelBattery),
	estimate("battery_rested", "volts", "Last rested voltage of the battery brought to 25 °C, in volts.", unchanged, func(b batt) snapshot.Estimate { return b.RestedV }, labelBattery),
	estimate("battery_resistance", "ohms", "Resistance of the battery from motor runs, at 25 °C and full charge, in ohms.", milliohms, func(b batt) snapshot.Estimate { return b.ResistanceMohm }, labelBattery),
	estimate("battery_cranking", "amperes", "Current that the battery could give under SAE J537 conditions, worked out from its resistance, in amperes.", unchanged, func(b batt) snapshot.Estimate { return b.CrankingA }, labelBattery),
	estimate("battery_capacity", "coulombs", "Present full capacity of the battery at the 20 h rate, learnt from deep swings, in coulombs (1 Ah is 3600).", ampereHours, func(b batt) snapshot.Estimate { return b.CapacityAh }, labelBattery),
	estimate("battery_health", "ratio", "State of health of the battery: present full capacity over rated, 0 to 1 and more.", percent, func(b batt) snapshot.Estimate { return b.HealthPct }, labelBattery),
	estimate("battery_resistance_trend", "ohms", "How the battery's resistance moves in 100 motor runs, in ohms; positive: it grows.", milliohms, func(b batt) snapshot.Estimate { return b.TrendMohm }, labelBattery),
	estimate("battery_discharge_share", "ratio", "The battery's share of what the bank gave over the last motor runs, 0 to 1.", percent, func(b batt) snapshot.Estimate { return b.DrawSharePct }, labelBattery),
	estimate("battery_charge_share", "ratio", "The battery's share of what went into the bank, 0 to 1.", percent, func(b batt) snapshot.Estimate { return b.ChargeSharePct }, labelBattery),
)

type link = *snapshot.Link

var linkFigures = estimate("link_resistance", "ohms", "Resistance of a link between two batteries' posts, its lugs included, in ohms.", milliohms,
	func(l link) snapshot.Estimate { return l.ResistanceMohm }, "side", "from", "to")

var sinceFigures = []figure[*snapshot.SinceService]{
	gauge("since_service_lift_cycles", "Lift cycles since a service of that kind was done, or since counting began.", func(s *snapshot.SinceService) *float64 { return count(s.LiftCycles) }, "kind"),
	gauge("since_service_motor_run_seconds", "Time that the motor ran since a service of that kind was done, in seconds.", func(s *snapshot.SinceService) *float64 { return &s.RunTimeS }, "kind"),
}

var channelFigures = []figure[*snapshot.Channel]{
	gauge("channel_usable", "1 when the channel's last reading can be used, else 0.", func(c *snapshot.Channel) *float64 { return flag(c.Quality.ID == unit.Good.Text().ID) }, "channel"),
	counter("channel_rejected", "Readings of the channel that could not be used since the agent's start.", func(c *snapshot.Channel) *float64 { return count(c.Rejected) }, "channel"),
}

var chipFigures = []figure[*snapshot.Chip]{
	gauge("chip_answering", "1 while the input chip answers on the bus, else 0.", func(c *snapshot.Chip) *float64 { return flag(c.Answering) }, "chip"),
	counter("chip_errors", "Failed transfers with the converter since the agent's start, those tried again included.", func(c *snapshot.Chip) *float64 { return count(c.Errors) }, "chip"),
	counter("chip_retries", "Transfers with the converter that were tried again since the agent's start.", func(c *snapshot.Chip) *float64 { return count(c.Retries) }, "chip"),
}

type pub = *publish.State

var publishFigures = []figure[pub]{
	gauge("publish_connected", "1 while the agent is connected to its MQTT broker, else 0.", func(p pub) *float64 { return flag(p.Connected) }),
	gauge("publish_connected_since_timestamp_seconds", "Time since which liftbank_publish_connected is what it is, seconds since 1970-01-01 UTC.", func(p pub) *float64 { return at(p.Since) }),
	counter("publish_failures", "MQTT connections that failed to come up or were lost.", func(p pub) *float64 { return count(p.Failures) }),
	counter("publish_reconnects", "MQTT connections that came up after the first.", func(p pub) *float64 { return count(p.Reconnects) }),
	counter("publish_messages", "MQTT messages that the broker acknowledged.", func(p pub) *float64 { return count(p.Published) }),
	counter("publish_dropped", "MQTT messages given up because a figure had no JSON form.", func(p pub) *float64 { return count(p.Dropped) }),
	counter("publish_repeated", "Records sent again because the collector asked for them or did not confirm them.", func(p pub) *float64 { return count(p.Repeated) }),
	counter("publish_bytes", "Bytes sent and received over MQTT, IP and TCP headers included, TLS handshakes apart; headers by count of reads and writes.", func(p pub) *float64 { return count(p.Bytes) }),
	gauge("publish_thrift", "How scarce the day's budget of bytes is: 0 plenty, 3 used up.", func(p pub) *float64 { return new(float64(p.Thrift)) }),
	counter("publish_receipts", "Receipts of the collector that were taken.", func(p pub) *float64 { return count(p.Receipts) }),
	counter("publish_receipts_refused", "Messages on the topic received that were no receipt, or one for what was never sent.", func(p pub) *float64 { return count(p.Refused) }),
	counter("publish_oversized", "Packets of the broker that were too large and read past.", func(p pub) *float64 { return count(p.Oversized) }),
	gauge("publish_deaf", "1 when the broker does not let the unit hear the collector, else 0.", func(p pub) *float64 { return flag(p.Deaf) }),
}
