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
		case BatteryVoltage, FeedVoltage, MotorVoltage:
			ch.checkVoltage(r, path, c.Limits.Of("findings.series_v"))
		case BatteryCurrent:
			ch.checkCurrent(r, path)
		case BatteryTemperature:
			ch.checkThermistor(r, path)
		}
	}
	c.checkBatteriesSeen(r)
	c.Board.checkContacts(r)
	c.Board.checkPace(r)
	c.checkFastScan(r)
	c.Limits.checkOrder(r)
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

// reach returns the quantity at the two ends of what the input chip can see on this channel.
func (c *Channel) reach() (low, high float64) {
	bottom, top := c.Input.Range()
	law := c.Scale.Law()
	low, _ = law.Physical(bottom)
	high, _ = law.Physical(top)
	correct := c.Calibration.correction()
	low, high = correct.Apply(low), correct.Apply(high)
	return min(low, high), max(low, high)
}

// checkVoltage refuses a channel that would not see a bank wired in series.
func (c *Channel) checkVoltage(r *reading, path string, seriesV float64) {
	if c.Input == nil || r.hasError(path) {
		return
	}
	const reason = "a bank wired in series by mistake must be seen"
	if _, high := c.reach(); high <= seriesV {
		want := fmt.Sprintf("want more than %s V (findings.series_v) at the end of the input's range: %s; "+
			"use a larger range or a smaller bottom_ohm", formatNumber(seriesV), reason)
		r.refuse(path+".scale", fmt.Sprintf("reaches %.4g V", high), want, "findings.series_v")
		return
	}
	if c.Max <= seriesV {
		r.refuse(
			path+".max_v",
			formatNumber(c.Max),
			fmt.Sprintf("want more than %s V (findings.series_v): %s", formatNumber(seriesV), reason),
			"findings.series_v",
		)
	}
}

const (
	mustDrawA   = 150 // class of the motor's breaker: one battery may have to carry the motor alone
	mustChargeA = 60  // our choice: the largest converters seen on trailers; one battery may take it all
)

// checkCurrent refuses a channel that would not see a motor run or the feed on one battery alone.
func (c *Channel) checkCurrent(r *reading, path string) {
	switch {
	case c.Scale.Kind == Hall && c.Scale.VPerA == 0:
		r.refuse(path+".scale.v_per_a", "", "want a number other than 0")
	case c.Scale.Kind == Shunt && c.Scale.Gain == 0:
		r.refuse(path+".scale.gain", "", "want a number other than 0")
	}
	if c.Input == nil || r.hasError(path) {
		return
	}
	need := fmt.Sprintf(
		"want at least -%d to %d A: one battery may have to carry the motor, and take the feed, alone",
		mustDrawA,
		mustChargeA,
	)
	if low, high := c.reach(); low > -mustDrawA || high < mustChargeA {
		r.refuse(path+".scale", fmt.Sprintf("reaches %.4g to %.4g A", low, high), need)
		return
	}
	if c.Min > -mustDrawA || c.Max < mustChargeA {
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

// checkBatteriesSeen wants a voltage and a current of every battery.
func (c *Config) checkBatteriesSeen(r *reading) {
	seen := map[string]bool{}
	for i := range c.Board.Channels {
		seen[c.Board.Channels[i].Name()] = true
	}
	for i, b := range c.Bank.Batteries {
		var missing []string
		for _, signal := range []Signal{BatteryVoltage, BatteryCurrent} {
			if channel := (Channel{Signal: signal, Battery: b.ID}); !seen[channel.Name()] {
				missing = append(missing, string(signal))
			}
		}
		if missing != nil {
			r.refuse(fmt.Sprintf("bank.batteries[%d].id", i), "",
				fmt.Sprintf("want a channel %s for it in board.channels", strings.Join(missing, " and one ")), "board.channels")
		}
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
		rest, run := b.pace(chip.Name)
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

// pace returns how long a chip takes for all its channels at rest, and for those read in a run.
func (b *Board) pace(chip string) (rest, run time.Duration) {
	for i := range b.Channels {
		c := &b.Channels[i]
		if c.Chip != chip || c.Input == nil {
			continue
		}
		_, longest := c.Input.Time(sensors.AtRest)
		rest += transferTime + longest
		if c.InRun {
			_, longest = c.Input.Time(sensors.InRun)
			run += transferTime + longest
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
