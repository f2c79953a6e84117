// Package series sends what units recorded to time-series databases, at the times at which it was
// measured, by Prometheus remote write.
//
// A place in the records (a cursor in the database) says how far each receiver is: one that is down
// blocks nothing and is refilled from where it was. A sample may be sent twice; it has the same
// series, time and value then, which every receiver takes for one. Names and units are those of a
// unit's own /metrics.
package series

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"liftbank/agent/fleet/db"
)

// Store is what the sender asks of the database.
type Store interface {
	Records(ctx context.Context, stream string, after int64, max int) ([]db.Record, error)
	UnitRecords(ctx context.Context, unit, stream string, before int64, max int) ([]db.Record, error)
	Position(ctx context.Context, name string) (int64, error)
	SetPosition(ctx context.Context, name string, id int64) error
	Unit(ctx context.Context, id string) (db.Unit, error)
	Units(ctx context.Context, after string, max int) ([]db.Unit, error)
}

// Options say what is sent where. Zero values have the defaults.
type Options struct {
	Store       Store
	Receivers   []Receiver
	Labels      []Label       // of every series, such as the cell
	Poll        time.Duration // between looks at the database; 0: 15 s
	SnapshotsIn time.Duration // between looks for new snapshots; 0: 10 min
	MaxSamples  int           // in one request, about; 0: 10,000
	Now         func() time.Time
	Log         *slog.Logger
}

// Sender sends to all receivers.
type Sender struct {
	opts   Options
	feeds  []*feed
	groups groups
}

// New returns a sender that does nothing before Run.
func New(opts Options) (*Sender, error) {
	if opts.Poll <= 0 {
		opts.Poll = 15 * time.Second
	}
	if opts.SnapshotsIn <= 0 {
		opts.SnapshotsIn = 10 * time.Minute
	}
	if opts.MaxSamples <= 0 {
		opts.MaxSamples = 10_000
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	s := &Sender{opts: opts}
	s.groups = groups{store: opts.Store, now: opts.Now}
	names := map[string]bool{}
	for _, r := range opts.Receivers {
		if r.Name == "" || names[r.Name] {
			return nil, fmt.Errorf("series: receiver %q: want a name of its own", r.Name)
		}
		names[r.Name] = true
		if r.Protocol == "" {
			r.Protocol = V1
		}
		if r.Protocol != V1 && r.Protocol != V2 {
			return nil, fmt.Errorf("series: receiver %s: protocol %q: want %s or %s", r.Name, r.Protocol, V1, V2)
		}
		s.feeds = append(s.feeds, newFeed(s, r))
	}
	return s, nil
}

// Run sends until ctx ends.
func (s *Sender) Run(ctx context.Context) error {
	var all sync.WaitGroup
	for _, f := range s.feeds {
		all.Go(func() { f.run(ctx) })
	}
	all.Wait()
	return nil
}

// Problem says what can't be sent; "" is nothing.
func (s *Sender) Problem() string {
	for _, st := range s.States() {
		if st.Problem != "" {
			return "series can't be sent to " + st.Receiver + ": " + st.Problem
		}
	}
	return ""
}

// State is how it goes with one receiver.
type State struct {
	Receiver string
	Problem  string            // why nothing can be sent; "" is nothing
	Since    time.Time         // of the problem
	Sent     uint64            // samples that were taken
	Refused  map[string]uint64 // samples that the receiver will never take, by its reason in short
	Kept     map[string]uint64 // records that were not sent, by why
	Fixed    uint64            // records whose times were corrected
	Retries  uint64            // requests that failed and are sent again
	Newest   time.Time         // received, of what was sent last; zero: nothing yet
}

// States returns how it goes with each receiver.
func (s *Sender) States() []State {
	var all []State
	for _, f := range s.feeds {
		all = append(all, f.state())
	}
	return all
}

// position is the name of a cursor; wanted that of where it is to be set to, plus one.
func position(receiver, stream string) string { return "series:" + receiver + ":" + stream }
func wanted(receiver, stream string) string   { return position(receiver, stream) + ":wanted" }

// maxRecords is how many records are looked at at once.
const maxRecords = 500

// feed sends to one receiver.
type feed struct {
	*Sender
	to     Receiver
	clocks clocks
	told   map[string]time.Time // snapshot sent last, by unit
	looked time.Time            // for snapshots
	shots  *shots

	mu sync.Mutex
	st State
}

func newFeed(s *Sender, to Receiver) *feed {
	return &feed{
		Sender: s, to: to, clocks: newClocks(s.opts.Store, s.opts.Now),
		told: map[string]time.Time{}, shots: newShots(s.opts.Now),
		st: State{Receiver: to.Name, Refused: map[string]uint64{}, Kept: map[string]uint64{}},
	}
}

func (f *feed) state() State {
	f.mu.Lock()
	defer f.mu.Unlock()
	st := f.st
	st.Refused, st.Kept = map[string]uint64{}, map[string]uint64{}
	for k, n := range f.st.Refused {
		st.Refused[k] = n
	}
	for k, n := range f.st.Kept {
		st.Kept[k] = n
	}
	return st
}

func (f *feed) note(change func(*State)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.st)
}

