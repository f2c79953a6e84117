package sensors

import (
	"context"
	"time"

	"liftbank/sensors/ads1115"
)

const (
	// retries is how often a conversion that failed is tried again at once.
	retries = 2
	// firstBackoff is the wait before the first retry, long enough for a disturbance from the contactor to pass; the
	// second one is four times as long.
	firstBackoff = time.Millisecond
	// quietAfter is the number of scans without a single code after which a chip is left alone for a while.
	quietAfter = 3
	// firstProbe is how long it is left alone first; each failure doubles that up to lastProbe. The first ones are short so
	// that a burst of disturbance in a run costs little of it, the last one long enough that a bus that hangs for
	// a second at each try leaves room for other chips.
	firstProbe = 100 * time.Millisecond
	lastProbe  = 10 * time.Second
)

// chip is one converter with its channels and the state of the scan under way.
type chip struct {
	conv   Converter
	inputs []input // those read during runs first, so that they come first at a motor start
	inRun  int     // how many those are
	stats  *ChipStats
	failed int           // scans running without a code
	probe  time.Duration // when to try again, if failed is quietAfter or more

	todo      int // inputs to read in this scan
	next      int // index of the input to be started next
	pending   int // index of the one converting, or none
	started   time.Duration
	ready     time.Duration // when it is done at the latest
	converted int           // codes in this scan
	tried     bool
	patience  int // retries each channel still has in this scan
}

const none = -1

// input is one channel of a chip.
type input struct {
	channel int
	rest    setting
	run     setting
}

// setting is how an input is converted, and how long that takes.
type setting struct {
	config  ads1115.Config
	nominal time.Duration
	longest time.Duration
}

func newSetting(ch *ChannelConfig, rate ads1115.Rate) setting {
	c := ads1115.SingleShot(ch.Mux, ch.FullScale, rate)
	return setting{config: c, nominal: rate.Period(), longest: c.ConversionTime()}
}

func (in *input) setting(fast bool) *setting {
	if fast {
		return &in.run
	}
	return &in.rest
}

func newChip(conv Converter, index int, channels []ChannelConfig, stats *ChipStats) chip {
	c := chip{conv: conv, stats: stats}
	add := func(inRun bool) {
		for i := range channels {
			if ch := &channels[i]; ch.Chip == index && ch.InRun == inRun {
				c.inputs = append(c.inputs, input{i, newSetting(ch, ch.RestRate), newSetting(ch, ch.RunRate)})
			}
		}
	}
	add(true)
	c.inRun = len(c.inputs)
	add(false)
	return c
}

// prepare sets a chip up for a scan.
func (c *chip) prepare(now time.Duration, full bool) {
	c.todo, c.next, c.pending = c.inRun, 0, none
	if full {
		c.todo = len(c.inputs)
	}
	c.converted, c.tried, c.patience = 0, false, retries
	if c.failed >= quietAfter {
		c.patience = 0
		if now < c.probe {
			c.todo = 0
		}
	}
}

// conclude judges a chip by what the scan got from it. When it begins to be left alone, its channels that this scan did not
// try lose their values too, or they would look sound for as long as the outage lasts.
func (b *Board) conclude(c *chip, now time.Duration) {
	if !c.tried {
		return
	}
	if c.converted > 0 {
		c.failed = 0
		return
	}
	c.failed++
	late := c.failed - quietAfter
	if late < 0 {
		return
	}
	c.probe = now + min(firstProbe<<min(late, 10), lastProbe)
	if late > 0 {
		return
	}
	for i := range c.inputs {
		if b.scan.Readings[c.inputs[i].channel].Fault == None {
			b.refuse(c, i, faultOf(ads1115.ClassOf(c.stats.Last)))
		}
	}
}

// convert reads the channels of one scan, all chips side by side: one conversion on each, one wait for the slowest, and while
// one chip is read the next conversion of the others is already under way. It returns the number of codes got.
//
// A scan at rest is cut short by a motor start: what is converting then is still read.
func (b *Board) convert(ctx context.Context, full, fast bool) (converted int, err error) {
	for i := range b.scan.Readings {
		b.scan.Readings[i].Fresh = false
	}
	now := b.clock.Now()
	for i := range b.chips {
		b.chips[i].prepare(now, full)
	}
	for more := true; more; {
		for i := range b.chips {
			if err := b.turn(ctx, &b.chips[i], fast); err != nil {
				return 0, err
			}
		}
		if more, err = b.awaitReady(ctx, fast); err != nil {
			return 0, err
		}
	}
	now = b.clock.Now()
	for i := range b.chips {
		b.conclude(&b.chips[i], now)
		converted += b.chips[i].converted
	}
	return converted, nil
}

