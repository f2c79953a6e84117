package sensors

import (
	"context"
	"fmt"
	"time"
)

const (
	// maxRetries is how often a conversion that failed is attempted again at once.
	maxRetries = 2
	// firstBackoff is the wait before the first retry, long enough for a disturbance from the
	// contactor to pass; the second one is four times as long.
	firstBackoff = time.Millisecond
	// quietAfter is the number of scans without a single result after which a chip is left alone.
	quietAfter = 3
	// firstProbe is how long it is left alone first; each failure doubles that up to quickProbe, less than
	// a scan at rest, so that readings are back with the first or the second scan after the chip is. The
	// first ones are short so that a burst of disturbance in a run costs little of it.
	firstProbe = 100 * time.Millisecond
	quickProbe = 900 * time.Millisecond
	// probeShare times as long as an attempt takes is it left alone at least, and lastProbe at most: a bus
	// that hangs for a second at each attempt must leave room for other chips.
	probeShare = 3
	lastProbe  = 10 * time.Second
)

// chip is one input chip with its channels and the state of the scan in progress.
type chip struct {
	driver Chip
	inputs []input // those read during runs first, so that they come first at a motor start
	inRun  int     // number of those
	stats  *ChipStats
	failed int           // consecutive scans without a result
	cost   time.Duration // what the last attempt took that failed, the wait for a conversion apart
	probe  time.Duration // when to try again, if failed is quietAfter or more

	todo      int // inputs to read in this scan
	next      int // index of the input to start next
	pending   int // index of the one converting, or none
	started   time.Duration
	ready     time.Duration // when it is done at the latest
	converted int           // results in this scan
	tried     bool
	patience  int // retries that each channel still has in this scan
}

const none = -1

// input is one channel of a chip, with the times that a conversion takes in each mode.
type input struct {
	channel int
	nominal [InRun + 1]time.Duration
	longest [InRun + 1]time.Duration
}

func newChip(driver Chip, index int, channels []ChannelConfig, stats *ChipStats) (chip, error) {
	c := chip{driver: driver, stats: stats}
	var inputs []Input
	add := func(inRun bool) {
		for i := range channels {
			ch := &channels[i]
			if ch.Chip != index || ch.InRun != inRun {
				continue
			}
			in := input{channel: i}
			for m := range in.nominal {
				in.nominal[m], in.longest[m] = ch.Input.Time(Mode(m))
			}
			c.inputs, inputs = append(c.inputs, in), append(inputs, ch.Input)
		}
	}
	add(true)
	c.inRun = len(c.inputs)
	add(false)
	if err := driver.Use(inputs); err != nil {
		return c, fmt.Errorf("chips[%d]: %w", index, err)
	}
	return c, nil
}

// prepare resets a chip for a scan.
func (c *chip) prepare(now time.Duration, full bool) {
	c.todo, c.next, c.pending = c.inRun, 0, none
	if full {
		c.todo = len(c.inputs)
	}
	c.converted, c.tried, c.patience = 0, false, maxRetries
	if c.failed >= quietAfter {
		c.patience = 0
		if now < c.probe {
			c.todo = 0
		}
	}
}

// conclude counts a scan without results against its chip. When the chip begins to be left alone,
// its channels that this scan did not try lose their values too: they would look good for as long
// as the outage lasts.
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
	c.probe = now + max(min(firstProbe<<min(late, 10), quickProbe), min(probeShare*c.cost, lastProbe))
	if late > 0 {
		return
	}
	for i := range c.inputs {
		if b.scan.Readings[c.inputs[i].channel].Fault == None {
			b.reject(c, i, FaultOf(c.stats.Last))
		}
	}
}

