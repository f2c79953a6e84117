package agent

import (
	"log/slog"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/past"
	"liftbank/rules"
	"liftbank/rules/motor"
)

// recorder stores what the loop sees. It belongs to the loop.
type recorder struct {
	store    *store.Store
	log      *slog.Logger
	agg      *readings.Aggregator
	values   []readings.Value
	outlets  outlets
	due      time.Duration // of the next batch of readings, where there are any
	first    firstSecond
	begun    time.Duration
	timeline func() timeline
	settled  bool // findings that an earlier start left standing were looked at
}

// startSettle is how long after a start what is active is believed to be all that is.
const startSettle = 10 * time.Minute

func newRecorder(s *store.Store, batteries []string, o outlets, tl func() timeline, log *slog.Logger) *recorder {
	l := readings.LayoutOf(batteries)
	return &recorder{
		store: s, log: log, agg: readings.NewAggregator(l), values: make([]readings.Value, len(l)), outlets: o,
		timeline: tl,
		first:    newFirstSecond(len(batteries)), begun: -1,
	}
}

// boardTime returns the moment of the last scan on the board's timeline: the engine's may jump when
// it becomes known how long the unit was off, and what was stored since the start must not.
func (r *recorder) boardTime() rules.Moment {
	tl := r.timeline()
	return tl.momentOfBoard()
}

// step takes the result of one scan. It allocates nothing but once a minute.
func (r *recorder) step(out *rules.Output, in *rules.Input) {
	at, every := r.boardTime(), r.outlets.readingsEvery()
	if r.begun < 0 {
		r.begun, r.due = at.Mono, at.Mono+every
	}
	r.store.Observe(at)
	r.first.step(out, in)
	r.fill(out, in)
	if row, done := r.agg.Add(at.Mono, r.values); done {
		r.store.AddRow(at, row)
	}
	if every > 0 && at.Mono >= r.due {
		r.due = at.Mono + every<<r.outlets.budgetLevel()
		r.batch(at)
	}
	if !r.settled && at.Mono-r.begun >= startSettle {
		r.settled = true
		var standing []past.Condition
		for i := range out.Findings {
			if f := &out.Findings[i]; f.Active() {
				standing = append(standing, past.Condition{Name: f.Def.Name, Subject: f.Subject})
			}
		}
		r.store.ClearAllBut(at, standing)
	}
}

// batch has the minutes so far made into records, within bounds that are wider the scarcer the
// links' budgets are.
func (r *recorder) batch(at rules.Moment) {
	within := readings.DefaultBounds().Widened(float64(int(1) << r.outlets.budgetLevel()))
	r.store.BatchReadings(at, func(b past.Batch) ([]byte, error) { return records.ReadingsBody(b, within) })
}

// fill sets the figures in the order of readings.LayoutOf.
func (r *recorder) fill(out *rules.Output, in *rules.Input) {
	read := func(x rules.Reading) readings.Value { return readings.Value{X: x.Value, OK: x.OK()} }
	known := func(e rules.Estimate) readings.Value { return readings.Value{X: e.Value, OK: e.Known} }
	v := r.values
	v[0], v[1], v[2], v[3], v[4] = read(out.Bank.VoltageV), read(out.Bank.CurrentA), known(out.Bank.SoCPct),
		read(out.Feed.VoltageV), read(in.MotorV)
	for i := range out.Battery {
		b := &out.Battery[i]
		const each = 5
		copy(v[5+each*i:], []readings.Value{
			read(b.In.VoltageV), read(b.In.CurrentA), read(b.In.TempC), known(b.SoCPct),
			{X: b.SoCPct.Sigma, OK: b.SoCPct.Known},
		})
	}
}

// end stores the minute under way and has everything written: the agent stops.
func (r *recorder) end() {
	at := r.boardTime()
	if row, done := r.agg.Take(); done {
		r.store.AddRow(at, row)
	}
	if r.outlets.readingsEvery() > 0 {
		r.batch(at) // also makes the store write at once
	}
}

// run stores a motor run with its first second.
func (r *recorder) run(run motor.Run, shown snapshot.Run) {
	body, err := records.RunBody(shown)
	if err != nil {
		r.log.Error("run not stored", "number", run.Number, "err", err)
		return
	}
	tl := r.timeline()
	r.store.AddRun(tl.momentOfBoard(), tl.ofBoard(run.Start),
		history.Run{DurationS: shown.DurationS, MeanA: shown.MeanA, PeakA: shown.PeakA}, r.first.take(run.Start), body)
}

// finding stores a finding's change.
func (r *recorder) finding(f snapshot.Finding) {
	at := r.boardTime()
	body, err := records.FindingBody(f)
	switch {
	case err != nil:
		r.log.Error("finding not stored", "finding", f.Name, "err", err)
	case f.Active:
		r.store.RaiseFinding(at, f.Name, f.Subject, f.Severity, body)
	default:
		r.store.ClearFinding(at, f.Name, f.Subject, body)
	}
}

// firstSecond holds the scans of the first second of the motor run under way or just over.
type firstSecond struct {
	batteries int
	samples   []readings.Sample
	n         int
	running   bool
	begun     time.Duration
}

// Bounds of a trace: four scans before the run is seen, as many scans as a second can hold, and how
// long it is followed.
const (
	traceAhead = 4
	traceMost  = 600
	traceFor   = time.Second + 100*time.Millisecond
)

func newFirstSecond(batteries int) firstSecond {
	f := firstSecond{batteries: batteries, samples: make([]readings.Sample, traceMost)}
	for i := range f.samples {
		f.samples[i].Values = make([]readings.Value, 2*batteries+1)
	}
	return f
}

func (f *firstSecond) step(out *rules.Output, in *rules.Input) {
	began, ended := out.Motor.Running && !f.running, !out.Motor.Running && f.running
	f.running = out.Motor.Running
	switch {
	case ended:
		return // what there is waits to be taken
	case began:
		f.begun = out.At.Mono
	case f.running && out.At.Mono-f.begun > traceFor:
		return
	case !f.running && f.n > traceAhead:
		f.n = 0 // of a run that did not count
	case !f.running && f.n == traceAhead:
		f.n--
		for i := range f.n { // the oldest goes
			f.samples[i], f.samples[i+1] = f.samples[i+1], f.samples[i]
		}
	}
	if f.n < len(f.samples) {
		f.put(f.n, out, in)
		f.n++
	}
}

func (f *firstSecond) put(i int, out *rules.Output, in *rules.Input) {
	s := &f.samples[i]
	s.At = out.At.Mono
	for b := range f.batteries {
		v, a := &in.Battery[b].VoltageV, &in.Battery[b].CurrentA
		s.Values[2*b], s.Values[2*b+1] = readings.Value{X: v.Value, OK: v.OK()}, readings.Value{X: a.Value, OK: a.OK()}
	}
	s.Values[2*f.batteries] = readings.Value{X: in.MotorV.Value, OK: in.MotorV.OK()}
}

// take returns the trace from shortly before start to a second after it, and resets.
func (f *firstSecond) take(start time.Duration) []byte {
	var kept []readings.Sample
	for _, s := range f.samples[:f.n] {
		if d := s.At - start; d >= -2*time.Second && d <= time.Second {
			kept = append(kept, readings.Sample{At: d, Values: s.Values})
		}
	}
	f.n = 0
	return readings.AppendTrace(nil, kept)
}
