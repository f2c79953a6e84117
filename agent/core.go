package agent

import (
	"context"
	"fmt"
	"slices"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/rules"
	"liftbank/rules/view"
	"liftbank/sensors"
)

// Parts are what a core works with: the real board, or an emulated one.
type Parts struct {
	Chips    []sensors.Chip   // in the order of the configuration's chips
	Contacts sensors.Contacts // in the order of its contacts; nil when there are none
	Clock    sensors.Clock
	// Wall gives the time of day and whether it can be trusted.
	Wall func() (now time.Time, trusted bool)
}

// scanner is where scans come from: a board, or a recording of one.
type scanner interface {
	// Next waits for the next scan; it belongs to the scanner until the next call.
	Next(ctx context.Context) (*sensors.Scan, error)
	// Stats returns the counts since the start.
	Stats() *sensors.Stats
}

// Core is the measuring part of a unit: each step takes one scan of the board and gives what is
// known after it. It does no other input or output, and belongs to one goroutine.
type Core struct {
	cfg    config.Config
	board  scanner
	engine *rules.Engine
	wiring wiring
	wall   func() (time.Time, bool)
	clock  sensors.Clock
	in     rules.Input
	scan   *sensors.Scan
	out    *rules.Output

	known [rules.MaxBatteries]known // of each battery

	shift        time.Duration // from the board's clock to the engine's timeline, which goes on over restarts
	before       rules.Moment  // of the state restored
	gapOwed      bool          // the time between that and this start is not known yet
	jumpAt, jump time.Duration // see timeline
	told         toldTimes
}

// NewCore puts a unit together. It touches neither bus nor pins.
func NewCore(cfg config.Config, p Parts) (*Core, error) {
	bc, err := boardConfig(&cfg)
	if err != nil {
		return nil, err
	}
	board, err := sensors.New(bc, p.Chips, p.Contacts, p.Clock)
	if err != nil {
		return nil, err
	}
	rc, err := RulesConfig(&cfg)
	if err != nil {
		return nil, err
	}
	c, err := newCore(cfg, rc, board)
	if err != nil {
		return nil, err
	}
	c.wall, c.clock = p.Wall, p.Clock
	return c, nil
}

// NewPlayback puts together a unit whose scans come from a recording.
func NewPlayback(cfg config.Config, rc rules.Config, from *recording.Scans) (*Core, error) {
	c, err := newCore(cfg, rc, from)
	if err != nil {
		return nil, err
	}
	c.wall = from.Wall
	return c, nil
}

func newCore(cfg config.Config, rc rules.Config, from scanner) (*Core, error) {
	engine, err := rules.New(rc)
	if err != nil {
		return nil, err
	}
	w, err := wire(&cfg)
	if err != nil {
		return nil, fmt.Errorf("wiring: %w", err)
	}
	cfg.Bank.Batteries = slices.Clone(cfg.Bank.Batteries) // a replaced one changes it
	return &Core{cfg: cfg, board: from, engine: engine, wiring: w}, nil
}

// Next waits for the next scan, takes it and works it out. The output belongs to the core until the
// next call. The only error is the context's, or of a recording that ends or can't be read.
func (c *Core) Next(ctx context.Context) (*rules.Output, error) {
	scan, err := c.board.Next(ctx)
	if err != nil {
		return nil, err
	}
	c.scan = scan
	c.wiring.fill(scan, &c.in)
	c.in.At.Mono = scan.At + c.shift
	for i := range c.in.CommandEdges {
		c.in.CommandEdges[i].At += c.shift
	}
	c.in.At.Wall, c.in.At.WallTrusted = c.wall()
	if !c.in.At.WallTrusted {
		c.told = toldTimes{c.in.At.Wall.Add(-scan.At), scan.At}
	}
	c.catchUp()
	c.out = c.engine.Step(&c.in)
	return c.out, nil
}

// SetWork begins or ends work under way, for a simulated technician.
func (c *Core) SetWork(on bool, by string, span time.Duration) error {
	if !on {
		return c.engine.EndWork()
	}
	return c.engine.BeginWork(view.BySwitch, by, span)
}

// Scan gives the last scan; it belongs to the board until the next call of Next.
func (c *Core) Scan() *sensors.Scan { return c.scan }

// Input gives what the rules were handed last.
func (c *Core) Input() *rules.Input { return &c.in }

// Stats gives the board's counts.
func (c *Core) Stats() *sensors.Stats { return c.board.Stats() }

// State gives what has been learned, to be saved.
func (c *Core) State() *rules.State { return c.engine.State() }

// Output gives what the last step gave; it belongs to the core until the next call of Next.
func (c *Core) Output() *rules.Output { return c.out }