// run sends what is there, then waits for more. After an error it waits longer each time.
func (f *feed) run(ctx context.Context) {
	failed := 0
	for ctx.Err() == nil {
		more, err := f.round(ctx)
		if ctx.Err() != nil {
			return
		}
		wait := f.opts.Poll
		switch {
		case err != nil:
			failed++
			wait = backoff(failed, err)
			f.trouble(err)
		default:
			failed = 0
			f.well()
			if more {
				continue
			}
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		}
		timer.Stop()
	}
}

func (f *feed) trouble(err error) {
	var was string
	f.note(func(s *State) {
		was = s.Problem
		if was == "" {
			s.Since = f.opts.Now()
		}
		s.Problem = err.Error()
		s.Retries++
	})
	if was == "" {
		f.opts.Log.Warn("series can't be sent; they are sent from here when they can", "receiver", f.to.Name, "err", err)
	}
}

func (f *feed) well() {
	var was string
	f.note(func(s *State) { was, s.Problem, s.Since = s.Problem, "", time.Time{} })
	if was != "" {
		f.opts.Log.Info("series are sent again", "receiver", f.to.Name)
	}
}

// round sends the next records of each stream, and snapshots when they are due. More says that it may
// go on at once.
func (f *feed) round(ctx context.Context) (more bool, err error) {
	for _, stream := range Streams {
		again, err := f.stream(ctx, stream)
		if err != nil {
			return false, fmt.Errorf("%s: %w", stream, err)
		}
		more = more || again
	}
	if now := f.opts.Now(); !more && now.Sub(f.looked) >= f.opts.SnapshotsIn {
		if err := f.snapshots(ctx); err != nil {
			return false, fmt.Errorf("snapshots: %w", err)
		}
		f.looked = now
	}
	return more, nil
}

// stream sends the next records of a stream and moves its cursor.
func (f *feed) stream(ctx context.Context, stream string) (more bool, err error) {
	store := f.opts.Store
	name, ask := position(f.to.Name, stream), wanted(f.to.Name, stream)
	if id, err := store.Position(ctx, ask); err != nil {
		return false, err
	} else if id > 0 {
		if err := store.SetPosition(ctx, name, id-1); err != nil {
			return false, err
		}
		if err := store.SetPosition(ctx, ask, 0); err != nil {
			return false, err
		}
	}
	after, err := store.Position(ctx, name)
	if err != nil {
		return false, err
	}
	recs, err := store.Records(ctx, stream, after, maxRecords)
	if err != nil {
		return false, err
	}
	more = len(recs) == maxRecords
	for len(recs) > 0 {
		n, err := f.send(ctx, recs)
		if err != nil {
			return false, err
		}
		last := &recs[n-1]
		if err := store.SetPosition(ctx, name, last.ID); err != nil {
			return false, err
		}
		f.note(func(s *State) { s.Newest = last.ReceivedAt })
		recs = recs[n:]
	}
	return more, nil
}

