package agent

import (
	"time"

	"liftbank/agent/moment"
	"liftbank/rules"
)

// timeline turns instants into times of day. Every time that the agent shows, sends or stores comes
// from here.
//
// There are three timelines. The engine's goes on over restarts; findings, runs and the feed have
// instants of it. The board's starts with the session; the store keeps by it. The wall clock has
// the time of day, which a board without a battery-backed clock learns late.
type timeline struct {
	now    rules.Moment  // on the engine's timeline
	before rules.Moment  // the last moment of the session before; zero: none
	shift  time.Duration // from the board's timeline to the engine's, now
	// At jumpAt, an instant of the engine, it became known how long the unit was off before this
	// session, and the engine's timeline jumped by that. jump is 0 before, or if it was known at
	// once.
	jumpAt, jump time.Duration
	told         toldTimes
	standIns     bool // a time of day that isn't known is a stand-in (package moment)
}

// toldTimes is what the wall clock showed in this session while it was not trusted.
type toldTimes struct {
	start time.Time     // at the start of the board's timeline
	until time.Duration // of the board's timeline; the last time that it was looked at
}

// ofBoard returns an instant of the engine on the board's timeline.
func (t *timeline) ofBoard(mono time.Duration) time.Duration {
	if t.jump > 0 && mono < t.jumpAt {
		return mono - t.shift + t.jump
	}
	return mono - t.shift
}

// momentOfBoard returns now on the board's timeline, which is the one that the store keeps by.
func (t *timeline) momentOfBoard() rules.Moment {
	m := t.now
	m.Mono = t.ofBoard(m.Mono)
	return m
}

// at returns the time of day of an instant of the engine, in whole milliseconds.
func (t *timeline) at(mono time.Duration) time.Time {
	if t.before.WallTrusted && mono <= t.before.Mono {
		return t.before.Wall.Add(mono - t.before.Mono).UTC().Truncate(time.Millisecond)
	}
	return t.atBoard(t.ofBoard(mono))
}

// atBoard returns the time of day of an instant of the board.
func (t *timeline) atBoard(mono time.Duration) time.Time {
	if t.standIns {
		return moment.StandIn(mono).Truncate(time.Millisecond)
	}
	return t.now.Wall.Add(mono - t.ofBoard(t.now.Mono)).UTC().Truncate(time.Millisecond)
}

// forRecords returns the timeline for what is stored and sent later: as long as the wall clock is
// not trusted, instants of this session stay instants.
func (t *timeline) forRecords() *timeline {
	r := *t
	r.standIns = !t.now.WallTrusted
	return &r
}

// correct returns a time that somebody read off the wall clock, put right if the clock was not
// trusted then. Times of earlier sessions stay.
func (t *timeline) correct(at time.Time) time.Time {
	const slack = time.Minute // the clock may have been read since the last scan
	mono := at.Sub(t.told.start)
	if t.told.start.IsZero() || mono < -time.Second || mono > t.told.until+slack {
		return at
	}
	return t.atBoard(mono)
}

// timeline returns the timeline as it is after the last scan.
func (c *Core) timeline() timeline {
	return timeline{now: c.in.At, before: c.before, shift: c.shift, jumpAt: c.jumpAt, jump: c.jump, told: c.told}
}
