// Package budget works out what a board can resolve and by how much it may be off, from its
// configuration alone, and what that makes of charge, resistance and capability. It is pure.
//
// All limits hold either way and add up, as the limits of data sheets do; noise is one standard
// deviation. What the agent learns later makes less of them: zeros at rest, taps by each other.
package budget

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/zero"
	"liftbank/sensors"
)

// Currents at which a current channel is judged: what the converter may give, a battery's part of a
// run or all of it, and the inrush of a pump motor of 100 to 130 A in its first tenth of a second
// (common practice, no source). Of 24 V, half of each does the same work.
var atA = []float64{20, 200, inrushA}

const (
	atV     = 12.6 // of a full battery at rest
	atC     = 25.0
	atDropV = 0.05 // over a link
	atBar   = 150. // of a lift's pump at work; common practice, no source

	runA        = 120.0 // of a pump motor; common practice, no source
	inrushA     = 400.0
	unevenShare = 1.3  // of an even share of the inrush that one of several batteries may take; our choice
	edgeRead    = 3.0  // readings on each side of a step that its size comes from
	tiredPct    = 10.0 // by which a capability must be known to tell a tired battery from a fit one; our choice
	endV        = 0.1  // that an output stays away from its supply; our choice, from data sheets of Hall sensors
)

// Report is the error budget of a unit.
type Report struct {
	Channels  []Channel     `json:"channels"`
	Batteries []Battery     `json:"batteries"`
	Strings   []String      `json:"strings,omitempty"` // of batteries in series
	RunScanMs float64       `json:"run_scan_ms"`       // time from one scan to the next in a motor run, at most
	TapsV     float64       `json:"taps_v"`            // by which two batteries in parallel may read apart before they are evened out
	Warnings  []Warning     `json:"warnings"`
	scan      time.Duration // RunScanMs
}

// Channel is how well one channel measures, in its unit.
type Channel struct {
	Name    string  `json:"name"`
	Unit    string  `json:"unit"`
	Low     float64 `json:"low"`  // least and most that it can show
	High    float64 `json:"high"` // within its possible range
	PinHigh float64 `json:"pin_high_v"`
	Step    float64 `json:"step"`  // between two codes, in a run
	Noise   float64 `json:"noise"` // in a run
	Zero    float64 `json:"zero"`
	GainPct float64 `json:"gain_pct"`
	At      []Point `json:"at"`
}

// Point is the error at one value.
type Point struct {
	Value float64 `json:"value"`
	OffBy float64 `json:"off_by"` // at most
	Shown bool    `json:"shown"`  // false: beyond what the channel can show
}

// Battery is what the channels make of one battery.
type Battery struct {
	ID            string  `json:"id"`
	ZeroAhPerDay  float64 `json:"zero_ah_per_day"` // that a zero not learned yet counts in a day
	ChargePct     float64 `json:"charge_pct"`      // of the charge counted
	RatedMohm     float64 `json:"rated_mohm"`
	ResistancePct float64 `json:"resistance_pct"` // that every run has in common
	RunMohm       float64 `json:"run_mohm"`       // scatter of one run
	CapabilityA   float64 `json:"capability_a"`   // of the rated current, from ResistancePct
	// scatter of the link at its negative post in one run; 0 without a tap there. Middle: that link is the
	// one to the battery that it stands on
	LinkMohm float64 `json:"link_mohm"`
	Middle   bool    `json:"middle,omitempty"`
}

// Warning is what to look at, with the field that says it.
type Warning struct {
	Field string `json:"field"`
	Text  string `json:"text"`
}

// Of returns the budget of a valid configuration.
func Of(cfg *config.Config) (Report, error) {
	r := Report{Warnings: []Warning{}}
	for i := range cfg.Board.Channels {
		r.channel(cfg, i)
	}
	for i := range cfg.Bank.Batteries {
		if err := r.battery(cfg, i); err != nil {
			return r, err
		}
	}
	if err := r.strings(cfg); err != nil {
		return r, err
	}
	r.bank(cfg)
	r.pace(cfg)
	return r, nil
}

func (r *Report) warn(field, format string, args ...any) {
	r.Warnings = append(r.Warnings, Warning{field, fmt.Sprintf(format, args...)})
}

// of returns the budget of a channel by name.
func (r *Report) of(signal config.Signal, battery string) (Channel, bool) {
	want := (&config.Channel{Signal: signal, Battery: battery}).Name()
	for _, c := range r.Channels {
		if c.Name == want {
			return c, true
		}
	}
	return Channel{}, false
}