// send sends the first records, as many as a request has room for, and returns how many.
func (f *feed) send(ctx context.Context, recs []db.Record) (n int, err error) {
	all := &Set{}
	var single []*Set
	var books tally
	for n < len(recs) && (n == 0 || all.Len() < f.opts.MaxSamples) {
		set, err := f.expand(ctx, &recs[n], &books)
		if err != nil {
			return 0, err
		}
		single = append(single, set)
		all.Merge(set)
		n++
	}
	if err := f.deliver(ctx, all, single); err != nil {
		return 0, err
	}
	// Counted once it is over: what failed comes again.
	f.note(func(s *State) {
		for why, k := range books.kept {
			s.Kept[why] += k
		}
		s.Fixed += books.fixed
	})
	return n, nil
}

// deliver sends a set whole. Where it is refused, it is sent in parts, so that one bad sample doesn't
// take the others along: Prometheus takes all of a request or nothing.
func (f *feed) deliver(ctx context.Context, all *Set, parts []*Set) error {
	if all.Len() == 0 {
		return nil
	}
	sets := all.chunks(f.opts.MaxSamples * 2)
	for _, set := range sets {
		err := f.push(ctx, set)
		if _, no := errors.AsType[refused](err); no {
			if len(parts) > 1 {
				for _, part := range parts {
					if err := f.deliver(ctx, part, nil); err != nil {
						return err
					}
				}
				return nil
			}
			err = f.parts(ctx, set, err)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (f *feed) push(ctx context.Context, set *Set) error {
	if set.Len() == 0 {
		return nil
	}
	err := f.to.push(ctx, set)
	if errors.Is(err, errOnlyV1) {
		// Until the next start: whoever has learned 2.0 since was started, too.
		f.opts.Log.Warn("the receiver doesn't know remote write 2.0: it gets 1.0", "receiver", f.to.Name)
		f.to.Protocol = V1
		err = f.to.push(ctx, set)
	}
	taken := set.Len()
	if p, some := errors.AsType[partly](err); some {
		f.refuse(taken-p.taken, p)
		taken, err = p.taken, nil
	}
	if err == nil {
		f.note(func(s *State) { s.Sent += uint64(taken) })
	}
	return err
}

// triesOfOne bounds the requests for one record of which something is refused.
const triesOfOne = 32

// parts sends what can be taken of a set that was refused whole. Receivers refuse what is too old, so
// the newest instant is tried first: if that is refused, so is the rest.
func (f *feed) parts(ctx context.Context, set *Set, why error) error {
	instants := set.instants()
	if len(instants) < 2 {
		f.refuse(set.Len(), why)
		return nil
	}
	older, newest := set.split(instants[len(instants)-1])
	switch err := f.push(ctx, newest); {
	case err == nil:
	case isRefused(err):
		f.refuse(set.Len(), err)
		return nil
	default:
		return err
	}
	tries := triesOfOne
	var try func(set *Set) error
	try = func(set *Set) error {
		if set == nil || set.Len() == 0 {
			return nil
		}
		if tries--; tries < 0 {
			f.refuse(set.Len(), why)
			return nil
		}
		err := f.push(ctx, set)
		if !isRefused(err) {
			return err
		}
		why = err
		before, rest := set.halve()
		if rest == nil {
			f.refuse(set.Len(), err)
			return nil
		}
		if err := try(rest); err != nil { // the newer half
			return err
		}
		return try(before)
	}
	return try(older)
}

func isRefused(err error) bool {
	_, is := errors.AsType[refused](err)
	return is
}

// refuse counts samples that will never be taken.
func (f *feed) refuse(samples int, why error) {
	n, reason := uint64(samples), short(why.Error())
	first := false
	f.note(func(s *State) {
		if _, known := s.Refused[reason]; !known && len(s.Refused) >= maxReasons {
			reason = "other"
		}
		first = s.Refused[reason] == 0
		s.Refused[reason] += n
	})
	if first {
		f.opts.Log.Warn("the receiver refuses samples: they are left out and counted", "receiver", f.to.Name,
			"samples", n, "why", why)
	}
}

const maxReasons = 10 // so many labels at most

// short makes a few words of an answer, without the figures and names that make each one different.
func short(why string) string {
	for _, known := range []string{
		"out of bounds", "too old", "out of order", "duplicate sample", "invalid label", "too large", "timestamp",
	} {
		if strings.Contains(strings.ToLower(why), known) {
			return known
		}
	}
	code, _, _ := strings.Cut(why, ":")
	return code
}

// tally counts what became of records until it is known that they were sent.
type tally struct {
	kept  map[string]uint64
	fixed uint64
}

func (t *tally) keep(why string) {
	if t.kept == nil {
		t.kept = map[string]uint64{}
	}
	t.kept[why]++
}

// expand makes the samples of one record. Its error is the database's.
func (f *feed) expand(ctx context.Context, rec *db.Record, books *tally) (*Set, error) {
	set := &Set{}
	if rec.Trusted {
		// Records of the session from before its clock was set can be told in time now.
		waiting, err := f.clocks.waiting(ctx, rec)
		if err != nil {
			return nil, err
		}
		for i := range waiting {
			if err := f.one(ctx, set, &waiting[i], zero(rec), books); err != nil {
				return nil, err
			}
			books.fixed++
		}
		return set, f.one(ctx, set, rec, time.Time{}, books)
	}
	z, ok, err := f.clocks.zero(ctx, rec)
	if err != nil {
		return nil, err
	}
	if !ok {
		books.keep(Untimed)
		return set, nil
	}
	books.fixed++
	return set, f.one(ctx, set, rec, z, books)
}

func (f *feed) one(ctx context.Context, set *Set, rec *db.Record, zero time.Time, books *tally) error {
	group, err := f.groups.of(ctx, rec.Unit)
	if err != nil {
		return err
	}
	e := expander{fixed: f.fixed(rec.Unit, group), set: set, rec: rec, zero: zero}
	if err := e.record(); err != nil {
		k, ours := errors.AsType[kept](err)
		if !ours {
			return err
		}
		books.keep(k.why)
		f.opts.Log.Debug("record can't be sent as series", "unit", rec.Unit, "stream", rec.Stream, "seq", rec.Seq, "err", err)
	}
	if e.ahead > 0 {
		books.keep(Ahead)
	}
	if e.early > 0 {
		books.keep(TooEarly)
	}
	return nil
}

// fixed are the labels of all series of a unit. Instance is what a scrape calls it.
func (f *feed) fixed(unit, group string) []Label {
	out := []Label{{"job", Job}, {"instance", unit}, {"unit", unit}}
	if group != "" {
		out = append(out, Label{"group", strings.ToValidUTF8(group, "�")})
	}
	return append(out, f.opts.Labels...)
}

// groups knows the units' groups.
type groups struct {
	store Store
	now   func() time.Time

	mu   sync.Mutex
	read time.Time
	all  map[string]string
}

// groupsFor is for how long a unit's group counts as known.
const groupsFor = 10 * time.Minute

const unitsAtOnce = 1000

func (g *groups) of(ctx context.Context, unit string) (string, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if now := g.now(); g.all == nil || now.Sub(g.read) >= groupsFor {
		all := map[string]string{}
		for after := ""; ; {
			page, err := g.store.Units(ctx, after, unitsAtOnce)
			if err != nil {
				return "", err
			}
			for i := range page {
				all[page[i].ID] = page[i].Group
			}
			if len(page) < unitsAtOnce {
				break
			}
			after = page[len(page)-1].ID
		}
		g.all, g.read = all, now
	}
	group, known := g.all[unit]
	if !known {
		u, err := g.store.Unit(ctx, unit)
		if err != nil && !errors.Is(err, db.ErrUnknown) {
			return "", err
		}
		group = u.Group
		g.all[unit] = group
	}
	return group, nil
}
