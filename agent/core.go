package agent

import (
	"context"
	"fmt"
	"slices"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/rules"
	"liftbank/rules/power"
	"liftbank/rules/unit"
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
	own    rules.Input // the same, of strings: see Own
	scan   *sensors.Scan
	out    *rules.Output

	known  [rules.MaxBatteries]known // of each battery
	signed []*calibrate.Record       // calibrations that are in use, by channel

	shift        time.Duration // from the board's clock to the engine's timeline, which goes on over restarts
	before       rules.Moment  // of the state restored
	gapOwed      bool          // the time between that and this start is not known yet
	jumpAt, jump time.Duration // see timeline
	told         toldTimes

	worked    bool        // work was under way in the last step
	hurried   bool        // somebody fits the unit
	following func() bool // of a recording: whether it was; nil on a board
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
	c.wall, c.following = from.Wall, from.Work
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
	cfg.Board.Channels = slices.Clone(cfg.Board.Channels) // as a calibration does
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
	if err := c.takeCorrections(); err != nil {
		return nil, err
	}
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
	if c.following != nil {
		if err := c.follow(); err != nil {
			return nil, err
		}
	}
	c.out = c.engine.Step(&c.in)
	c.worked = c.out.Work.On
	c.pace()
	return c.out, nil
}

// follow begins or ends work under way as the recording has it.
func (c *Core) follow() error {
	if on := c.following(); on != c.worked {
		if err := c.SetWork(on, "recording", rules.MaxWork); err != nil {
			return fmt.Errorf("recording: work: %w", err)
		}
	}
	return nil
}

// Worked reports whether work was under way in the last step.
func (c *Core) Worked() bool { return c.worked }

// takeCorrections takes up that a recording's readings are corrected otherwise from this scan on.
func (c *Core) takeCorrections() error {
	from, ok := c.board.(*recording.Scans)
	if !ok {
		return nil
	}
	var all []unit.Recalibration
	for _, r := range from.Corrected() {
		i := slices.IndexFunc(c.cfg.Board.Channels, func(ch config.Channel) bool { return ch.Name() == r.Channel })
		if i >= 0 { // else the configuration leaves it out
			all = append(all, r.Rules(channelOf(&c.cfg.Board.Channels[i], &c.cfg.Bank)))
		}
	}
	if len(all) == 0 {
		return nil
	}
	return c.engine.Recalibrate(all...)
}

// hurry has the board be read as often as a fitting wants while somebody is at it.
func (c *Core) hurry(on bool) { c.hurried = on }

// pace has the board scan at rest as often as its level wants. Where nothing but the current tells of a
// motor run, scans stay as they are: short runs would be missed.
func (c *Core) pace() {
	board, is := c.board.(*sensors.Board)
	if !is {
		return
	}
	every := c.cfg.Board.Scan.RestEvery
	if c.out.Power.Level != power.Awake && c.wiring.command >= 0 {
		every = max(every, c.cfg.Limits.Duration("power.saving_scan"))
	}
	if c.hurried {
		every = min(every, fitEvery)
	}
	board.RestEvery(every)
}

// SetWork begins or ends work under way, for a simulated technician.
func (c *Core) SetWork(on bool, by string, span time.Duration) error {
	if !on {
		return c.engine.EndWork()
	}
	return c.engine.BeginWork(view.BySwitch, by, span)
}

// Forecast works out what is worked out only for those who look: lifts left and the like.
func (c *Core) Forecast() { c.engine.UpdateForecast() }

// Sleep notes that the board is switched off after this scan, and returns for how long at most; see
// rules.Engine.
func (c *Core) Sleep() time.Duration { return c.engine.Sleep() }

// Scan gives the last scan; it belongs to the board until the next call of Next.
func (c *Core) Scan() *sensors.Scan { return c.scan }

// Input gives what the rules were handed last.
func (c *Core) Input() *rules.Input { return &c.in }

// Own gives the same with the readings of each battery as its own: of one that stands on another, over that
// one's positive post, and with the current of its string. It belongs to the core until the next call.
func (c *Core) Own() *rules.Input {
	layout := c.cfg.Bank.Layout.Rules()
	if layout.Blocks() == 1 {
		return &c.in
	}
	c.own = c.in
	layout.Bring(&c.own, len(c.cfg.Bank.Batteries))
	return &c.own
}

// Stats gives the board's counts.
func (c *Core) Stats() *sensors.Stats { return c.board.Stats() }

// State gives what has been learned, to be saved.
func (c *Core) State() *rules.State { return c.engine.State() }

// Output gives what the last step gave; it belongs to the core until the next call of Next.
func (c *Core) Output() *rules.Output { return c.out }
