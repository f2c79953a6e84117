// Package player plays a recorded curve into an emulated board.
package player

import (
	"context"
	"fmt"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/rules"
	"liftbank/rules/unit"
	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim/board"
	"liftbank/sim/cell"
	"liftbank/sim/curve"
	"liftbank/sim/scenario"
)

// Player plays a recorded curve into the emulated board. Each row is held until the next, read once
// a second through the input chips' registers, the driver, calibration and the scan schedule, and
// evaluated by the rules.
type Player struct {
	core   *agent.Core
	clock  *playClock
	now    []rowValues // by battery, its own
	layout unit.Layout
	begun  bool
	out    *rules.Output
}

type rowValues struct{ voltageV, currentA, tempC float64 }

// playClock is time that passes by being waited for, up to where the curve is known. A scan that
// has begun ends, though that takes it a little further.
type playClock struct {
	now, until time.Duration
	scanning   bool // a conversion was started since the last scan
}

// errCurveEnd means that the next scan is due later than what the curve has so far.
type errCurveEnd struct{}

func (errCurveEnd) Error() string { return "end of the curve so far" }

func (c *playClock) Now() time.Duration { return c.now }

func (c *playClock) WaitUntil(_ context.Context, at time.Duration) error {
	if at > c.until && !c.scanning {
		return errCurveEnd{}
	}
	c.now = max(c.now, at)
	return nil
}

func (c *playClock) WaitUntilOrEdge(ctx context.Context, at time.Duration) (bool, error) {
	return false, c.WaitUntil(ctx, at)
}

// noted tells the clock when a conversion starts.
type noted struct {
	sensors.Chip
	clock *playClock
}

func (n noted) Start(input int, m sensors.Mode) error {
	n.clock.scanning = true
	return n.Chip.Start(input, m)
}

// typicalAh and typicalCCA are placeholders while the board is laid out, which does not depend on
// them.
const typicalAh, typicalCCA = 100, 950

// New builds a board for the batteries of cfg.
func New(cfg rules.Config) (*Player, error) {
	sc := scenario.Scenario{}
	sc.Bank.Layout, sc.Bank.Configured = cfg.Layout.String(), cfg.Layout.String()
	for _, b := range cfg.Batteries {
		sc.Bank.Batteries = append(sc.Bank.Batteries, scenario.Battery{
			ID: b.ID, Chemistry: cell.Chemistry(b.Chemistry.String()), RatedAh: typicalAh, RatedCCA: typicalCCA,
		})
	}
	boardCfg, err := refboard.Config(&sc, "replay", refboard.Options{NoCommand: true})
	if err != nil {
		return nil, err
	}
	boardCfg.Board.Contacts = nil
	for i, b := range cfg.Batteries {
		// A recorded battery may be smaller than any that a unit has.
		boardCfg.Bank.Batteries[i].RatedAh, boardCfg.Bank.Batteries[i].RatedCCA = b.RatedAh, b.RatedCCA
	}
	p := &Player{clock: &playClock{}, layout: cfg.Layout, now: make([]rowValues, len(cfg.Batteries))}
	parts := agent.Parts{Clock: p.clock, Wall: func() (time.Time, bool) { return time.Time{}, false }}
	chips := map[string]*board.Chip{}
	var all []*board.Chip
	for _, c := range boardCfg.Board.Chips {
		chips[c.Name] = board.NewChip(c.Address(), p.clock, board.Options{})
		all = append(all, chips[c.Name])
	}
	bus := board.NewBus(p.clock, all...)
	for _, chip := range all {
		parts.Chips = append(parts.Chips, noted{ads1115.New(bus, chip.Addr(), p.clock), p.clock})
	}
	if err := p.connect(&boardCfg, chips); err != nil {
		return nil, err
	}
	p.core, err = agent.NewCore(boardCfg, parts)
	return p, err
}

func (p *Player) connect(cfg *config.Config, chips map[string]*board.Chip) error {
	index := map[string]int{}
	for i, b := range cfg.Bank.Batteries {
		index[b.ID] = i
	}
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		ain, err := rig.SingleEnded(c.Input.Name())
		if err != nil {
			return err
		}
		front, err := rig.FrontEnd(&c.Scale)
		if err != nil {
			return err
		}
		at := index[c.Battery]
		row := &p.now[at]
		source := map[config.Signal]func() float64{
			config.BatteryVoltage:     func() float64 { return p.above(at) },
			config.BatteryNegative:    func() float64 { return p.above(at) - row.voltageV },
			config.BatteryCurrent:     func() float64 { return row.currentA },
			config.BatteryTemperature: func() float64 { return row.tempC },
			config.FeedVoltage:        func() float64 { return p.above(p.layout.Highest(0)) },
			config.MotorVoltage:       func() float64 { return 0 },
		}[c.Signal]
		s := board.Sensor{Front: front, True: func(time.Duration) float64 { return source() }}
		chips[c.Chip].Connect(ain, s.Analog())
	}
	return nil
}

// above returns the voltage of a battery's positive post over the board's ground: its own, and that of those
// it stands on.
func (p *Player) above(at int) float64 {
	v := p.now[at].voltageV
	for {
		below, stands := p.layout.Below(at)
		if !stands {
			return v
		}
		v, at = v+p.now[below].voltageV, below
	}
}

// noTempC replaces a temperature that the curve does not have. The rules assume the same without a
// thermometer.
const noTempC = 25

// Step plays the time up to this instant with the rows before it, takes its rows, and returns what
// is known. A scan that is due at this very instant sees its rows.
func (p *Player) Step(at curve.Instant, index map[string]int) (*rules.Output, error) {
	to := time.Duration(at.TimeS * float64(time.Second))
	if !p.begun {
		p.begun, p.clock.now = true, to
	}
	for p.clock.now < to {
		if err := p.scan(to - 1); err != nil {
			return nil, err
		}
	}
	for _, row := range at.Rows {
		i, known := index[row.Battery]
		if !known {
			return nil, fmt.Errorf("curve at %g s: battery %q: not in the bank: want one of its batteries", at.TimeS,
				row.Battery)
		}
		v := rowValues{row.VoltageV, row.CurrentA, noTempC}
		if row.TempKnown {
			v.tempC = row.TempC
		}
		p.now[i] = v
	}
	if p.clock.now == to {
		if err := p.scan(to); err != nil {
			return nil, err
		}
	}
	return p.out, nil
}

// scan takes a scan if one is due by then, and otherwise lets the time until just after pass.
func (p *Player) scan(by time.Duration) error {
	p.clock.until, p.clock.scanning = by, false
	out, err := p.core.Next(context.Background())
	if _, end := err.(errCurveEnd); end {
		p.clock.now = max(p.clock.now, by+1)
		return nil
	}
	if err != nil {
		return err
	}
	p.out = out
	return nil
}
