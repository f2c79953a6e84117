// Package refboard writes the configuration of the reference board in front of a simulated unit.
package refboard

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/sim/scenario"
)

// Values of the reference board, as in deploy's examples: divider 100 kΩ over 10 kΩ, a ±500 A Hall
// sensor on 3.3 V, a 10 kΩ thermistor.
const (
	dividerTopOhm, dividerBottomOhm = 100e3, 10e3
	hallZeroV, hallVPerA            = 1.65, 0.0025
	hallMostA                       = 520.0
	ntcOhm, ntcBetaK, ntcSupplyV    = 10e3, 3950, 3.3
)

// Options say how a simulated unit's board differs from the reference.
type Options struct {
	NoCommand bool    // the contactor coil is not wired: runs are detected from current only
	RestEvery string  // empty for the default
	RunTail   string  // empty for the default
	Listen    string  // of the page; empty for the default
	Broker    string  // MQTT; empty for none
	TapPct    float64 // gain of its dividers may be off by so much; 0 for what the rules assume
	Account   Account
}

// Account is how a broker knows the unit. Each of them may be empty.
type Account struct{ Username, PasswordFile, CAFile, CertFile, KeyFile string }

// fields returns the fields of the configuration.
func (a Account) fields() (text string) {
	for _, f := range [][2]string{
		{"username", a.Username}, {"password_file", a.PasswordFile}, {"ca_file", a.CAFile}, {"cert_file", a.CertFile},
		{"key_file", a.KeyFile},
	} {
		if f[1] != "" {
			text += fmt.Sprintf(", %s: %q", f[0], f[1])
		}
	}
	return text
}

// YAML returns the configuration of the reference board in front of a scenario's bank, as a person
// would write it.
func YAML(sc *scenario.Scenario, unit string, b Options) string {
	var w strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&w, format+"\n", args...) }
	line("unit:\n  id: %s\nbank:\n  layout: %s", unit, sc.Bank.Configured)
	if mixed(sc) { // a story's unlike batteries are meant
		line("  mixed: true")
	}
	if sc.Feed.EqualizerA > 0 {
		line("  balancer: true")
	}
	line("  batteries:")
	for _, bat := range sc.Bank.Batteries {
		line("    - {id: %s, chemistry: %s, rated_ah: %g, rated_cca: %g}", bat.ID, bat.Label(), bat.RatedAh,
			bat.RatedCCA)
	}
	line("board:\n  i2c_bus: simulated\n  chips:")
	chips, channels := layout(sc, b.TapPct)
	for i, c := range chips {
		line("    - {name: %s, kind: ads1115, address: 0x%02x}", c, firstAddress+i)
	}
	line("  channels:")
	for _, c := range channels {
		line("    - %s", c)
	}
	line("  own_draw_a: %g", sc.BoardA)
	line("  contacts:\n    - {signal: wake_line, pin: GPIO17}")
	if !b.NoCommand {
		line("    - {signal: motor_command, pin: GPIO27}")
	}
	line("    - {signal: disconnect, pin: GPIO22}")
	if slices.Contains(sc.Sensors.Fitted, "indicator") {
		line("    - {signal: indicator_line, pin: GPIO23}")
	}
	var scan []string
	if b.RestEvery != "" {
		scan = append(scan, "rest_every: "+b.RestEvery)
	}
	if b.RunTail != "" {
		scan = append(scan, "run_tail: "+b.RunTail)
	}
	if len(scan) > 0 {
		line("  scan: {%s}", strings.Join(scan, ", "))
	}
	line("motor: {lift_cycle_runs: %d}", max(sc.Duty.RunsPerLift, 1))
	line("feed: {rated_a: %.0f}", min(sc.Feed.LimitA, sc.Feed.PowerW/(plateV*float64(sc.Bank.BuiltFor()))))
	if slices.Contains(sc.Sensors.Fitted, "oil") {
		line("oil: {relief_up_bar: %g}", sc.Motor.ReliefBar)
	}
	if sc.Service.LiftCycles > 0 || sc.Service.MotorHours > 0 {
		line("service: {lift_cycles: %d, motor_time: %gh}", sc.Service.LiftCycles, sc.Service.MotorHours)
	}
	if p := sc.Power; p.SleepAfter > 0 {
		const usual = 3 * 24 * time.Hour // power.saving_after
		line("power: {wake_by: both, asleep_a: %g, saving_after: %s, sleep_after: %s, wake_every: %s}", p.AsleepA,
			min(usual, p.SleepAfter/2), p.SleepAfter, p.WakeEvery)
	}
	if b.Broker != "" {
		line("mqtt: {broker: %q, snapshot_every: 1s, daily_kb: 0%s}", b.Broker, b.Account.fields())
	}
	if b.Listen != "" {
		line("http: {listen: %q}", b.Listen)
	}
	return w.String()
}

