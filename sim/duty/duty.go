// Package duty says what is asked of a unit and in what weather: when the tractor's ignition is on,
// when the operator lifts and for how long, and how warm it is.
//
// A plan is drawn day by day from a seed and the day's number, so any day can be had without the
// days before it, the same seed gives the same days on every machine, and a decade takes no more
// memory than a day. It knows nothing of batteries: a run asked for with a flat bank is still asked
// for.
//
// Arithmetic that reaches a result rounds every product (float64(x*y) + z), because a fused
// multiply-add on one architecture and not on another would make two different years from one seed.
package duty

import (
	"math"
	"slices"
	"time"
)

// Day is the length of a day.
const Day = 24 * time.Hour

// Span is a range of times, both ends possible.
type Span struct{ Min, Max time.Duration }

// Count is a range of whole numbers, both ends possible.
type Count struct{ Min, Max int }

// Window is a stretch of time since the start of the scenario, From included, To not.
type Window struct{ From, To time.Duration }

// holds reports whether t lies in the window.
func (w Window) holds(t time.Duration) bool { return t >= w.From && t < w.To }

// Hold is a stretch in which every lift is held on at the end of travel for Extra longer.
type Hold struct {
	Window
	Extra time.Duration
}

// Config is a unit's duty.
type Config struct {
	Seed  uint64
	Start time.Time // wall time of the scenario's start; its clock is the unit's local time

	WorkDays [7]bool       // by time.Weekday
	Depart   time.Duration // first ignition of a working day, after midnight
	Stops    Count         // a day
	Drive    Span          // ignition on, from one stop to the next
	Stay     Span          // at a stop, without lifting

	LiftsPerStop  Count
	RunsPerLift   int   // powered runs that make one lift cycle
	Up            Span  // a powered run that lifts to the end of travel
	Gap           Span  // between two runs at a stop
	NudgesPerStop Count // short corrections besides the lifts
	Nudge         Span  // a nudge
	EngineAtStops bool  // ignition stays on at stops
	FarEvery      int   // every so many days the drives are FarDrive long; 0: never
	FarDrive      Span  // on those days, from one stop to the next
	BusyMonth     int   // 1 to 12; 0: no season
	// 0 to 1: stops in the busiest month are 1+SeasonSwing times the mean, half a year later
	// 1-SeasonSwing
	SeasonSwing float64
	Parked      []Window
	Holds       []Hold
}

// Run is one stretch in which the operator holds the lift button.
type Run struct {
	Start, Stop time.Duration
	Travel      time.Duration // lifting time at the motor's nominal speed until the end of travel; 0: never reached
	Load        float64       // platform load, 0 (empty) to 1 (rated)
}

// Line is what an edge changes.
type Line uint8

// Lines an edge can change.
const (
	Wake  Line = iota // ignition
	Motor             // lift button: motor contactor coil
)

// Edge is one change of a line.
type Edge struct {
	At   time.Duration
	Line Line
	On   bool
	Run  Run // of a Motor edge
}

// Schedule hands out a unit's edges in time order.
type Schedule struct {
	cfg      Config
	midnight time.Duration // of day 0: the last midnight at or before the start, 0 or negative
	day      int           // day whose edges are loaded
	edges    []Edge        // of that day, in time order; the buffer is used again
	next     int           // first edge not taken
	runs     []Run         // scratch
	later    *Schedule     // a later day looked at by Ahead
}

// New returns the schedule of cfg, at its start.
func New(cfg Config) *Schedule {
	y, m, d := cfg.Start.Date()
	s := &Schedule{cfg: cfg, midnight: time.Date(y, m, d, 0, 0, 0, 0, cfg.Start.Location()).Sub(cfg.Start)}
	s.load(0)
	return s
}

// Peek returns the next edge not taken yet if it is due at or before limit.
func (s *Schedule) Peek(limit time.Duration) (Edge, bool) {
	for s.next >= len(s.edges) {
		if s.dayStart(s.day+1) > limit {
			return Edge{}, false
		}
		s.load(s.day + 1)
	}
	e := s.edges[s.next]
	return e, e.At <= limit
}

// Take takes the edge that Peek gave last.
func (s *Schedule) Take() { s.next++ }

// Ahead calls visit with the edges not taken yet that are due at or before limit, in time order,
// until visit returns false. It takes none of them.
func (s *Schedule) Ahead(limit time.Duration, visit func(Edge) bool) {
	for _, e := range s.edges[s.next:] {
		if e.At > limit || !visit(e) {
			return
		}
	}
	for day := s.day + 1; s.dayStart(day) <= limit; day++ {
		if s.later == nil {
			s.later = &Schedule{cfg: s.cfg, midnight: s.midnight, day: s.day}
		}
		if s.later.day != day {
			s.later.load(day)
		}
		for _, e := range s.later.edges {
			if e.At > limit || !visit(e) {
				return
			}
		}
	}
}

func (s *Schedule) dayStart(day int) time.Duration { return s.midnight + time.Duration(day)*Day }

