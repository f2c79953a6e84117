package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/agent/fit"
	"liftbank/agent/recording"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
	"liftbank/agent/visit"
	"liftbank/rules"
	"liftbank/rules/unit"
	"liftbank/sensors"
	"liftbank/sensors/calibration"
)

// What is kept of each channel's last readings.
const (
	calibrationKept  = 2 * time.Minute       // eight scans of a board that is read every 15 s
	calibrationEvery = 40 * time.Millisecond // scans of a motor run are closer: a mean needs no more
	calibrationMost  = 800                   // readings: the longest span, in a run
	leastReadings    = 8
)

// window is the last readings of each channel, as its scale has them, and what else was so. The loop
// writes it, and the page reads it.
type window struct {
	mu       sync.Mutex
	begun    bool
	at       time.Duration
	spans    [][]calibrate.Sample
	now      []unit.Reading // corrected, of the last scan
	usedAt   time.Duration
	running  bool
	charging bool
	contact  unit.Contact   // of the disconnect
	temps    []unit.Reading // by battery
}

// add takes the readings of a scan.
func (w *window) add(c *Core) {
	s, out := c.scan, c.out
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.spans == nil {
		w.spans, w.now = make([][]calibrate.Sample, len(s.Readings)), make([]unit.Reading, len(s.Readings))
		w.temps = make([]unit.Reading, len(c.cfg.Bank.Batteries))
	}
	if !w.begun {
		w.begun, w.usedAt = true, s.At
	}
	w.at = s.At
	w.running = out.Motor.Running || c.in.MotorCommand == unit.ContactOn
	w.charging = chargerOn(c.Own(), c.cfg.Bank.Layout.Rules(), len(c.cfg.Bank.Batteries))
	if w.running || w.charging {
		w.usedAt = s.At
	}
	w.contact = c.in.Disconnect
	for i := range w.temps {
		w.temps[i] = c.in.Battery[i].TempC
	}
	for i := range s.Readings {
		r := &s.Readings[i]
		if r.Fault != sensors.None {
			w.spans[i], w.now[i] = w.spans[i][:0], unit.Reading{}
			continue
		}
		w.now[i] = unit.Reading{Value: r.Value, Quality: unit.Good}
		span := w.spans[i]
		if n := len(span); !r.Fresh || n > 0 && r.At-span[n-1].At < calibrationEvery {
			continue
		}
		span = append(span, calibrate.Sample{At: r.At, Value: c.correction(i).Undo(r.Value)})
		old := 0
		for old < len(span) && (r.At-span[old].At > calibrationKept || len(span)-old > calibrationMost) {
			old++
		}
		w.spans[i] = slices.Delete(span, 0, old)
	}
}

// Signs of a charger that do not hang on the currents, whose zeros may be what is wrong.
const (
	chargedV    = 13.5 // V: of a battery, the least float setting published; a full one rests below it
	feedAheadV  = 0.3  // V: of the feed above the posts: two taps at the ends of their class; our choice
	unusualTapV = 18.0 // V: more is a tap that is wrong; our choice
)

// chargerOn reports whether something charges: the wake line is on, the feed is well above the posts, or a
// battery is at a charger's voltage. in has each battery's own voltages.
func chargerOn(in *rules.Input, layout unit.Layout, batteries int) bool {
	highest, whole := 0.0, 0.0 // of a battery, of a string
	for k := range layout.Strings(batteries) {
		sum := 0.0
		for i := layout.Lowest(k); i <= layout.Highest(k); i++ {
			v := in.Battery[i].OwnV()
			if !v.OK() || v.Value >= unusualTapV {
				sum = math.NaN()
				continue
			}
			highest, sum = max(highest, v.Value), sum+v.Value
		}
		if sum > whole {
			whole = sum
		}
	}
	return in.WakeLine == unit.ContactOn || highest >= chargedV ||
		in.FeedV.OK() && whole > 0 && in.FeedV.Value > whole+feedAheadV*float64(layout.Blocks())
}