// mixed reports whether the labels of the batteries are unlike.
func mixed(sc *scenario.Scenario) bool {
	b := config.Bank{Layout: config.Layout(sc.Bank.Configured)}
	for i := range sc.Bank.Batteries {
		bat := &sc.Bank.Batteries[i]
		b.Batteries = append(b.Batteries, config.Battery{
			ID: bat.ID, Chemistry: config.Chemistry(bat.Label()), RatedAh: bat.RatedAh, RatedCCA: bat.RatedCCA,
		})
	}
	return len(b.Unlike()) > 0
}

const firstAddress = 0x48

// plateV is the voltage at which a converter's plate states its current; common practice, no
// source.
const plateV = 14.0

// layout returns chips and channels. Two batteries fit on two chips, more take four.
func layout(sc *scenario.Scenario, tapPct float64) (chips, channels []string) {
	n := len(sc.Bank.Batteries)
	place := func(signal, battery, chip string, input int, scale string) {
		of := ""
		if battery != "" {
			of = "battery: " + battery + ", "
		}
		const form = "{signal: %s, %schip: %s, input: AIN%d, scale: %s}"
		channels = append(channels, fmt.Sprintf(form, signal, of, chip, input, scale))
	}
	divider := fmt.Sprintf("{kind: divider, top_ohm: %g, bottom_ohm: %g}", dividerTopOhm, dividerBottomOhm)
	if tapPct > 0 {
		divider += fmt.Sprintf(", accuracy: {zero_v: %g, gain_pct: %g}", TapZeroV(tapPct), tapPct)
	}
	hall := fmt.Sprintf("{kind: hall, zero_v: %g, v_per_a: %g}, min_a: %g, max_a: %g", hallZeroV, hallVPerA,
		-hallMostA, hallMostA)
	ntc := fmt.Sprintf("{kind: ntc_beta, r25_ohm: %g, beta_k: %g, pullup_ohm: %g, supply_v: %g}",
		ntcOhm, float64(ntcBetaK), ntcOhm, ntcSupplyV)
	chips = []string{"volts", "amps"}
	posts, unit, firstNegative, firstUnit := "volts", "amps", n, 2
	if n > 2 {
		chips = append(chips, "posts", "unit")
		posts, unit, firstNegative, firstUnit = "posts", "unit", 0, 0
	}
	for i, b := range sc.Bank.Batteries {
		place("battery_voltage", b.ID, "volts", i, divider)
	}
	blocks := sc.Bank.BuiltFor()
	for i, b := range sc.Bank.Batteries[1:] {
		scale := divider
		if (i+1)%blocks == 0 { // it lies at the board's ground but for what the links drop
			scale += ", full_scale_v: 0.256"
		}
		place("battery_negative", b.ID, posts, firstNegative+i, scale)
	}
	place("motor_voltage", "", posts, 3, divider)
	place("feed_voltage", "", unit, firstUnit, divider)
	for i, b := range sc.Bank.Batteries {
		if i%blocks == 0 { // one a string
			place("battery_current", b.ID, "amps", i, hall)
		}
	}
	// At most three thermistors. A battery without one has its neighbor's temperature, and so has b
	// of two.
	thermistors := sc.Bank.Batteries[:min(max(n-1, 1), 3)]
	for i, b := range thermistors {
		place("battery_temperature", b.ID, unit, firstUnit+1+i, ntc)
	}
	extra := 0
	for _, x := range []struct{ fitted, signal, scale string }{
		{"input", "feed_input", divider}, {"control", "control_voltage", divider}, {"ambient", "ambient_temperature", ntc},
		{"oil", "oil_pressure", transducer},
	} {
		if slices.Contains(sc.Sensors.Fitted, x.fitted) {
			place(x.signal, "", "extra", extra, x.scale)
			extra++
		}
	}
	if extra > 0 {
		chips = append(chips, "extra")
	}
	return chips, channels
}

// A transducer of 0.5 to 4.5 V for 250 bar on a 5 V supply, behind 10 kΩ over 15 kΩ: 0.3 to 2.7 V.
const transducer = "{kind: pressure, zero_v: 0.3, full_scale_v: 2.7, full_scale_bar: 250}, max_bar: 260"

// TapZeroV is the zero that goes with the gain of a divider's channel: 10 mV with 1 %, the 3 steps of
// the input chip (data sheet, from memory) with 0.4 %.
func TapZeroV(pct float64) float64 { return 0.010 * pct }

// Config returns the configuration that YAML writes.
func Config(sc *scenario.Scenario, unit string, b Options) (config.Config, error) {
	return config.Parse("simulated.yaml", []byte(YAML(sc, unit, b)))
}
