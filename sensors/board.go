package sensors

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"liftbank/sensors/calibration"
)

// Board scans channels and contacts on its schedule. It belongs to one goroutine.
type Board struct {
	cfg      Config
	chips    []chip
	contacts Contacts // nil for none
	clock    Clock
	pace     pace
	spent    bool // edges were taken ahead of the wake-up that belongs to them
	scan     Scan
	stats    Stats
}

// New returns a board; it touches neither bus nor pins. contacts may be nil if cfg.Contacts is 0.
// The error names everything that is wrong with cfg.
func New(cfg Config, chips []Chip, contacts Contacts, clock Clock) (*Board, error) {
	err := cfg.Validate(len(chips))
	if contacts == nil && cfg.Contacts > 0 {
		err = errors.Join(err, fmt.Errorf("contacts: %d: want 0 on a board without contacts", cfg.Contacts))
	}
	if err != nil {
		return nil, fmt.Errorf("board: %w", err)
	}
	cfg.Channels = slices.Clone(cfg.Channels)
	cfg.Schedule.RunChannels = slices.Clone(cfg.Schedule.RunChannels)
	b := &Board{cfg: cfg, contacts: contacts, clock: clock}
	b.pace.schedule = cfg.Schedule
	b.pace.useful = slices.ContainsFunc(cfg.Channels, func(ch ChannelConfig) bool { return ch.InRun })
	b.stats.Chips = make([]ChipStats, len(chips))
	b.stats.Channels = make([]ChannelStats, len(cfg.Channels))
	for i, driver := range chips {
		c, err := newChip(driver, i, cfg.Channels, &b.stats.Chips[i])
		if err != nil {
			return nil, fmt.Errorf("board: %w", err)
		}
		b.chips = append(b.chips, c)
	}
	b.scan.Readings = make([]Reading, len(cfg.Channels))
	for i := range b.scan.Readings {
		b.scan.Readings[i].Fault = NotSampled
	}
	b.scan.Contacts = make([]ContactReading, cfg.Contacts)
	return b, nil
}

// Class returns how well a channel measures, in its unit.
func (b *Board) Class(channel int, m Mode) Class { return b.cfg.Channels[channel].Class(m) }

// Correct corrects a channel otherwise from the next scan on; it is for between two scans. A value that a
// scan may still hand out, of a channel that is not read in every one, is brought to the new correction.
func (b *Board) Correct(channel int, c calibration.Correction) error {
	if err := c.Validate(); err != nil {
		return fmt.Errorf("channel %s: correction: %w", b.cfg.Channels[channel].Name, err)
	}
	ch, r := &b.cfg.Channels[channel], &b.scan.Readings[channel]
	if r.Fault == None || r.Fault == Saturated {
		r.Value = c.Apply(ch.Correction.Undo(r.Value))
		if r.Fault == None && !ch.possible(r.Value) {
			r.Fault = OutOfRange
		}
	}
	ch.Correction = c
	return nil
}

// Correction returns how a channel is corrected.
func (b *Board) Correction(channel int) calibration.Correction {
	return b.cfg.Channels[channel].Correction
}

// RestEvery sets the time between scans at rest, more than 0. It is for between two scans.
func (b *Board) RestEvery(every time.Duration) {
	if every == b.pace.schedule.RestEvery {
		return
	}
	b.pace.due = min(b.pace.due, (b.clock.Now()/every+1)*every)
	b.cfg.Schedule.RestEvery, b.pace.schedule.RestEvery = every, every
}

// Stats returns the counts since the start.
func (b *Board) Stats() *Stats { return &b.stats }