// mean returns the mean of the last readings of channel i; the caller holds the lock. Where a board is
// read seldom, eight readings take longer than the span.
func (w *window) mean(i int, span time.Duration) (calibrate.Mean, bool) {
	all := w.spans[i]
	if len(all) == 0 {
		return calibrate.Mean{}, false
	}
	from := len(all)
	for from > 0 && (w.at-all[from-1].At <= span || len(all)-from < leastReadings) {
		from--
	}
	m, ok := calibrate.Average(all[from:])
	if !ok {
		m.OverS = (all[len(all)-1].At - all[from].At).Seconds()
	}
	const almost = 0.9 // the first reading of a span is somewhat after its beginning
	n := float64(m.Count)
	return m, ok && m.OverS*n/(n-1) >= almost*span.Seconds() // each reading stands for the time to the next
}

// correction returns how channel i of the board is corrected. A recording's readings come as they are.
func (c *Core) correction(i int) calibration.Correction {
	k := &c.cfg.Board.Channels[i].Calibration
	return calibration.Correction{OffsetAdd: k.Offset, Gain: k.Gain}
}

// corrector is a board whose channels can be corrected otherwise.
type corrector interface {
	Correct(channel int, c calibration.Correction) error
}

// recalibrate corrects channels otherwise from the next scan on: the board, and what the rules have
// learned. All of it, or nothing.
func (c *Core) recalibrate(all []recording.Correction) error {
	board, ok := c.board.(corrector)
	if !ok {
		return errors.New("calibration: this board's readings come as they are")
	}
	var done []unit.Recalibration
	index := make([]int, len(all))
	for k := range all {
		i := slices.IndexFunc(c.cfg.Board.Channels, func(ch config.Channel) bool { return ch.Name() == all[k].Channel })
		if i < 0 {
			return fmt.Errorf("channel %q: want one of this board's", all[k].Channel)
		}
		index[k] = i
		now := calibration.Correction{OffsetAdd: all[k].Now.Offset, Gain: all[k].Now.Gain}
		if err := now.Validate(); err != nil {
			return fmt.Errorf("channel %s: correction: %w", all[k].Channel, err)
		}
		done = append(done, all[k].Rules(channelOf(&c.cfg.Board.Channels[i], &c.cfg.Bank)))
	}
	if err := c.engine.Recalibrate(done...); err != nil {
		return err
	}
	for k, i := range index {
		now := all[k].Now
		if err := board.Correct(i, calibration.Correction{OffsetAdd: now.Offset, Gain: now.Gain}); err != nil {
			return fmt.Errorf("bug: %w", err)
		}
		c.cfg.Board.Channels[i].Calibration = config.Calibration{Offset: now.Offset, Gain: now.Gain}
	}
	return nil
}

// calibratedOf returns what a snapshot says of a channel's correction, nil where it has none.
func (c *Core) calibratedOf(i int) *snapshot.Calibration {
	ch := &c.cfg.Board.Channels[i]
	k := ch.Calibration
	gain := k.Gain
	if gain == 0 {
		gain = 1
	}
	s := &snapshot.Calibration{Offset: k.Offset, Gain: gain, From: settings.FromConfiguration}
	if i < len(c.signed) && c.signed[i] != nil {
		r := c.signed[i]
		tl := c.timeline()
		s.From, s.By, s.At = settings.FromTechnician, r.By, new(tl.correct(r.At))
		if r.ZeroU > 0 {
			s.ZeroU = new(r.ZeroU)
		}
		if r.GainU > 0 {
			s.GainU = new(r.GainU)
		}
	} else if k.Offset == 0 && gain == 1 {
		return nil
	}
	if moved, _ := c.engine.Moved(channelOf(ch, &c.cfg.Bank)); moved.Known {
		s.Moved = estimateOf(moved, 3)
	}
	return s
}

// calibrator calibrates the channels of a running agent.
type calibrator struct {
	agent *Agent

	mu      sync.Mutex // of what follows
	session *calibrate.Session
	path    string // of it; empty: in memory only
}

var _ calibrate.Desk = (*calibrator)(nil)

