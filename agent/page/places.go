package page

import (
	"strings"
	"sync"
	"time"

	"liftbank/agent/visit"
)

// places says where a unit is: as it is configured, or else as the open visit or the last one says.
type places struct {
	configured func() (name, place string)
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
	p := &places{configured: o.Named, store: o.Visits, clock: o.Now}
	if p.configured == nil {
		p.configured = func() (name, place string) { return "", o.Place }
	}
	return p
}

// now returns what people call the unit and where it is, empty if nobody has said it.
func (p *places) now() string {
	name, _ := p.configured()
	place := p.place()
	return strings.TrimSuffix(strings.TrimPrefix(name+", "+place, ", "), ", ")
}

// place returns where the unit is.
func (p *places) place() string {
	if _, place := p.configured(); place != "" {
		return place
	}
	return p.said()
}

// said returns the place that visits say.
func (p *places) said() string {
	if p.store == nil {
		return ""
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