// awaitReady waits until every conversion under way is done; more is false when there is none.
func (b *Board) awaitReady(ctx context.Context, fast bool) (more bool, err error) {
	var ready time.Duration
	for i := range b.chips {
		if c := &b.chips[i]; c.pending != none {
			more, ready = true, max(ready, c.ready)
		}
	}
	if !more || ready <= b.clock.Now() {
		return more, nil
	}
	if fast {
		return true, b.clock.WaitUntil(ctx, ready)
	}
	for edge := true; edge && b.clock.Now() < ready; {
		if edge, err = b.waitOrEdge(ctx, ready); err != nil {
			return false, err
		}
	}
	if now := b.clock.Now(); b.pace.fast(now) {
		b.pace.cut(now)
		for i := range b.chips {
			b.chips[i].todo = 0
		}
	}
	return true, nil
}

// turn fetches the conversion under way on a chip, if any, and starts the next one. Only the context's error is returned.
func (b *Board) turn(ctx context.Context, c *chip, fast bool) error {
	if c.pending != none {
		i := c.pending
		c.pending = none
		code, err := b.result(ctx, c)
		if err := b.settle(ctx, c, i, fast, code, err); err != nil {
			return err
		}
	}
	for c.next < c.todo {
		i := c.next
		c.next++
		err := b.start(c, i, fast)
		if err == nil {
			c.pending = i
			return nil
		}
		if err := b.settle(ctx, c, i, fast, 0, err); err != nil {
			return err
		}
	}
	return nil
}

// settle turns what a conversion of input i gave into its reading. After a failure it tries again, waiting for it.
func (b *Board) settle(ctx context.Context, c *chip, i int, fast bool, code int16, err error) error {
	backoff := firstBackoff
	for try := 0; err != nil; try++ {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		c.stats.Errors++
		c.stats.Last, c.stats.Answering = err, false
		class := ads1115.ClassOf(err)
		if class == ads1115.BusStuck || try == c.patience {
			b.refuse(c, i, faultOf(class))
			b.giveUp(c, class)
			return nil
		}
		if err := b.clock.WaitUntil(ctx, b.clock.Now()+backoff); err != nil {
			return err
		}
		backoff *= 4
		c.stats.Retries++
		if err = b.start(c, i, fast); err == nil {
			code, err = b.result(ctx, c)
		}
	}
	c.converted++
	c.stats.Conversions++
	c.stats.Answering = true
	b.accept(c, i, fast, code)
	return nil
}

// giveUp limits what the rest of the scan may cost on a chip that failed: no more retries, and no more tries at all when it
// was being probed or the bus hangs, as each transfer would then wait for the adapter's time-out.
func (b *Board) giveUp(c *chip, class ads1115.Class) {
	c.patience = 0
	if class != ads1115.BusStuck && (c.failed < quietAfter || c.converted > 0) {
		return
	}
	for ; c.next < c.todo; c.next++ {
		b.refuse(c, c.next, faultOf(class))
	}
}

func (b *Board) start(c *chip, i int, fast bool) error {
	c.tried = true
	s := c.inputs[i].setting(fast)
	if err := c.conv.Start(uint16(s.config)); err != nil {
		return err
	}
	c.started = b.clock.Now()
	c.ready = c.started + s.longest
	return nil
}

// result fetches a code. One at the end of the range is a result here, whether the converter reports it as an error or not.
func (b *Board) result(ctx context.Context, c *chip) (int16, error) {
	if now := b.clock.Now(); now < c.ready {
		if err := b.clock.WaitUntil(ctx, c.ready); err != nil {
			return 0, err
		}
	}
	code, err := c.conv.Result(ctx)
	if err != nil && ads1115.AtEnd(code) && ads1115.ClassOf(err) == ads1115.Saturated {
		err = nil
	}
	return code, err
}

// accept stores a code as the reading of input i.
func (b *Board) accept(c *chip, i int, fast bool, code int16) {
	index := c.inputs[i].channel
	ch := &b.cfg.Channels[index]
	value, ok := ch.Scale.Physical(ch.FullScale.Volts(code))
	if ok {
		value = ch.Correction.Apply(value)
	}
	fault := None
	switch {
	case ads1115.AtEnd(code):
		fault = Saturated
	case !ok || !ch.possible(value):
		fault = OutOfRange
	}
	b.scan.Readings[index] = Reading{
		Value: value, At: min(c.started+c.inputs[i].setting(fast).nominal, b.clock.Now()), Fault: fault, Fresh: true,
	}
	b.count(index, fault)
}

// refuse stores that input i gave no value.
func (b *Board) refuse(c *chip, i int, fault Fault) {
	index := c.inputs[i].channel
	b.scan.Readings[index] = Reading{At: b.clock.Now(), Fault: fault}
	b.count(index, fault)
}

func (b *Board) count(index int, fault Fault) {
	if fault != None {
		b.stats.Channels[index].Faults[fault]++
	}
}

// faultOf gives the fault for a class of failure.
func faultOf(class ads1115.Class) Fault {
	switch class {
	case ads1115.BusStuck:
		return BusStuck
	case ads1115.NotReady:
		return NotReady
	case ads1115.Saturated:
		return Saturated
	case ads1115.Reset:
		return Reset
	}
	return NoAnswer
}

var _ Converter = (*ads1115.Dev)(nil)
