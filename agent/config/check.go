package config

import (
	"fmt"
	"strings"
	"time"

	"liftbank/sensors"
)

// The checks of this file compare fields with each other; each field by itself has passed already
// or has its error.

func (c *Config) check(r *reading) {
	c.Bank.check(r)
	c.Visits.check(r)
	c.HTTP.check(r, &c.Visits)
	c.Board.checkChips(r)
	if b := &c.Board; (b.SCLPin == "") != (b.SDAPin == "") {
		missing := "i2c_scl_pin"
		if b.SDAPin == "" {
			missing = "i2c_sda_pin"
		}
		r.refuse("board."+missing, "", "want it with the other one")
	}
	c.Board.checkWiring(r)
	for i := range c.Board.Channels {
		ch := &c.Board.Channels[i]
		path := channelPath(i)
		ch.checkBattery(r, path, &c.Bank)
		ch.checkRange(r, path)
		switch ch.Signal {
		case BatteryVoltage, FeedVoltage, MotorVoltage, ControlVoltage:
			ch.checkVoltage(r, path, c.Limits.Of("findings.series_v"), c.Bank.Layout.Rules().Blocks())
		case BatteryNegative:
			ch.checkMiddle(r, path, c.Limits.Of("findings.series_v"), &c.Bank)
		case BatteryCurrent:
			ch.checkCurrent(r, path, c.Bank.Layout.Rules().Blocks())
		case BatteryTemperature, AmbientTemperature:
			ch.checkThermistor(r, path)
		case OilPressure:
			ch.checkTransducer(r, path, &c.Limits)
		}
	}
	c.checkBatteriesSeen(r)
	c.Board.checkContacts(r)
	c.Board.checkPace(r)
	c.checkFastScan(r)
	c.Limits.checkOrder(r)
	c.Power.check(r, &c.Board)
	c.Outlets.check(r)
}

func channelPath(i int) string { return fmt.Sprintf("board.channels[%d]", i) }

// paths gives the path of one field in each of the n entries of a list, and at least that of the
// first: an error of the list itself is on the way to it.
func paths(list string, n int, field string) []string {
	all := make([]string, max(n, 1))
	for i := range all {
		all[i] = fmt.Sprintf("%s[%d]%s", list, i, field)
	}
	return all
}

func (b *Board) checkChips(r *reading) {
	for i, chip := range b.Chips {
		path := fmt.Sprintf("board.chips[%d]", i)
		if b.I2CBus == "" && chip.ChipConfig != nil && chip.Address() != 0 && !r.hasError("board.i2c_bus") {
			r.refuse("board.i2c_bus", "", fmt.Sprintf("want the bus that chip %s is on, such as /dev/i2c-1", show(chip.Name)), path+".address")
		}
		for j, before := range b.Chips[:i] {
			other := fmt.Sprintf("board.chips[%d]", j)
			if before.Name == chip.Name {
				r.refuse(path+".name", "", fmt.Sprintf("want another: chips[%d] has it", j), other+".name")
			}
			if chip.onBusWith(&before) {
				r.refuse(
					path+".address",
					"",
					fmt.Sprintf("want another: chips[%d] has it, and two chips can't share one on a bus", j),
					other+".address",
				)
			}
		}
	}
}

// onBusWith reports whether two chips are at the same address of the bus.
func (c *Chip) onBusWith(other *Chip) bool {
	return c.ChipConfig != nil && other.ChipConfig != nil && c.Address() != 0 && c.Address() == other.Address()
}

// checkWiring checks where each channel is: on a chip that exists, one per input, one per quantity.
func (b *Board) checkWiring(r *reading) {
	used := map[string]bool{}
	for i := range b.Channels {
		ch, path := &b.Channels[i], channelPath(i)
		used[ch.Chip] = true
		if b.chip(ch.Chip) == nil {
			r.refuse(path+".chip", "", "want the name of one of board.chips", paths("board.chips", len(b.Chips), ".name")...)
		}
		for j := range b.Channels[:i] {
			before, other := &b.Channels[j], channelPath(j)
			if ch.sameInput(before) {
				want := fmt.Sprintf("want another: channels[%d] is on this input of chip %s", j, show(ch.Chip))
				r.refuse(path+".input", "", want, other+".input", path+".chip", other+".chip")
			}
			if before.Signal == ch.Signal && before.Battery == ch.Battery {
				r.refuse(
					path+".signal",
					"",
					fmt.Sprintf("want another signal or battery: channels[%d] measures %s", j, ch.Name()),
					other+".signal",
					path+".battery",
					other+".battery",
				)
			}
		}
	}
	for i, chip := range b.Chips {
		if !used[chip.Name] {
			r.refuse(fmt.Sprintf("board.chips[%d].name", i), "", "want a channel on it, or the chip left out", "board.channels")
		}
	}
}