// openCalibrator takes up a calibration that was under way when the agent stopped. One that can't be
// read is set aside: nothing of it has been applied.
func (a *Agent) openCalibrator() *calibrator {
	c := &calibrator{agent: a}
	if a.opts.Config.Visits.Dir == "" {
		return c
	}
	c.path = filepath.Join(a.opts.Config.Visits.Dir, "calibration.json")
	text, err := safefile.Load(c.path)
	if err != nil {
		a.opts.Log.Warn("calibration under way can't be read", "err", err)
	}
	if len(text) == 0 {
		return c
	}
	var s *calibrate.Session
	if err := json.Unmarshal(text, &s); err != nil || s != nil && !s.Sane() {
		to, _ := safefile.SetAside(c.path)
		a.opts.Log.Warn("calibration under way can't be read: set aside", "file", to, "err", err)
		return c
	}
	c.session = s // null: none is under way
	if s != nil && s.Config != "" && s.Config != fit.Hash(a.opts.File.Text) {
		s.Taken, s.Config = map[string]*calibrate.Taken{}, fit.Hash(a.opts.File.Text)
		a.opts.Log.Info("calibration under way: the configuration has changed, readings have to be taken again")
	}
	return c
}

// Session returns a copy of the calibration under way.
func (c *calibrator) Session() *calibrate.Session {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.session.Copy()
}

// keep writes a session down and makes it the present one; the caller holds the lock.
func (c *calibrator) keep(s *calibrate.Session) error {
	if c.path != "" {
		text, err := json.Marshal(s)
		if err == nil {
			err = safefile.MakeDir(filepath.Dir(c.path), 0o750)
		}
		if err == nil {
			err = safefile.Save(c.path, text)
		}
		if err != nil {
			return fmt.Errorf("calibration under way: %w", err)
		}
	}
	c.session = s
	return nil
}

// Begin begins a calibration, and work under way with it: what is done for it raises no finding.
func (c *calibrator) Begin(ctx context.Context, id, by string) (*calibrate.Session, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.session != nil {
		return c.session.Copy(), nil
	}
	if by == "" {
		return nil, calibrate.ErrNoName
	}
	t := technician{c.agent}
	wall, _, err := t.wall(ctx)
	if err != nil {
		return nil, err
	}
	s := calibrate.NewSession(id, by, wall)
	s.Config = fit.Hash(c.agent.opts.File.Text)
	if snap := c.agent.hub.Current(); snap == nil || snap.Work == nil {
		s.Work = true
	}
	if err := c.keep(s); err != nil {
		return nil, err
	}
	t.log("calibration begun", by)
	if s.Work {
		if err := t.BeginWork(ctx, visit.BySwitch, by); err != nil {
			c.agent.opts.Log.Warn("calibration: work under way not begun", "err", err)
		}
	}
	return s.Copy(), nil
}

// Change lets change act on the session, once for each form.
func (c *calibrator) Change(
	_ context.Context, id, form string, change func(*calibrate.Session, *calibrate.Bench) *calibrate.Refusal,
) (*calibrate.Session, *calibrate.Refusal, error) {
	bench := c.Bench()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.session == nil || c.session.ID != id || bench == nil {
		return nil, nil, calibrate.ErrNoSession
	}
	next := c.session.Copy()
	if next.Seen(form) {
		return next, nil, nil
	}
	if refusal := change(next, bench); refusal != nil {
		return c.session.Copy(), refusal, nil
	}
	next.Revision++
	if err := c.keep(next); err != nil {
		return c.session.Copy(), nil, err
	}
	return next.Copy(), nil, nil
}