// convert reads the channels of one scan, all chips side by side: one conversion on each, one wait
// for the slowest, and while one chip is read the next conversion of the others is in progress. It
// returns the number of results.
//
// A motor start cuts a scan at rest short: what is converting then is still read.
func (b *Board) convert(ctx context.Context, full bool, m Mode) (converted int, err error) {
	for i := range b.scan.Readings {
		b.scan.Readings[i].Fresh = false
	}
	now := b.clock.Now()
	for i := range b.chips {
		b.chips[i].prepare(now, full)
	}
	for more := true; more; {
		for i := range b.chips {
			if err := b.turn(ctx, &b.chips[i], m); err != nil {
				return 0, err
			}
		}
		if more, err = b.awaitReady(ctx, m); err != nil {
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

// awaitReady waits until every conversion in progress is done; more is false if there is none.
func (b *Board) awaitReady(ctx context.Context, m Mode) (more bool, err error) {
	var ready time.Duration
	for i := range b.chips {
		if c := &b.chips[i]; c.pending != none {
			more, ready = true, max(ready, c.ready)
		}
	}
	if !more || ready <= b.clock.Now() {
		return more, nil
	}
	if m == InRun {
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

// turn reads the conversion in progress on a chip, if any, and starts the next one. Only the
// context's error is returned.
func (b *Board) turn(ctx context.Context, c *chip, m Mode) error {
	if c.pending != none {
		i := c.pending
		c.pending = none
		sample, err := b.result(ctx, c)
		if err := b.settle(ctx, c, i, m, sample, err); err != nil {
			return err
		}
	}
	for c.next < c.todo {
		i := c.next
		c.next++
		err := b.start(c, i, m)
		if err == nil {
			c.pending = i
			return nil
		}
		if err := b.settle(ctx, c, i, m, Sample{}, err); err != nil {
			return err
		}
	}
	return nil
}

// settle turns the result of a conversion of input i into its reading. After a failure it tries
// again and waits for that.
func (b *Board) settle(ctx context.Context, c *chip, i int, m Mode, sample Sample, err error) error {
	backoff := firstBackoff
	for try := 0; err != nil; try++ {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		c.stats.Errors++
		c.stats.Last, c.stats.Answering = err, false
		fault := FaultOf(err)
		if fault == BusStuck || try == c.patience {
			b.reject(c, i, fault)
			b.giveUp(c, fault)
			return nil
		}
		if err := b.clock.WaitUntil(ctx, b.clock.Now()+backoff); err != nil {
			return err
		}
		backoff *= 4
		c.stats.Retries++
		if err = b.start(c, i, m); err == nil {
			sample, err = b.result(ctx, c)
		}
	}
	c.converted++
	c.stats.Conversions++
	c.stats.Answering = true
	b.accept(c, i, m, sample)
	return nil
}

// giveUp limits what the rest of the scan may cost on a chip that failed: no more retries, and no
// more attempts at all if it was being probed or the bus hangs, as each transfer would then wait
// for the adapter's timeout.
func (b *Board) giveUp(c *chip, fault Fault) {
	c.patience = 0
	if fault != BusStuck && (c.failed < quietAfter || c.converted > 0) {
		return
	}
	for ; c.next < c.todo; c.next++ {
		b.reject(c, c.next, fault)
	}
}

func (b *Board) start(c *chip, i int, m Mode) error {
	c.tried = true
	begun := b.clock.Now()
	if err := c.driver.Start(i, m); err != nil {
		c.cost = b.clock.Now() - begun
		return err
	}
	c.started = b.clock.Now()
	c.ready = c.started + c.inputs[i].longest[m]
	return nil
}

func (b *Board) result(ctx context.Context, c *chip) (Sample, error) {
	if now := b.clock.Now(); now < c.ready {
		if err := b.clock.WaitUntil(ctx, c.ready); err != nil {
			return Sample{}, err
		}
	}
	begun := b.clock.Now()
	sample, err := c.driver.Read(ctx)
	if err != nil {
		c.cost = b.clock.Now() - begun
	}
	return sample, err
}

// accept stores a sample as the reading of input i.
func (b *Board) accept(c *chip, i int, m Mode, sample Sample) {
	in := &c.inputs[i]
	ch := &b.cfg.Channels[in.channel]
	value, ok := ch.Scale.Physical(sample.PinV)
	if ok {
		value = ch.Correction.Apply(value)
	}
	fault := sample.Fault
	if fault == None && (!ok || !ch.possible(value)) {
		fault = OutOfRange
	}
	at := c.started + in.nominal[m] // past: result waited for longest, which is not less
	if in.nominal[m] == 0 {
		at = b.clock.Now()
	}
	b.scan.Readings[in.channel] = Reading{Value: value, At: at, Fault: fault, Fresh: true}
	b.count(in.channel, fault)
}

// reject stores that input i has no value.
func (b *Board) reject(c *chip, i int, fault Fault) {
	index := c.inputs[i].channel
	b.scan.Readings[index] = Reading{At: b.clock.Now(), Fault: fault}
	b.count(index, fault)
}

func (b *Board) count(index int, fault Fault) {
	if fault != None {
		b.stats.Channels[index].Faults[fault]++
	}
}