// sameInput reports whether two channels are on the same input.
func (c *Channel) sameInput(other *Channel) bool {
	return c.Chip == other.Chip && c.Input != nil && other.Input != nil && c.Input.Name() == other.Input.Name()
}

func (c *Channel) checkBattery(r *reading, path string, bank *Bank) {
	switch {
	case !signals[c.Signal].perBattery && c.Battery != "":
		r.refuse(
			path+".battery",
			"",
			fmt.Sprintf("want it left out: %s is of the unit, not of a battery", c.Signal),
			path+".signal",
		)
	case signals[c.Signal].perBattery && !bank.has(c.Battery):
		r.refuse(
			path+".battery",
			"",
			"want one of bank.batteries",
			append(paths("bank.batteries", len(bank.Batteries), ".id"), path+".signal")...)
	}
}

func (c *Channel) checkRange(r *reading, path string) {
	suffix := signals[c.Signal].suffix
	if c.Min >= c.Max {
		value := formatNumber(c.Min)
		r.refuse(
			path+".min"+suffix,
			value,
			fmt.Sprintf("want less than max%s (%s)", suffix, formatNumber(c.Max)),
			path+".max"+suffix,
			path+".signal",
		)
	}
	if (c.Signal == BatteryVoltage || c.Signal == BatteryNegative || c.Signal == BatteryCurrent) && !c.InRun {
		r.refuse(path+".in_run", "", "want true: each motor run is a load test of every battery", path+".signal")
	}
}

// Reach returns the quantity at the two ends of what the input chip can see on this channel.
func (c *Channel) Reach() (low, high float64) {
	bottom, top := c.Input.Range()
	law := c.Scale.Law()
	if s := law.Slope(); s.Linear { // a transducer's scale has no value for what its circuit can't give
		low, high = (bottom-s.AtV)*s.PerVolt, (top-s.AtV)*s.PerVolt
	} else {
		low, _ = law.Physical(bottom)
		high, _ = law.Physical(top)
	}
	correct := c.Calibration.correction()
	low, high = correct.Apply(low), correct.Apply(high)
	return min(low, high), max(low, high)
}

// checkVoltage refuses a channel that would not see more batteries in series than there should be: of so
// many in a string, its tap must show more than so many times the limit of one.
func (c *Channel) checkVoltage(r *reading, path string, seriesV float64, blocks int) {
	reason := "a bank wired in series by mistake must be seen"
	if blocks > 1 {
		reason = "more than the voltage of a whole string must be seen, at a tap on the wrong post too"
	}
	c.checkSees(r, path, seriesV, blocks, reason)
}

// checkMiddle refuses a tap at the negative post of a battery that stands on another, with the range of one
// that sees no more than the drop over a cable.
func (c *Channel) checkMiddle(r *reading, path string, seriesV float64, bank *Bank) {
	i, known := bank.Index(c.Battery)
	below, stands := bank.Layout.Rules().Below(i)
	if !known || !stands || r.hasError("bank.layout") || r.hasError("bank.batteries") {
		return
	}
	c.checkSees(r, path, seriesV, 1, fmt.Sprintf("this post stands on the positive post of battery %s, at 12 to 16 V over ground",
		bank.Batteries[below].ID))
}

// checkSees refuses a channel that can't show so many times a voltage.
func (c *Channel) checkSees(r *reading, path string, seriesV float64, blocks int, reason string) {
	if c.Input == nil || r.hasError(path) {
		return
	}
	limit, of := seriesV*float64(blocks), "findings.series_v"
	if blocks > 1 {
		of = fmt.Sprintf("%d times %s", blocks, of)
	}
	if _, high := c.Reach(); high <= limit {
		want := fmt.Sprintf("want more than %s V (%s) at the end of the input's range: %s; "+
			"use a larger range or a smaller bottom_ohm", formatNumber(limit), of, reason)
		r.refuse(path+".scale", fmt.Sprintf("reaches %.4g V", high), want, "findings.series_v")
		return
	}
	if c.Max <= limit {
		r.refuse(
			path+".max_v",
			formatNumber(c.Max),
			fmt.Sprintf("want more than %s V (%s): %s", formatNumber(limit), of, reason),
			"findings.series_v",
		)
	}
}

