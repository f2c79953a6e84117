package rules

import (
	"time"

	"liftbank/rules/finding"
)

// lately is how long a cause that is over still explains what it brought about: a bank that lived without its feed for days is not full
// again sooner.
const lately = 7 * 24 * time.Hour

// diagnose says of each standing finding which other one explains it. A cause that another one explains passes it on, so that what is
// found is shown under one root.
func (e *Engine) diagnose() {
	all := e.book.Records
	for i := range all {
		if !all[i].Active() {
			continue
		}
		root := e.causeOf(i)
		// Definitions do not go round (a test sees to it) and channels point to earlier ones, so this ends.
		for root >= 0 && all[root].Active() {
			next := e.causeOf(root)
			if next < 0 {
				break
			}
			root = next
		}
		e.book.Explain(i, root, e.last)
	}
}

func (e *Engine) causeOf(i int) int {
	r := &e.book.Records[i]
	for _, name := range r.Def.Under {
		for c := range e.book.Records {
			k := &e.book.Records[c]
			if k.Def.Name != name || c == i || k.State == finding.OutOfService {
				continue
			}
			if r.Def.Own && k.Subject != "" && k.Subject != r.Subject {
				continue
			}
			if k.Active() || k.Times > 0 && k.OverAt >= k.RaisedAt && e.last-k.OverAt < lately && k.RaisedAt <= r.RaisedAt {
				return c
			}
		}
	}
	if r.Def == &finding.SenseFault {
		return e.senseCause(i)
	}
	return -1
}

// together is how near in time channels have to fail to have failed of one cause.
const together = time.Minute

// senseCause: channels that fail at one time, all of one battery or all for want of an answer, have one cause: a fuse, a plug, a
// converter or the bus. The first of them stands for all.
func (e *Engine) senseCause(i int) int {
	r := &e.book.Records[i]
	own := e.slots.sense[i-e.slots.senseFrom]
	for c := e.slots.senseFrom; c < i; c++ {
		k := &e.book.Records[c]
		if !k.Active() || k.RaisedAt < r.RaisedAt-together || k.RaisedAt > r.RaisedAt+together {
			continue
		}
		other := e.slots.sense[c-e.slots.senseFrom]
		if own.battery >= 0 && own.battery == other.battery || sameText(k, r) {
			return c
		}
	}
	return -1
}

func sameText(a, b *finding.Record) bool {
	x, y := a.Evidence(), b.Evidence()
	return len(x) > 0 && len(y) > 0 && x[0].Text == y[0].Text && x[0].Text != ""
}
