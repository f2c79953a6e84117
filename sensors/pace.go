package sensors

import "time"

// pace decides when the next scan is due and whether it is a fast one.
type pace struct {
	schedule Schedule
	useful   bool // some channel is read during runs; without one there is no reason to be fast

	begun       bool          // the first scan has begun
	due         time.Duration // of the next scan of all channels
	idle        bool          // the last scan converted nothing
	commanded   bool          // the run contact is on
	drawing     bool          // the current says that the motor runs
	running     bool          // either, as of the last look
	runSince    time.Duration
	fastUntil   time.Duration
	lookedAhead time.Duration // time of the last look-ahead
}

const (
	// lookAheadFor is how long the board scans fast after a contact has stirred and before
	// debouncing decides whether it changed: the first 100 ms of a run matter, and debouncing takes
	// 20 ms.
	lookAheadFor = 50 * time.Millisecond
	// idlePace is the time between fast scans that convert nothing because no chip answers;
	// otherwise they would follow each other without a pause.
	idlePace = 20 * time.Millisecond
	// makeUpAfter is when the rest of a scan that was cut short is read: after the first 100 ms of
	// a run, which are for the channels of the run.
	makeUpAfter = 150 * time.Millisecond
)

// next returns the time of the next scan; now or earlier means at once.
func (p *pace) next(now time.Duration) time.Duration {
	if !p.begun {
		p.begun, p.due = true, now
	}
	if !p.fast(now) {
		return p.due
	}
	if p.idle {
		return min(now+idlePace, max(p.due, now))
	}
	return now
}

// scanned notes that a scan of all channels begins: the next is due at the next whole multiple of
// RestEvery; missed ones are skipped.
func (p *pace) scanned(begin time.Duration) {
	every := p.schedule.RestEvery
	p.due = (begin/every + 1) * every
}

// cut notes that a scan of all channels was cut short. Unless it is made up for, a contact that
// chatters could keep some channels from ever being read.
func (p *pace) cut(now time.Duration) { p.due = min(p.due, now+makeUpAfter) }

// fast reports whether a scan at this time is fast.
func (p *pace) fast(now time.Duration) bool {
	if !p.useful {
		return false
	}
	return p.running && !p.tooLong(now) || now < p.fastUntil
}

// tooLong reports whether a run has lasted longer than RunMax.
func (p *pace) tooLong(now time.Duration) bool {
	return p.schedule.RunMax > 0 && now-p.runSince > p.schedule.RunMax
}

// command applies the state of the run contact; edge reports whether it changed since the last
// call, even if it changed back.
func (p *pace) command(now time.Duration, on, edge bool) {
	p.commanded = on
	p.follow(now, edge)
}

// current applies whether the current says that the motor runs.
func (p *pace) current(now time.Duration, drawing bool) {
	p.drawing = drawing
	p.follow(now, false)
}

// follow tracks the beginning of a run and the tail after it. edge reports that there was a run,
// even if it is over.
func (p *pace) follow(now time.Duration, edge bool) {
	was := p.running
	p.running = p.commanded || p.drawing
	if !was && !p.running && !edge {
		return
	}
	if !was {
		p.runSince = now
	}
	if !p.tooLong(now) {
		p.fastUntil = max(p.fastUntil, now+p.schedule.RunTail)
	}
}

// lookAhead starts a short time of fast scans, at most once every RestEvery: a contact that
// chatters forever must not keep the board busy.
func (p *pace) lookAhead(now time.Duration) {
	if p.lookedAhead != 0 && now-p.lookedAhead < p.schedule.RestEvery {
		return
	}
	p.lookedAhead = now
	p.fastUntil = max(p.fastUntil, now+lookAheadFor)
}
