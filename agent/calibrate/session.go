package calibrate

import (
	"context"
	"errors"
	"maps"
	"math"
	"slices"
	"time"

	"liftbank/sensors/calibration"
)

// Spans that are averaged.
const (
	HoldSpan = 8 * time.Second  // beside a meter: of a motor run or of a load that is held; our choice
	ZeroSpan = 20 * time.Second // of a zero: nothing hurries; our choice
)

// Live is a channel as it is now.
type Live struct {
	Name    string
	Battery string // empty: the unit's own
	RatedAh float64
	TempC   *float64 // of the battery
	Unit    string
	Channel          // class, limits, and the correction that it has
	Now     *float64 // its last reading, corrected; nil: none that can be used
	Hold    Mean     // over HoldSpan, nominal
	HoldOK  bool
	Long    Mean // over ZeroSpan, nominal
	LongOK  bool
	Base    Correction // in the configuration
	From    string     // where the present correction comes from: configuration or technician
	Last    *Record    // the last calibration
}

// Bench is all channels as they are now, and what else is so.
type Bench struct {
	Channels []Live
	Around
}

// Of returns a channel, nil for none of that name.
func (b *Bench) Of(name string) *Live {
	for i := range b.Channels {
		if b.Channels[i].Name == name {
			return &b.Channels[i]
		}
	}
	return nil
}

// currents returns the current sensors.
func (b *Bench) currents() (all []*Live) {
	for i := range b.Channels {
		if b.Channels[i].Quantity == Current {
			all = append(all, &b.Channels[i])
		}
	}
	return all
}

// HasCurrents reports whether there are current sensors.
func (b *Bench) HasCurrents() bool { return len(b.currents()) > 0 }

// corrected returns a mean as the channel shows it.
func (l *Live) corrected(m Mean) Mean {
	g := gainOf(l.Was)
	m.Value, m.Sigma, m.Spread, m.Drift = l.Was.Apply(m.Value), m.Sigma*g, m.Spread*g, m.Drift*g
	return m
}

// Shown returns what a channel showed over HoldSpan, with the correction that it has.
func (l *Live) Shown() Mean { return l.corrected(l.Hold) }

// Ready returns why no reading of a channel can be held beside a meter now; nil if it can. For a
// current the whole bank's must hold still.
func (b *Bench) Ready(name string) *Refusal {
	l := b.Of(name)
	if l == nil || l.Now == nil {
		return &Refusal{ID: NoReading}
	}
	if !l.HoldOK {
		return &Refusal{ID: TooFew, Value: l.Hold.OverS, Want: HoldSpan.Seconds()}
	}
	if r := Steady(l.Shown(), l.Class); r != nil {
		return r
	}
	if l.Quantity != Current {
		return nil
	}
	moved, limit := 0.0, 0.0
	for _, c := range b.currents() {
		if !c.HoldOK {
			continue
		}
		m := c.Shown()
		moved += m.Drift
		limit += math.Max(c.Class.readsOff(m.Value), minDrift*m.driftSigma())
	}
	if math.Abs(moved) > limit {
		return &Refusal{ID: BankMoved, Value: moved, Want: limit}
	}
	return nil
}

// ReadyZero returns why no zero of the current sensors can be taken now; nil if it can.
func (b *Bench) ReadyZero(parted bool) *Refusal {
	around := b.Around
	around.Parted = parted
	var shown []Mean
	var class []Class
	all := b.currents()
	if len(all) == 0 {
		return &Refusal{ID: NoReading}
	}
	for _, l := range all {
		shown, class = append(shown, l.corrected(l.Long)), append(class, l.Class)
	}
	if r := CheckZero(around, nil, nil); r != nil {
		return r
	}
	for i, l := range all {
		switch {
		case l.Now == nil:
			return &Refusal{ID: NoReading}
		case !l.LongOK:
			return &Refusal{ID: TooFew, Value: l.Long.OverS, Want: ZeroSpan.Seconds()}
		}
		if r := Steady(shown[i], l.Class); r != nil {
			return r
		}
	}
	return CheckZero(around, shown, class)
}

// Taken is what has been taken of one channel.
type Taken struct {
	Zero   *Point   `json:"zero,omitempty"`
	TempC  *float64 `json:"temp_c,omitempty"` // of the battery, at the zero
	Points []Point  `json:"points,omitempty"`
	// Held is a reading that waits for the meter's value of the same moment.
	Held   *Mean     `json:"held,omitempty"`
	HeldAt time.Time `json:"held_at,omitzero"`
}

// Session is a calibration under way: whoever opens the page takes it up. It changes only by its
// methods, each a step of the revision.
type Session struct {
	Schema   string             `json:"schema"`
	ID       string             `json:"id"`
	Revision int                `json:"revision"`
	By       string             `json:"by"`
	Begun    time.Time          `json:"begun"`
	Meters   map[Quantity]Meter `json:"meters"`
	Taken    map[string]*Taken  `json:"taken"` // by channel
	Forms    []string           `json:"forms"` // that were taken: one that is sent again does nothing
	Work     bool               `json:"work"`  // it has begun work under way, and ends it
	// Config is the SHA-256 of the configuration that it was begun with: what was taken of a channel that has another scale by now
	// is of no use.
	Config string `json:"config_sha256,omitempty"`
}

