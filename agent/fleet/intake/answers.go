package intake

import (
	"context"
	"encoding/json"
	"sync"
	"time"

	"liftbank/agent/fleet/db"
)

// answers says on `received` what was committed: gathered, because each one costs a unit a write to its
// card and bytes on a thin link.
type answers struct {
	opts Options
	seen func(answers, wishes int)

	mu    sync.Mutex
	units map[string]*unit
}

// unit is who is to be answered, or was a moment ago.
type unit struct {
	keys     map[db.StreamKey]bool // that changed since the last answer
	hurry    bool                  // it drains a backlog, and waits for the answer to go on
	answered time.Time
}

func (a *answers) init(o Options) {
	a.opts, a.units = o, map[string]*unit{}
	a.seen = func(int, int) {}
}

// begin has those answered that were heard shortly before the start: the last answers may be missing.
func (a *answers) begin(ctx context.Context) {
	keys, err := a.opts.Store.HeardSince(ctx, a.opts.Now().Add(-a.opts.Limits.AnswerSince))
	if err != nil {
		a.opts.Log.Warn("not known whom to answer", "err", err)
		return
	}
	a.add(keys, nil)
}

func (a *answers) touched(out db.Outcome) { a.add(out.Touched, out.Hurry) }

func (a *answers) add(keys []db.StreamKey, hurry []bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i, k := range keys {
		u := a.units[k.Unit]
		if u == nil {
			u = &unit{keys: map[db.StreamKey]bool{}}
			a.units[k.Unit] = u
		}
		u.keys[k] = true
		u.hurry = u.hurry || i < len(hurry) && hurry[i]
	}
}

// due takes the streams of units that it is time to answer.
func (a *answers) due(now time.Time, all bool) (keys []db.StreamKey) {
	const most = 2000 // streams at a time: a commit waits for the transaction
	a.mu.Lock()
	defer a.mu.Unlock()
	for name, u := range a.units {
		age := now.Sub(u.answered)
		if len(u.keys) == 0 {
			if age >= a.opts.Limits.Answer {
				delete(a.units, name)
			}
			continue
		}
		if !all && age < a.opts.Limits.Answer && (!u.hurry || age < a.opts.Limits.AnswerSoon) {
			continue
		}
		if len(keys) >= most {
			break
		}
		for k := range u.keys {
			keys = append(keys, k)
		}
		clear(u.keys)
		u.hurry, u.answered = false, now
	}
	return keys
}

// run answers until ctx ends.
func (a *answers) run(ctx context.Context, s *session) {
	every := min(time.Second, a.opts.Limits.AnswerSoon/2)
	t := time.NewTicker(max(every, time.Millisecond))
	defer t.Stop()
	var asked time.Time
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		now := a.opts.Now()
		const wishesEvery, most = 10 * time.Second, 500
		if now.Sub(asked) >= min(wishesEvery, a.opts.Limits.Answer) {
			asked = now
			keys, err := a.opts.Store.Wanting(ctx, now, most)
			if err != nil {
				a.failed(ctx, err)
				continue
			}
			a.add(keys, nil)
		}
		for ctx.Err() == nil && a.round(ctx, s, false) {
		}
	}
}

// last answers all that was committed.
func (a *answers) last(ctx context.Context, s *session) {
	for ctx.Err() == nil && a.round(ctx, s, true) {
	}
}

// round answers units that are due, and reports whether there were any.
func (a *answers) round(ctx context.Context, s *session, all bool) bool {
	keys := a.due(a.opts.Now(), all)
	if len(keys) == 0 {
		return false
	}
	list, err := a.opts.Store.Receipts(ctx, a.opts.Now(), keys)
	if err != nil {
		a.add(keys, nil) // once more after a while
		a.failed(ctx, err)
		return false
	}
	for i := range list {
		wishes := 0
		for _, e := range list[i].Streams {
			wishes += len(e.Missing)
		}
		body, err := json.Marshal(list[i])
		if err != nil {
			panic("bug: a receipt of texts and numbers: " + err.Error())
		}
		// Retained, so that a unit that was away hears it at once; QoS 0, because the next one says it
		// again.
		s.publish(a.opts.Prefix+"/v1/"+list[i].Unit+"/received", body)
		const ahead = 64 << 10
		if err := s.flush(ctx, ahead); err != nil {
			a.add(keys, nil)
			return false
		}
		a.seen(1, wishes)
	}
	if err := s.flush(ctx, 0); err != nil {
		a.add(keys, nil)
		return false
	}
	return true
}

func (a *answers) failed(ctx context.Context, err error) {
	if ctx.Err() == nil {
		a.opts.Log.Warn("units not answered", "err", err)
	}
}