// load draws one day.
func (s *Schedule) load(day int) {
	s.day, s.next = day, 0
	s.edges, s.runs = s.edges[:0], s.runs[:0]
	if !s.works(day) {
		return
	}
	s.draw(day)
	slices.SortStableFunc(s.edges, func(a, b Edge) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	s.next, _ = slices.BinarySearchFunc(s.edges, 0, func(e Edge, at time.Duration) int {
		if e.At < at {
			return -1
		}
		return 1
	})
	s.dropHalfBegun()
}

// dropHalfBegun skips a switch-off at the head of the list whose switch-on lies before the
// scenario's start.
func (s *Schedule) dropHalfBegun() {
	kept := s.edges[:s.next]
	seen := [2]bool{}
	for _, e := range s.edges[s.next:] {
		if !e.On && !seen[e.Line] {
			seen[e.Line] = true
			continue
		}
		seen[e.Line] = true
		kept = append(kept, e)
	}
	s.edges = kept
}

// works reports whether the unit goes out on a day.
func (s *Schedule) works(day int) bool {
	noon := s.dayStart(day) + Day/2
	for _, w := range s.cfg.Parked {
		if w.holds(noon) {
			return false
		}
	}
	return s.cfg.WorkDays[s.cfg.Start.Add(noon).Weekday()]
}

// lastDeparture is the time of day after which no further stop is begun, so that a day's work ends
// on that day.
const lastDeparture = 21 * time.Hour

// draw fills the edges of a working day: ignition on, a drive, a stop with its lifts, and so on,
// and the drive home.
func (s *Schedule) draw(day int) {
	c := &s.cfg
	fresh := newDice(c.Seed, uint64(day))
	d := &fresh
	at := s.dayStart(day) + c.Depart
	last := s.dayStart(day) + lastDeparture
	drive := c.Drive
	if c.FarEvery > 0 && day%c.FarEvery == c.FarEvery-1 {
		drive = c.FarDrive
	}
	s.edge(at, Wake, true)
	for range s.stops(day, d) {
		if at > last {
			break
		}
		at += d.span(drive)
		if !c.EngineAtStops {
			s.edge(at, Wake, false)
		}
		at = s.stop(at, d)
		if !c.EngineAtStops {
			s.edge(at, Wake, true)
		}
	}
	s.edge(at+d.span(drive), Wake, false)
	for i := range s.runs {
		s.hold(i)
		s.edges = append(s.edges,
			Edge{At: s.runs[i].Start, Line: Motor, On: true, Run: s.runs[i]},
			Edge{At: s.runs[i].Stop, Line: Motor, Run: s.runs[i]})
	}
}

func (s *Schedule) edge(at time.Duration, line Line, on bool) {
	s.edges = append(s.edges, Edge{At: at, Line: line, On: on})
}

// stops draws the number of stops of a day, more of them in the busy season.
func (s *Schedule) stops(day int, d *dice) int {
	n := d.count(s.cfg.Stops)
	if s.cfg.BusyMonth == 0 || n == 0 {
		return n
	}
	yearDay := s.cfg.Start.Add(s.dayStart(day) + Day/2).YearDay()
	phase := (float64(yearDay) - (float64(float64(s.cfg.BusyMonth)*30.4) - 15)) / 365
	return int(math.Round(float64(n) * (1 + float64(s.cfg.SeasonSwing*turn(phase)))))
}

// letGo is how long the operator holds the button once a platform lifted at nominal speed has
// stopped (common practice, no source).
var letGo = Span{200 * time.Millisecond, 600 * time.Millisecond}

// stop draws the lifts and nudges at one stop that begins at `at`, and returns when the unit
// leaves.
func (s *Schedule) stop(at time.Duration, d *dice) time.Duration {
	c := &s.cfg
	stay := d.span(c.Stay)
	at += (stay / 2).Truncate(time.Millisecond)
	load := d.unit()
	nudges := d.count(c.NudgesPerStop)
	for range d.count(c.LiftsPerStop) {
		for range c.RunsPerLift {
			up := d.span(c.Up)
			at = s.run(at, Run{Travel: up, Load: load}, up+d.span(letGo), d)
		}
	}
	for range nudges {
		at = s.run(at, Run{Load: load}, d.span(c.Nudge), d)
	}
	return at + stay - (stay / 2).Truncate(time.Millisecond)
}

// run adds one run that begins at `at` and returns when the next may begin.
func (s *Schedule) run(at time.Duration, r Run, lasting time.Duration, d *dice) time.Duration {
	r.Start, r.Stop = at, at+lasting
	s.runs = append(s.runs, r)
	return r.Stop + d.span(s.cfg.Gap)
}

// hold lengthens run i where the operator holds it against the relief valve, not into the next run.
func (s *Schedule) hold(i int) {
	r := &s.runs[i]
	for _, h := range s.cfg.Holds {
		if r.Travel == 0 || !h.holds(r.Start) {
			continue
		}
		r.Stop += h.Extra
		if i+1 < len(s.runs) {
			r.Stop = min(r.Stop, s.runs[i+1].Start-2*time.Second)
		}
	}
}