// SessionSchema names the layout of a session that is kept.
const SessionSchema = "liftbank.calibration.v1"

const maxForms = 50 // that are remembered

// NewSession returns a session in which nothing was taken.
func NewSession(id, by string, at time.Time) *Session {
	return &Session{Schema: SessionSchema, ID: id, By: by, Begun: at.UTC(), Meters: map[Quantity]Meter{}, Taken: map[string]*Taken{}}
}

// Copy returns a copy that shares nothing.
func (s *Session) Copy() *Session {
	if s == nil {
		return nil
	}
	c := *s
	c.Meters, c.Forms, c.Taken = maps.Clone(s.Meters), slices.Clone(s.Forms), map[string]*Taken{}
	for name, t := range s.Taken {
		n := *t
		n.Points = slices.Clone(t.Points)
		if t.Zero != nil {
			n.Zero = new(*t.Zero)
		}
		if t.Held != nil {
			n.Held = new(*t.Held)
		}
		c.Taken[name] = &n
	}
	return &c
}

// Sane reports whether a session that was kept can be one.
func (s *Session) Sane() bool {
	if s.Schema != SessionSchema || s.ID == "" || s.Meters == nil || s.Taken == nil {
		return false
	}
	for _, t := range s.Taken {
		if t == nil || len(t.Points) > MaxPoints {
			return false
		}
	}
	return true
}

// Seen notes a form and reports whether it was taken before.
func (s *Session) Seen(form string) bool {
	if slices.Contains(s.Forms, form) {
		return true
	}
	if len(s.Forms) >= maxForms {
		s.Forms = slices.Delete(s.Forms, 0, maxForms/2)
	}
	s.Forms = append(s.Forms, form)
	return false
}

func (s *Session) of(channel string) *Taken {
	t := s.Taken[channel]
	if t == nil {
		t = &Taken{}
		s.Taken[channel] = t
	}
	return t
}

// TakeZero takes the zero of all current sensors at once.
func (s *Session) TakeZero(b *Bench, parted bool) *Refusal {
	if r := b.ReadyZero(parted); r != nil {
		return r
	}
	all, around := b.currents(), b.Around
	around.Parted = parted
	points := make([]Point, len(all))
	for i, l := range all {
		points[i] = Point{Reading: l.Long, Zero: true, FlowSigma: FlowSigma(around, l.RatedAh, len(all))}
		if _, r := Zero(l.Channel, points[i]); r != nil {
			return r
		}
	}
	for i, l := range all {
		t := s.of(l.Name)
		t.Zero, t.TempC = &points[i], l.TempC
	}
	return nil
}

// Hold holds a channel's reading, for the meter's value of this moment to be entered.
func (s *Session) Hold(b *Bench, channel string, at time.Time) *Refusal {
	if r := b.Ready(channel); r != nil {
		return r
	}
	t := s.of(channel)
	t.Held, t.HeldAt = new(b.Of(channel).Hold), at.UTC()
	return nil
}

// Enter takes the meter's value for the reading that is held; half is half of its last digit. A point
// that can't be right is refused and not taken; the reading stays held.
func (s *Session) Enter(b *Bench, channel string, m Meter, value, half float64) *Refusal {
	l, t := b.Of(channel), s.Taken[channel]
	if l == nil || t == nil || t.Held == nil {
		return &Refusal{ID: NoReading}
	}
	if len(t.Points) >= MaxPoints-1 { // and the zero
		return &Refusal{ID: TooMany, Value: float64(len(t.Points) + 1), Want: MaxPoints - 1}
	}
	trial := *t
	trial.Points = append(slices.Clone(t.Points), Point{Reading: *t.Held, Meter: value, Half: half})
	if _, r := Work(l.Channel, m, trial.points()); r != nil && r.ID != WantsZero && r.ID != PointsClose {
		return r
	}
	// Alone with a point at another load, a sensor the other way around shows at once.
	if l.Quantity == Current && math.Abs(value) >= apart[Current]/2 && math.Abs(t.Held.Value) >= apart[Current]/2 &&
		math.Signbit(value) != math.Signbit(t.Held.Value) {
		return &Refusal{ID: Reversed, Value: t.Held.Value, Want: value}
	}
	trial.Held, trial.HeldAt = nil, time.Time{}
	*t = trial
	s.Meters[l.Quantity] = m
	return nil
}

// Drop forgets what was taken of a channel; of the zero that all sensors have, with zero.
func (s *Session) Drop(channel string, zero bool) {
	if zero {
		for _, t := range s.Taken {
			t.Zero, t.TempC = nil, nil
		}
		return
	}
	if t := s.Taken[channel]; t != nil {
		t.Points, t.Held, t.HeldAt = nil, nil, time.Time{}
	}
}

// Release forgets the reading that is held of a channel.
func (s *Session) Release(channel string) {
	if t := s.Taken[channel]; t != nil {
		t.Held, t.HeldAt = nil, time.Time{}
	}
}

