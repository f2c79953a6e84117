package page

import (
	"sync"
	"time"

	"liftbank/agent/visit"
)

// places says where a unit is: as it is configured, or else as the open visit or the last one says.
type places struct {
	configured string
	store      *visit.Store // nil: visits are not kept
	clock      func() time.Time

	mu   sync.Mutex
	last string // of the finished visits
	read time.Time
}

// placeEvery is how often the finished visits are looked at: each page shows the place, and the card
// is slow.
const placeEvery = time.Minute

func newPlaces(o *Options) *places {
	return &places{configured: o.Place, store: o.Visits, clock: o.Now}
}

// now returns the place, empty if nobody has said it.
func (p *places) now() string {
	if p.configured != "" || p.store == nil {
		return p.configured
	}
	if d := p.store.Draft(); d != nil && d.Fields["place"] != "" {
		return d.Fields["place"]
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if at := p.clock(); p.read.IsZero() || at.Sub(p.read) >= placeEvery || at.Before(p.read) {
		p.read = at
		const recent = 5 // visits: somebody may have left the place out
		if done, _, err := p.store.List(recent); err == nil {
			p.last = ""
			for _, v := range done {
				if p.last = v.Place; p.last != "" {
					break
				}
			}
		}
	}
	return p.last
}