// Next waits until a scan is due or a contact has changed, takes the scan and returns it. The first
// scan is due at once, those at rest on whole multiples of RestEvery on the clock, those of a motor
// run one right after another.
//
// Only the context's error is returned. Trouble on the bus shows in the readings and in Stats.
func (b *Board) Next(ctx context.Context) (*Scan, error) {
	b.scan.Edges = b.scan.Edges[:0]
	if err := b.awaitDue(ctx); err != nil {
		return nil, err
	}
	begin := b.clock.Now()
	fast := b.pace.fast(begin)
	mode := AtRest
	if fast {
		mode = InRun
	}
	full := !fast || begin >= b.pace.due
	b.scan.Overrun = begin-b.pace.due > b.cfg.Schedule.RestEvery/10
	if full {
		b.pace.scanned(begin)
	}
	converted, err := b.convert(ctx, full, mode)
	if err != nil {
		return nil, err
	}
	b.finishScan(begin, fast)
	b.pace.idle = converted == 0
	return &b.scan, nil
}

// awaitDue returns when a scan should begin: it is due, a contact has changed, or one has stirred
// that is worth a look ahead.
func (b *Board) awaitDue(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	now := b.clock.Now()
	due := b.pace.next(now)
	if due <= now {
		// Between the scans of a run there is no wait that would notice a contact's change.
		b.noteContacts(false)
	}
	for now < due && len(b.scan.Edges) == 0 {
		edge, err := b.waitOrEdge(ctx, due)
		if err != nil {
			return err
		}
		now = b.clock.Now()
		if edge && b.pace.fast(now) {
			return nil
		}
	}
	return nil
}

// waitOrEdge waits until at or, with edge true, until a contact has stirred, and notes that.
func (b *Board) waitOrEdge(ctx context.Context, at time.Duration) (edge bool, err error) {
	if b.contacts == nil {
		return false, b.clock.WaitUntil(ctx, at)
	}
	edge, err = b.clock.WaitUntilOrEdge(ctx, at)
	if err != nil {
		return false, err
	}
	b.noteContacts(edge)
	return edge, nil
}

// noteContacts takes edges and levels, and updates the pace. woken reports whether a contact ended
// the wait.
func (b *Board) noteContacts(woken bool) {
	if b.contacts == nil {
		return
	}
	now := b.clock.Now()
	before := len(b.scan.Edges)
	b.scan.Edges = b.contacts.Take(b.scan.Edges)
	for i := range b.scan.Contacts {
		on, known := b.contacts.Level(i)
		b.scan.Contacts[i] = ContactReading{On: on && known, Known: known}
	}
	taken := b.scan.Edges[before:]
	if run := b.cfg.Schedule.RunContact; run >= 0 {
		on := b.scan.Contacts[run].On
		edge := slices.ContainsFunc(taken, func(e Edge) bool { return e.Contact == run })
		b.pace.command(now, on, edge)
	}
	switch {
	case len(taken) > 0:
		b.spent = !woken
	case woken && b.spent:
		b.spent = false
	case woken:
		b.pace.lookAhead(now)
	}
}

// finishScan fills in everything of a scan except the readings.
func (b *Board) finishScan(begin time.Duration, fast bool) {
	b.noteContacts(false)
	now := b.clock.Now()
	b.pace.current(now, b.dischargeSeen())
	s := &b.scan
	s.At, s.Took, s.Fast = now, now-begin, fast
	s.Count++
	if len(s.Edges) > 1 {
		slices.SortStableFunc(s.Edges, func(a, b Edge) int { return int(max(-1, min(1, a.At-b.At))) })
	}
	b.stats.Scans++
	if fast {
		b.stats.FastScans++
	}
	if s.Overrun {
		b.stats.Overruns++
	}
}

// dischargeSeen reports whether the current alone says that the motor runs. A sensor at the end of
// its range, as at an inrush, counts with that value. One without a value is left out: the sum of
// the others is nearer to zero, so a run may be missed but none is invented.
func (b *Board) dischargeSeen() bool {
	var sum float64
	for _, i := range b.cfg.Schedule.RunChannels {
		if r := &b.scan.Readings[i]; r.Fault == None || r.Fault == Saturated {
			sum += r.Value
		}
	}
	return sum < b.cfg.Schedule.RunBelow
}