func (t *Taken) points() (all []Point) {
	if t.Zero != nil {
		all = append(all, *t.Zero)
	}
	return append(all, t.Points...)
}

// Result returns what the points of a channel come to.
func (s *Session) Result(b *Bench, channel string) (Result, *Refusal) {
	l, t := b.Of(channel), s.Taken[channel]
	if l == nil || t == nil || len(t.Points) == 0 {
		return Result{}, &Refusal{ID: NoPoints}
	}
	r, refusal := Work(l.Channel, s.Meters[l.Quantity], t.points())
	r.Correction = rounded(r.Correction)
	return r, refusal
}

// ZeroResult returns what the zero of a current sensor comes to.
func (s *Session) ZeroResult(b *Bench, channel string) (Result, *Refusal) {
	l, t := b.Of(channel), s.Taken[channel]
	if l == nil || t == nil || t.Zero == nil {
		return Result{}, &Refusal{ID: NoPoints}
	}
	r, refusal := Zero(l.Channel, *t.Zero)
	r.Correction = rounded(r.Correction)
	return r, refusal
}

// rounded cuts a correction to digits that can be read: well below what any meter tells.
func rounded(c calibration.Correction) calibration.Correction {
	return calibration.Correction{OffsetAdd: math.Round(c.OffsetAdd*1e4) / 1e4, Gain: math.Round(c.Gain*1e5) / 1e5}
}

// Applied is a calibration to be applied.
type Applied struct {
	Record
	ZeroSigma float64 // of the new zero of a current sensor; 0: it was not measured
}

// Sign returns what is to be applied: the zeros of all current sensors with an empty channel, or the
// correction of one channel. Nothing is left of what it rests on.
func (s *Session) Sign(b *Bench, channel, by string, at time.Time, trusted bool) ([]Applied, *Refusal) {
	var all []Applied
	add := func(l *Live, r Result, kind string) {
		a := Applied{Record: Record{
			Channel: l.Name, Unit: l.Unit, Kind: kind, By: by, At: at.UTC(), ClockTrusted: trusted, Points: r.Points,
			Before: Of(l.Was), After: Of(r.Correction), GainU: r.GainU, Spread: r.Spread, TempC: s.Taken[l.Name].TempC,
		}}
		if r.ZeroKnown {
			a.Record.ZeroU, a.ZeroSigma = r.ZeroU, r.ZeroSigma
		}
		if m := s.Meters[l.Quantity]; kind == ByMeter {
			a.Meter = &m
		}
		all = append(all, a)
	}
	if channel == "" {
		for _, l := range b.currents() {
			r, refusal := s.ZeroResult(b, l.Name)
			if refusal != nil {
				return nil, refusal
			}
			if l.Last != nil && l.Last.After.Same(Of(l.Was)) && Of(r.Correction).Same(Of(l.Was)) {
				continue // it was applied already, with a gain or by itself: that stays what can be taken back
			}
			add(l, r, ByZero)
		}
		return all, nil
	}
	r, refusal := s.Result(b, channel)
	if refusal != nil {
		return nil, refusal
	}
	if r.Confirm {
		return nil, &Refusal{ID: WantsConfirm, Value: r.Correction.Gain, Want: b.Of(channel).Class.Gain}
	}
	add(b.Of(channel), r, ByMeter)
	return all, nil
}

// Errors that a caller branches on.
var (
	ErrNoSession = errors.New("calibration: none is under way")
	ErrChanged   = errors.New("calibration: something was taken meanwhile: look at the result again")
	ErrNoUndo    = errors.New("calibration: nothing to take back: the correction is another one by now")
	ErrNoName    = errors.New("calibration: want the name of the technician")
)

// Desk is what the page works with.
type Desk interface {
	// Bench returns the channels as they are now; nil before the first scan.
	Bench() *Bench
	// Session returns a copy of the calibration under way, nil for none.
	Session() *Session
	// Begin begins a calibration, or returns the one under way.
	Begin(ctx context.Context, id, by string) (*Session, error)
	// Change lets change act on the session, once for each form, and keeps it. What it refuses changes
	// nothing.
	Change(ctx context.Context, id, form string, change func(*Session, *Bench) *Refusal) (*Session, *Refusal, error)
	// Apply applies what was taken: of a channel, or of all zeros with an empty one. A revision that is no
	// longer the present one is ErrChanged.
	Apply(ctx context.Context, id, form, channel, by string, revision int) ([]Record, *Refusal, error)
	// Undo takes the last calibration of a channel back.
	Undo(ctx context.Context, channel, by string) (Record, error)
	// End ends the calibration under way. What was not applied is forgotten.
	End(ctx context.Context, id, by string) error
}

// CanUndo reports whether the last calibration of a channel can be taken back: its correction is still
// the one in use.
func (l *Live) CanUndo() bool {
	return l.Last != nil && l.Last.Kind != TakenOff && l.Last.After.Same(Of(l.Was)) && !l.Last.After.Same(l.Last.Before)
}