const (
	mustDrawA   = 150 // class of the motor's breaker: one battery may have to carry the motor alone
	mustChargeA = 60  // our choice: the largest converters seen on trailers; one battery may take it all
)

// checkCurrent refuses a channel that would not see a motor run or the feed on one battery alone, or on one
// string: for the same power it takes the current of one 12 V battery over the batteries of a string.
func (c *Channel) checkCurrent(r *reading, path string, blocks int) {
	switch {
	case c.Scale.Kind == Hall && c.Scale.VPerA == 0:
		r.refuse(path+".scale.v_per_a", "", "want a number other than 0")
	case c.Scale.Kind == Shunt && c.Scale.Gain == 0:
		r.refuse(path+".scale.gain", "", "want a number other than 0")
	}
	if c.Input == nil || r.hasError(path) {
		return
	}
	draw, charge, one := mustDrawA/float64(blocks), mustChargeA/float64(blocks), "battery"
	if blocks > 1 {
		one = "string"
	}
	need := fmt.Sprintf("want at least -%g to %g A: one %s may have to carry the motor, and take the feed, alone", draw, charge, one)
	if low, high := c.Reach(); low > -draw || high < charge {
		r.refuse(path+".scale", fmt.Sprintf("reaches %.4g to %.4g A", low, high), need)
		return
	}
	if c.Min > -draw || c.Max < charge {
		r.refuse(path+".min_a", fmt.Sprintf("%s to max_a: %s", formatNumber(c.Min), formatNumber(c.Max)), need)
	}
}

const (
	coldMiddleC = -20 // a thermistor is read best where it equals its pull-up; a battery lives around
	hotMiddleC  = 80
)

// checkThermistor refuses a circuit that can't tell a cut thermistor, or whose best range is far
// from a battery's.
func (c *Channel) checkThermistor(r *reading, path string) {
	if c.Input == nil || r.hasError(path) {
		return
	}
	if _, top := c.Input.Range(); c.Scale.SupplyV > top {
		r.refuse(path+".scale.supply_v", "", fmt.Sprintf("want at most the end of the input's range (%s V): "+
			"a cut thermistor puts the whole supply on the pin", formatNumber(top)))
		return
	}
	middle, ok := c.Scale.Law().Physical(c.Scale.SupplyV / 2)
	if ok && middle >= coldMiddleC && middle <= hotMiddleC {
		return
	}
	value := "never equal to the thermistor"
	if ok {
		value = fmt.Sprintf("equal to the thermistor at %.0f °C", middle)
	}
	r.refuse(
		path+".scale.pullup_ohm",
		value,
		fmt.Sprintf(
			"want it equal between %d and %d °C: check the pull-up and the thermistor's figures",
			coldMiddleC,
			hotMiddleC,
		),
	)
}

// transducerTop is where the output of a broken wire or a short begins, over the span from the zero to
// the full scale: 96 % of the supply where the full scale is 90 % and the zero 10 %.
const transducerTop = 6.0 / 80

// checkTransducer refuses a circuit that can't tell a transducer's full scale from a broken wire, and
// a full scale that the relief valve's setting would not leave.
func (c *Channel) checkTransducer(r *reading, path string, limits *Limits) {
	if c.Input == nil || r.hasError(path) {
		return
	}
	s := &c.Scale
	if s.FullScaleV <= s.ZeroV {
		r.refuse(path+".scale.full_scale_v", "", fmt.Sprintf("want more than zero_v (%s)", formatNumber(s.ZeroV)),
			path+".scale.zero_v")
		return
	}
	if _, top := c.Input.Range(); s.FullScaleV+transducerTop*(s.FullScaleV-s.ZeroV) > top {
		r.refuse(path+".scale.full_scale_v", "", fmt.Sprintf("want it below the end of the input's range (%s V) by 8 %% of the "+
			"span: beyond it a broken wire shows; use a divider", formatNumber(top)))
		return
	}
	for _, limit := range []string{"oil.relief_up_bar", "oil.relief_down_bar"} {
		if set := limits.Of(limit); set > s.FullScaleBar {
			r.refuse(path+".scale.full_scale_bar", formatNumber(s.FullScaleBar),
				fmt.Sprintf("want more than %s (%s)", limit, formatNumber(set)), limit)
		}
	}
}