// Apply applies what was taken.
func (c *calibrator) Apply(
	ctx context.Context, id, form, channel, by string, revision int,
) ([]calibrate.Record, *calibrate.Refusal, error) {
	if by == "" {
		return nil, nil, calibrate.ErrNoName
	}
	bench := c.Bench()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.session == nil || c.session.ID != id || bench == nil {
		return nil, nil, calibrate.ErrNoSession
	}
	next := c.session.Copy()
	switch {
	case next.Seen(form):
		return nil, nil, nil
	case next.Revision != revision:
		return nil, nil, calibrate.ErrChanged
	}
	t := technician{c.agent}
	wall, trusted, err := t.wall(ctx)
	if err != nil {
		return nil, nil, err
	}
	applied, refusal := next.Sign(bench, channel, by, wall, trusted)
	if refusal != nil {
		return nil, refusal, nil
	}
	if err := t.correct(ctx, applied, wall, trusted); err != nil {
		return nil, nil, err
	}
	if channel != "" {
		next.Drop(channel, false)
	}
	next.Revision++
	if err := c.keep(next); err != nil { // it is applied; what it rests on can be applied again
		c.agent.opts.Log.Warn("calibration applied, its session not kept", "err", err)
		c.session = next
	}
	var records []calibrate.Record
	for i := range applied {
		records = append(records, applied[i].Record)
	}
	return records, nil, nil
}

// Undo takes the last calibration of a channel back, if its correction is still the one in use.
func (c *calibrator) Undo(ctx context.Context, channel, by string) (calibrate.Record, error) {
	if by == "" {
		return calibrate.Record{}, calibrate.ErrNoName
	}
	bench := c.Bench()
	c.mu.Lock()
	defer c.mu.Unlock()
	if bench == nil {
		return calibrate.Record{}, calibrate.ErrNoUndo
	}
	l := bench.Of(channel)
	if l == nil || !l.CanUndo() {
		return calibrate.Record{}, calibrate.ErrNoUndo
	}
	t := technician{c.agent}
	wall, trusted, err := t.wall(ctx)
	if err != nil {
		return calibrate.Record{}, err
	}
	back := calibrate.Record{
		Channel: channel, Unit: l.Unit, Kind: calibrate.TakenOff, By: by, At: wall.UTC(), ClockTrusted: trusted,
		Before: l.Last.After, After: l.Last.Before,
	}
	return back, t.correct(ctx, []calibrate.Applied{{Record: back}}, wall, trusted)
}

// End ends the calibration under way, and work under way if it has begun that.
func (c *calibrator) End(ctx context.Context, id, by string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.session == nil || c.session.ID != id {
		return calibrate.ErrNoSession
	}
	work := c.session.Work
	if err := c.keep(nil); err != nil {
		return err
	}
	t := technician{c.agent}
	if by == "" {
		by = "calibration"
	}
	t.log("calibration ended", by)
	if snap := c.agent.hub.Current(); work && snap != nil && snap.Work != nil && snap.Work.Kind == visit.BySwitch {
		return t.EndWork(ctx, by)
	}
	return nil
}