func (r *Report) channel(cfg *config.Config, i int) {
	ch := &cfg.Board.Channels[i]
	mode := sensors.InRun
	if !ch.InRun {
		mode = sensors.AtRest
	}
	chip := ch.Class(mode)
	low, high := ch.Min, ch.Max // of a thermistor; its circuit has no end but the possible range
	if ch.Scale.Law().Slope().Linear {
		low, high = ch.Reach()
	}
	c := Channel{
		Name: ch.Name(), Unit: ch.Unit(), Low: max(low, ch.Min), High: min(high, ch.Max),
		Step: chip.StepSize, Noise: max(ch.Accuracy.Noise, chip.Noise),
		Zero: ch.Accuracy.Zero + chip.ZeroError, GainPct: ch.Accuracy.GainPct + 100*chip.GainError,
	}
	c.PinHigh = pinHigh(ch)
	if ch.Scale.Kind == config.Hall {
		r.supply(ch, &c, i)
	}
	over := cfg.Bank.Over(ch.Signal, ch.Battery)
	values := []float64{atV * float64(over)}
	switch {
	case c.Unit == "A":
		values = nil
		for _, a := range atA {
			values = append(values, a/blocks(cfg))
		}
	case c.Unit == "°C":
		values = []float64{atC}
	case c.Unit == "bar":
		values = []float64{atBar}
	case ch.Signal == config.BatteryNegative && over == 0:
		values = []float64{atDropV}
	}
	for _, v := range values {
		// A current of this size flows either way; the smaller side decides.
		shown := v <= c.High && (c.Unit != "A" || -v >= c.Low)
		c.At = append(c.At, Point{Value: v, OffBy: c.Zero + c.GainPct/100*v, Shown: shown})
	}
	r.Channels = append(r.Channels, c)
	if ch.Signal == config.BatteryCurrent {
		r.inrush(cfg, &c, i)
	}
}

func blocks(cfg *config.Config) float64 { return float64(cfg.Bank.Layout.Rules().Blocks()) }

// pinHigh returns the highest voltage that the channel puts on its pin within its possible range.
func pinHigh(ch *config.Channel) float64 {
	bottom, top := ch.Input.Range()
	slope := ch.Scale.Law().Slope()
	if !slope.Linear {
		return ch.Scale.SupplyV
	}
	high := bottom
	for _, end := range []float64{ch.Min, ch.Max} {
		high = max(high, slope.AtV+end/slope.PerVolt)
	}
	return min(high, top)
}

// supply limits a Hall sensor to what its own supply lets it show: its output rests in the middle of
// it, and ends short of it.
func (r *Report) supply(ch *config.Channel, c *Channel, i int) {
	if ch.Scale.ZeroV <= 0 {
		return
	}
	most := (ch.Scale.ZeroV - endV) / math.Abs(ch.Scale.VPerA)
	if c.High <= most && -c.Low <= most {
		return
	}
	r.warn(fmt.Sprintf("board.channels[%d].scale", i),
		"%s: a sensor that rests at %s V has a supply of some %s V and ends near %.0f A, not at min_a and max_a: take one "+
			"with fewer volts per ampere, or state its range", c.Name, number(ch.Scale.ZeroV), number(2*ch.Scale.ZeroV), most)
	c.Low, c.High = max(c.Low, -most), min(c.High, most)
}

// inrush compares a current channel with what a motor's start takes from a battery, or a string.
func (r *Report) inrush(cfg *config.Config, c *Channel, i int) {
	n, whole, one := float64(len(cfg.Bank.Batteries))/blocks(cfg), inrushA/blocks(cfg), "battery"
	if blocks(cfg) > 1 {
		one = "string"
	}
	part := whole
	if n > 1 {
		part = whole / n * unevenShare
	}
	ends := min(c.High, -c.Low)
	field := fmt.Sprintf("board.channels[%d].scale", i)
	switch {
	case ends < part:
		r.warn(field, "%s: ends at %.0f A; a start of the motor takes up to %.0f A from a %s of this bank, and the "+
			"beginning of each run, which says most of a battery, is lost: take a larger sensor", c.Name, ends, part, one)
	case ends < whole:
		r.warn(field, "%s: ends at %.0f A: while another %s is off, a start takes up to %.0f A from this one, and is not read",
			c.Name, ends, one, whole)
	}
	if p := c.At[0]; c.Zero > zero.MaxA {
		r.warn(field, "%s: its zero may be off by %.1f A, more than is learned at rest (%.0f A): at %.0f A it is off by up to %.1f A; "+
			"calibrate it, or take a better sensor", c.Name, c.Zero, zero.MaxA, p.Value, p.OffBy)
	}
}

// current returns the budget of what flows through a battery: of a string, that of its best sensor.
func (r *Report) current(cfg *config.Config, i int) (best Channel) {
	layout := cfg.Bank.Layout.Rules()
	at := layout.StringOf(i)
	for k := layout.Lowest(at); k <= layout.Highest(at); k++ {
		c, have := r.of(config.BatteryCurrent, cfg.Bank.Batteries[k].ID)
		if have && (best.Name == "" || c.GainPct < best.GainPct) {
			best = c
		}
	}
	return best
}