// checkBatteriesSeen wants a voltage of every battery and a current of each that stands on the bank's minus:
// of a string, that is the current of all its batteries.
func (c *Config) checkBatteriesSeen(r *reading) {
	seen := map[string]bool{}
	for i := range c.Board.Channels {
		seen[c.Board.Channels[i].Name()] = true
	}
	layout := c.Bank.Layout.Rules()
	for i, b := range c.Bank.Batteries {
		var missing []string
		for _, signal := range []Signal{BatteryVoltage, BatteryCurrent} {
			if _, stands := layout.Below(i); stands && signal == BatteryCurrent {
				continue
			}
			if channel := (Channel{Signal: signal, Battery: b.ID}); !seen[channel.Name()] {
				missing = append(missing, string(signal))
			}
		}
		if missing == nil {
			continue
		}
		want := fmt.Sprintf("want a channel %s for it in board.channels", strings.Join(missing, " and one "))
		if above := i + 1; layout.Blocks() > 1 && above < len(c.Bank.Batteries) && layout.StringOf(above) == layout.StringOf(i) {
			if missing[0] == string(BatteryVoltage) {
				want += fmt.Sprintf(": its positive post is the middle between %s and %s, and without it only their sum is known",
					b.ID, c.Bank.Batteries[above].ID)
			}
			if missing[len(missing)-1] == string(BatteryCurrent) {
				want += fmt.Sprintf("; one current sensor a string, at its lowest battery, is that of %s and %s", b.ID, c.Bank.Batteries[above].ID)
			}
		}
		r.refuse(fmt.Sprintf("bank.batteries[%d].id", i), "", want, "board.channels", "bank.layout")
	}
}

func (b *Board) checkContacts(r *reading) {
	for i, contact := range b.Contacts {
		path := fmt.Sprintf("board.contacts[%d]", i)
		for j, before := range b.Contacts[:i] {
			other := fmt.Sprintf("board.contacts[%d]", j)
			if before.Signal == contact.Signal {
				r.refuse(path+".signal", "", fmt.Sprintf("want another: contacts[%d] has it", j), other+".signal")
			}
			if before.Pin == contact.Pin {
				r.refuse(path+".pin", "", fmt.Sprintf("want another: contacts[%d] is on it", j), other+".pin")
			}
		}
	}
}

const (
	transferTime = 2 * time.Millisecond   // our choice: start, poll, read and read back at 100 kHz
	runScanLimit = 100 * time.Millisecond // the first 100 ms of a motor run are its load test
)

// checkPace refuses settings with which a chip can't convert its channels in time. Chips convert
// side by side.
func (b *Board) checkPace(r *reading) {
	if r.hasError("board.channels") || r.hasError("board.scan.rest_every") {
		return
	}
	for i, chip := range b.Chips {
		rest, run := b.Pace(chip.Name)
		path := fmt.Sprintf("board.chips[%d]", i)
		if rest >= b.Scan.RestEvery {
			r.refuse(path, fmt.Sprintf("takes %s for its channels", rest.Round(time.Millisecond)),
				fmt.Sprintf("want less than board.scan.rest_every (%s): choose faster conversions at rest",
					formatDuration(b.Scan.RestEvery)))
		}
		if run > runScanLimit {
			r.refuse(path, fmt.Sprintf("takes %s for its channels in a motor run", run.Round(time.Millisecond)),
				fmt.Sprintf("want at most %s, because the start of a run is its load test: "+
					"choose faster conversions in a run", formatDuration(runScanLimit)))
		}
	}
}

// Pace returns how long a chip takes for all its channels at rest, and for those read in a run.
func (b *Board) Pace(chip string) (rest, run time.Duration) {
	for i := range b.Channels {
		c := &b.Channels[i]
		if c.Chip != chip || c.Input == nil {
			continue
		}
		rest += transferTime + sensors.ReadTime(c.Input, sensors.AtRest)
		if c.InRun {
			run += transferTime + sensors.ReadTime(c.Input, sensors.InRun)
		}
	}
	return rest, run
}

func (c *Config) checkFastScan(r *reading) {
	minA := c.Limits.Of("motor.min_current_a")
	if -c.Board.Scan.RunBelowA > minA {
		r.refuse(
			"board.scan.run_below_a",
			formatNumber(c.Board.Scan.RunBelowA),
			fmt.Sprintf(
				"want -%s or nearer to 0: scanning must be fast at motor.min_current_a already",
				formatNumber(minA),
			),
			"motor.min_current_a",
		)
	}
}