// Bench returns the channels as they are now.
func (c *calibrator) Bench() *calibrate.Bench {
	a, w := c.agent, &c.agent.window
	var over []settings.Effective
	now := a.base
	if a.settings != nil {
		now, over = a.settings.Apply(a.base)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.begun {
		return nil
	}
	b := &calibrate.Bench{Around: calibrate.Around{
		MotorRuns: w.running, ChargerOn: w.charging, Contact: contact(w.contact), RestFor: w.at - w.usedAt, OwnA: a.ownDrawA,
		Ways: now.Bank.Layout.Rules().Strings(len(now.Bank.Batteries)),
	}}
	for i := range now.Board.Channels {
		ch := &now.Board.Channels[i]
		class := classOf(&a.base.Board.Channels[i])
		l := calibrate.Live{
			Name: ch.Name(), Battery: ch.Battery, Unit: ch.Unit(), Now: reading(w.now[i], 4), From: settings.FromConfiguration,
			Base: correctionOf(&a.base.Board.Channels[i]),
			Channel: calibrate.Channel{
				Quantity:  quantityOf(ch.Signal),
				Class:     calibrate.Class{Zero: class.Zero, Gain: class.Gain, Noise: class.Noise, Step: class.Step},
				MaxOffset: ch.Signal.MaxOffset(), Min: ch.Min, Max: ch.Max, Was: correctionOf(ch).Board(),
			},
		}
		if k := slices.IndexFunc(now.Bank.Batteries, func(x config.Battery) bool { return x.ID == ch.Battery }); k >= 0 {
			l.RatedAh, l.TempC = now.Bank.Batteries[k].RatedAh, reading(w.temps[k], celsiusDecimals)
		}
		l.Hold, l.HoldOK = w.mean(i, calibrate.HoldSpan)
		l.Long, l.LongOK = w.mean(i, calibrate.ZeroSpan)
		if a.settings != nil {
			l.Last = a.settings.Calibration(l.Name)
		}
		if l.Last != nil && l.Last.ZeroU > 0 {
			l.WasSigma = l.Last.ZeroU / 2
		}
		for _, part := range []string{settings.Offset, settings.Gain} {
			path := settings.ChannelPath(l.Name, part)
			if slices.ContainsFunc(over, func(e settings.Effective) bool {
				return e.Path == path && e.Origin == settings.FromTechnician && e.Unused == ""
			}) {
				l.From = settings.FromTechnician
			}
		}
		b.Channels = append(b.Channels, l)
	}
	return b
}

func correctionOf(ch *config.Channel) calibrate.Correction {
	return calibrate.Of(calibration.Correction{OffsetAdd: ch.Calibration.Offset, Gain: ch.Calibration.Gain})
}

func quantityOf(s config.Signal) calibrate.Quantity {
	switch s {
	case config.BatteryCurrent:
		return calibrate.Current
	case config.BatteryTemperature:
		return calibrate.Temperature
	}
	return calibrate.Voltage
}

// correct writes down how channels are corrected from now on, then has the board and the rules take it
// up. Where they can't, what was written is taken back.
func (t technician) correct(ctx context.Context, all []calibrate.Applied, at time.Time, trusted bool) error {
	a := t.agent
	if a.settings == nil {
		return errNoSettings
	}
	change := func(after bool) settings.Change {
		c := settings.Change{Values: map[string]string{}, At: at, ClockTrusted: trusted}
		for i := range all {
			r := &all[i].Record
			c.By = r.By
			k := r.Before
			if after {
				k = r.After
				c.Calibrations = append(c.Calibrations, *r)
			} else if was := a.settings.Calibration(r.Channel); was != nil {
				c.Calibrations = append(c.Calibrations, *was)
			}
			c.Values[settings.ChannelPath(r.Channel, settings.Offset)] = strconv.FormatFloat(k.Offset, 'f', -1, 64)
			c.Values[settings.ChannelPath(r.Channel, settings.Gain)] = strconv.FormatFloat(k.Gain, 'f', -1, 64)
		}
		return c
	}
	back := change(false) // with the records of before
	if err := a.settings.Set(&a.base, change(true)); err != nil {
		return err
	}
	err := t.do(ctx, func(*rules.Engine, time.Duration) error {
		var to []recording.Correction
		for i := range all {
			r := &all[i]
			to = append(to, recording.Correction{
				Channel: r.Channel, Was: unit.Correction(r.Before), Now: unit.Correction(r.After), ZeroSigma: r.ZeroSigma,
			})
		}
		if err := a.core.recalibrate(to); err != nil {
			return err
		}
		if a.opts.Recorder != nil {
			a.opts.Recorder.Corrected(to)
		}
		a.describe()
		return nil
	})
	for i := range all {
		r := &all[i].Record
		t.log("channel calibrated", r.By, "channel", r.Channel, "kind", r.Kind, "offset", r.After.Offset, "gain", r.After.Gain,
			"offset before", r.Before.Offset, "gain before", r.Before.Gain, "err", err)
	}
	if err == nil {
		return nil
	}
	return errors.Join(err, a.settings.Set(&a.base, back))
}

// signedOf returns the record of the calibration that a channel's correction is of, nil for none.
func (a *Agent) signedOf(ch *config.Channel) *calibrate.Record {
	r := a.settings.Calibration(ch.Name())
	if r == nil || r.Kind == calibrate.TakenOff || !r.After.Same(correctionOf(ch)) {
		return nil
	}
	return r
}