func (r *Report) battery(cfg *config.Config, i int) error {
	b := cfg.Bank.Batteries[i]
	chem, err := leadacid.Parse(string(b.Chemistry))
	if err != nil {
		return fmt.Errorf("bank.batteries[%d]: %w", i, err)
	}
	volts, _ := r.of(config.BatteryVoltage, b.ID)
	amps := r.current(cfg, i)
	part := runA / float64(len(cfg.Bank.Batteries)) // of 24 V half the current, through half as many
	linkMohm := 0.0
	below, stands := cfg.Bank.Layout.Rules().Below(i)
	post, have := r.of(config.BatteryNegative, b.ID)
	if stands {
		// The voltage of this battery is the difference of two taps, of which its own sees twice as much.
		under, _ := r.of(config.BatteryVoltage, cfg.Bank.Batteries[below].ID)
		if have {
			linkMohm = 1000 * math.Hypot(rounded(post), rounded(under)) * math.Sqrt(2/edgeRead) / part
			under = post
		}
		volts.GainPct = 2*volts.GainPct + under.GainPct
		volts.Noise = math.Hypot(rounded(volts), rounded(under))
		volts.Step = 0
	} else if have {
		linkMohm = 1000 * rounded(post) * math.Sqrt(2/edgeRead) / part
		// It is a small part of the voltage between the posts; only its noise counts.
		volts.Noise = math.Hypot(volts.Noise, rounded(post))
	}
	gainV, gainA := volts.GainPct, amps.GainPct
	out := Battery{
		ID: b.ID, ZeroAhPerDay: 24 * amps.Zero, ChargePct: gainA, RatedMohm: chem.RatedMohm(b.RatedCCA),
		ResistancePct: math.Hypot(gainV, gainA),
		RunMohm:       1000 * rounded(volts) * math.Sqrt(2/edgeRead) / part, LinkMohm: linkMohm, Middle: stands,
	}
	out.CapabilityA = b.RatedCCA * out.ResistancePct / 100
	if out.ResistancePct > tiredPct {
		r.warn(fmt.Sprintf("bank.batteries[%d]", i),
			"battery %s: its resistance is known to %.0f %% only, too little to tell a tired battery from a fit one: calibrate "+
				"voltage and current, or take better sensors", b.ID, out.ResistancePct)
	}
	r.Batteries = append(r.Batteries, out)
	return nil
}

// rounded returns the noise of one reading with what rounding adds: a step over the root of twelve.
func rounded(c Channel) float64 { return math.Hypot(c.Noise, c.Step/math.Sqrt(12)) }

// bank looks at batteries that don't match, and at what two taps make of one voltage.
func (r *Report) bank(cfg *config.Config) {
	all := cfg.Bank.Batteries
	thermometer := false
	for i := range cfg.Board.Channels {
		thermometer = thermometer || cfg.Board.Channels[i].Signal == config.BatteryTemperature
	}
	if !thermometer {
		r.warn("board.channels", "no battery_temperature: all is taken for 25 °C, so that a cold battery seems weaker than it is, "+
			"and charge voltages can't be judged")
	}
	gains := 0.0
	for _, b := range all {
		if c, have := r.of(config.BatteryVoltage, b.ID); have {
			gains = max(gains, c.Zero+c.GainPct/100*atV)
		}
	}
	for _, u := range cfg.Bank.Unlike() {
		r.unlike(cfg, &u)
	}
	if len(all) > 1 && blocks(cfg) == 1 {
		r.TapsV = 2 * gains
	}
}

// unlike warns of a battery that differs from the first, once of each.
func (r *Report) unlike(cfg *config.Config, u *config.Unlike) {
	k, _ := cfg.Bank.Index(u.Battery)
	of, _ := cfg.Bank.Index(u.From)
	field := fmt.Sprintf("bank.batteries[%d]", k)
	if u.What == config.OtherKind {
		field += "." + string(u.What)
	}
	if slices.ContainsFunc(r.Warnings, func(w Warning) bool { return w.Field == field }) {
		return
	}
	b, first := &cfg.Bank.Batteries[k], &cfg.Bank.Batteries[of]
	if u.What == config.OtherKind {
		r.warn(field, "battery %s is %s and %s is %s: %s; fit batteries of one kind", b.ID, b.Chemistry, first.ID, first.Chemistry, u.Cost())
		return
	}
	r.warn(field, "battery %s (%s Ah, %s A) and %s (%s Ah, %s A) differ by more than %.0f %%: %s; fit batteries of one type and age",
		b.ID, number(b.RatedAh), number(b.RatedCCA), first.ID, number(first.RatedAh), number(first.RatedCCA), config.AlikePct, u.Cost())
}

// pace compares the time of a scan in a run with what the load test of a run needs.
func (r *Report) pace(cfg *config.Config) {
	slowest := ""
	for _, chip := range cfg.Board.Chips {
		if _, run := cfg.Board.Pace(chip.Name); run > r.scan {
			r.scan, slowest = run, chip.Name
		}
	}
	r.RunScanMs = float64(r.scan.Microseconds()) / 1000
	if r.scan > loadtest.LongestScan {
		r.warn("board.chips", "scans are up to %.0f ms apart in motor runs, by chip %s: want %d ms or less, or no run is a load test "+
			"and no battery gets a verdict; use faster conversions in runs, or another chip",
			r.RunScanMs, slowest, loadtest.LongestScan.Milliseconds())
	}
}

// number writes a number without needless digits.
func number(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.3f", v), "0"), ".")
}
