package budget

import (
	"fmt"
	"math"
	"slices"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/rules/leadacid"
	"liftbank/sensors"
)

// String is what two taps over one ground make of the two batteries of a string.
type String struct {
	Lower string `json:"lower"`
	Upper string `json:"upper"`
	// by which the own voltage of each may be off, at most: the upper one's is a difference of two taps
	LowerOffV float64 `json:"lower_off_v"`
	UpperOffV float64 `json:"upper_off_v"`
	// by which two batteries of one voltage may read apart, at most, and what that is of charge at rest
	ApartV   float64 `json:"apart_v"`
	ApartPct float64 `json:"apart_pct"`
	// the same with both taps calibrated against one meter of the usual class
	CalibratedV   float64 `json:"calibrated_v"`
	CalibratedPct float64 `json:"calibrated_pct"`
	Calibrated    bool    `json:"calibrated"` // both taps are, by the configuration
}

const (
	// tellPct is the difference of charge that a string must be able to show: a battery that has lost so much of
	// its capacity is at the end of its life by common practice (no source), and is reversed first.
	tellPct = 20.0
	// Between these charges a difference of charge is a difference of voltage at rest.
	halfPct, fullPct = 50.0, 100.0
	meterDigitV      = 0.01 // the last digit of a common meter over 20 V; common practice, no source
)

func (r *Report) strings(cfg *config.Config) error {
	layout := cfg.Bank.Layout.Rules()
	if layout.Blocks() == 1 {
		return nil
	}
	meter := calibrate.Meters(calibrate.Voltage)[0]
	for k := range layout.Strings(len(cfg.Bank.Batteries)) {
		lower, upper := cfg.Bank.Batteries[layout.Lowest(k)], cfg.Bank.Batteries[layout.Highest(k)]
		chem, err := leadacid.Parse(string(upper.Chemistry))
		if err != nil {
			return fmt.Errorf("bank.batteries[%d]: %w", layout.Highest(k), err)
		}
		vPerPct := (chem.RestedVFromSoC(fullPct) - chem.RestedVFromSoC(halfPct)) / (fullPct - halfPct)
		low, _ := r.of(config.BatteryVoltage, lower.ID)
		high, _ := r.of(config.BatteryVoltage, upper.ID)
		foot := low // where the upper battery begins
		if post, have := r.of(config.BatteryNegative, upper.ID); have {
			foot = post
		}
		s := String{Lower: lower.ID, Upper: upper.ID}
		s.LowerOffV = low.Zero + low.GainPct/100*atV
		s.UpperOffV = high.Zero + foot.Zero + (high.GainPct/100*2+foot.GainPct/100)*atV
		// Where one chip reads both with one range, its own gain is the same for both, and makes no difference
		// between them.
		common := commonPct(cfg, low.Name, high.Name, foot.Name)
		own := func(c Channel) float64 { return (c.GainPct - common) / 100 * atV }
		s.ApartV = high.Zero + foot.Zero + low.Zero + 2*own(high) + own(foot) + own(low)
		if foot.Name == low.Name {
			s.ApartV = high.Zero + 2*low.Zero + 2*own(high) + 2*own(low)
		}
		// What the meter is off by a share of its reading, it is at both taps; its constant part, and the last
		// digit of each figure, are left.
		s.CalibratedV = min(meter.Fixed+3*meterDigitV/2, s.ApartV)
		s.ApartPct, s.CalibratedPct = s.ApartV/vPerPct, s.CalibratedV/vPerPct
		s.Calibrated = calibrated(cfg, lower.ID) && calibrated(cfg, upper.ID)
		r.Strings = append(r.Strings, s)
		if s.ApartPct > tellPct && !s.Calibrated {
			r.warn("board.channels", "batteries %s and %s: two that are alike may read %.2f V apart, as if one had %.0f %% less charge: a "+
				"battery that lost %.0f %% can't be told from a good one. Take resistors of 0.1 %% for both taps, or calibrate both against one "+
				"meter: then %.2f V and %.0f %%", s.Lower, s.Upper, s.ApartV, s.ApartPct, tellPct, s.CalibratedV, s.CalibratedPct)
		}
	}
	return nil
}

// commonPct returns the error of gain that channels have in common.
func commonPct(cfg *config.Config, names ...string) float64 {
	var first *config.Channel
	common := math.Inf(1)
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		if !slices.Contains(names, c.Name()) {
			continue
		}
		if first == nil {
			first = c
		}
		low, high := c.Input.Range()
		if firstLow, firstHigh := first.Input.Range(); c.Chip != first.Chip || low != firstLow || high != firstHigh {
			return 0
		}
		common = min(common, 100*c.Class(sensors.AtRest).GainError)
	}
	return common
}

// calibrated reports whether a battery's tap has a correction.
func calibrated(cfg *config.Config, battery string) bool {
	for i := range cfg.Board.Channels {
		if c := &cfg.Board.Channels[i]; c.Signal == config.BatteryVoltage && c.Battery == battery {
			return c.Calibration.Gain != 1 || c.Calibration.Offset != 0
		}
	}
	return false
}
