package worklist

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"liftbank/agent/snapshot"
)

// Part is something to bring, and how many. A battery has its label's figures.
type Part struct {
	Kind      string  `json:"part"`
	Chemistry string  `json:"chemistry,omitempty"`
	RatedAh   float64 `json:"rated_ah,omitempty"`
	RatedCCA  float64 `json:"rated_cca_a,omitempty"`
	Count     int     `json:"count"`
}

// Kinds of parts.
const (
	PartBattery   = "battery"
	PartPlug      = "plug"
	PartBreaker   = "charge-breaker"
	PartLug       = "lug"
	PartContactor = "contactor"
	PartFuse      = "fuse"
	PartLampFuse  = "lamp-fuse"
	PartControl   = "control-breaker"
	PartRelief    = "relief-valve"
	PartSenseWire = "sense-wire"
	PartOil       = "oil"
	PartFilter    = "filter"
)

// PartKinds are all kinds in the order in which they are listed.
var PartKinds = []string{
	PartBattery, PartPlug, PartBreaker, PartLug, PartContactor, PartFuse, PartLampFuse, PartControl,
	PartSenseWire, PartOil, PartFilter, PartRelief,
}

// needs lists what repairs of a finding usually take; common practice, no source. A lug comes a pair a
// joint. Where nothing is listed, what to bring is known only after the first check.
var needs = map[string][]Part{
	"battery-failed": {{Kind: PartBattery, Count: 1}},
	"battery-tired":  {{Kind: PartBattery, Count: 1}},
	"feed-lost":      {{Kind: PartPlug, Count: 1}, {Kind: PartBreaker, Count: 1}},
	"feed-weak":      {{Kind: PartPlug, Count: 1}, {Kind: PartLug, Count: 2}},
	"wake-missing":   {{Kind: PartPlug, Count: 1}, {Kind: PartFuse, Count: 1}},
	"link-resistive": {{Kind: PartLug, Count: 2}},
	"motor-drop":     {{Kind: PartContactor, Count: 1}},
	"motor-dead":     {{Kind: PartContactor, Count: 1}},
	"motor-stuck":    {{Kind: PartContactor, Count: 1}},
	"control-dead":   {{Kind: PartControl, Count: 1}},
	"indicator-dead": {{Kind: PartLampFuse, Count: 1}},
	"relief-off":     {{Kind: PartRelief, Count: 1}},
	"sense-fault":    {{Kind: PartSenseWire, Count: 1}},
	middleTap:        {{Kind: PartSenseWire, Count: 1}},
	"near-reversal":  {{Kind: PartBattery, Count: 1}},
	serviceDue:       {{Kind: PartOil, Count: 1}, {Kind: PartFilter, Count: 1}},
}

// shopping is what the findings of one unit need.
type shopping struct {
	batteries map[string]Part // by ID: two findings of one battery need one
	others    map[string]int
}

func (s *shopping) add(f *snapshot.Finding, snap *snapshot.Snapshot) {
	for _, p := range needs[f.Name] {
		switch {
		case f.Name == serviceDue && f.Subject != "" && f.Subject != p.Kind: // of the filter alone, or the oil
		case p.Kind == PartBattery:
			p.Chemistry, p.RatedAh, p.RatedCCA = labelOf(snap, f.Subject)
			if s.batteries == nil {
				s.batteries = map[string]Part{}
			}
			s.batteries[f.Subject] = p
		case s.others == nil:
			s.others = map[string]int{p.Kind: p.Count}
		case p.Kind == PartLug: // each joint needs its own
			s.others[p.Kind] += p.Count
		default: // there is one of it on a unit
			s.others[p.Kind] = max(s.others[p.Kind], p.Count)
		}
	}
}

func (s *shopping) list() []Part {
	var all []Part
	for _, p := range s.batteries {
		all = append(all, p)
	}
	for kind, n := range s.others {
		all = append(all, Part{Kind: kind, Count: n})
	}
	return Sum(all)
}

// labelOf returns what a battery's label says, nothing where the unit has none of that ID.
func labelOf(s *snapshot.Snapshot, id string) (chemistry string, ah, cca float64) {
	if s == nil {
		return "", 0, 0
	}
	i := s.Index(id)
	if i < 0 {
		return "", 0, 0
	}
	b := &s.Batteries[i]
	return b.Chemistry, plain(b.RatedAh), plain(b.RatedCCA)
}

func plain(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
		return 0
	}
	return v
}

// Sum adds up parts and puts them in order.
func Sum(parts []Part) []Part {
	counts := map[string]Part{}
	for _, p := range parts {
		k := p.Key()
		have, ok := counts[k]
		if !ok {
			have = p
			have.Count = 0
		}
		have.Count += p.Count
		counts[k] = have
	}
	out := make([]Part, 0, len(counts))
	for _, p := range counts {
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b Part) int {
		return cmp.Or(cmp.Compare(kindPlace(a.Kind), kindPlace(b.Kind)), cmp.Compare(a.Kind, b.Kind),
			cmp.Compare(a.Chemistry, b.Chemistry), cmp.Compare(a.RatedAh, b.RatedAh), cmp.Compare(a.RatedCCA, b.RatedCCA))
	})
	return out
}

func kindPlace(kind string) int {
	if i := slices.Index(PartKinds, kind); i >= 0 {
		return i
	}
	return len(PartKinds)
}

// Key names a part without its count, to add it up in a database. [ParsePart] reads it.
func (p Part) Key() string {
	if p.Kind != PartBattery {
		return p.Kind
	}
	return fmt.Sprintf("%s/%s/%s/%s", p.Kind, strings.ReplaceAll(p.Chemistry, "/", "-"), number(p.RatedAh), number(p.RatedCCA))
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// ParsePart returns the part that a key names.
func ParsePart(key string, count int) (Part, error) {
	f := strings.Split(key, "/")
	p := Part{Kind: f[0], Count: count}
	if len(f) == 1 && f[0] != "" && f[0] != PartBattery {
		return p, nil
	}
	if len(f) != 4 || f[0] != PartBattery {
		return Part{}, fmt.Errorf("part %.60q: want KIND or battery/CHEMISTRY/AH/CCA", key)
	}
	var err1, err2 error
	p.Chemistry = f[1]
	p.RatedAh, err1 = strconv.ParseFloat(f[2], 64)
	p.RatedCCA, err2 = strconv.ParseFloat(f[3], 64)
	if err := cmp.Or(err1, err2); err != nil {
		return Part{}, fmt.Errorf("part %.60q: %w", key, err)
	}
	return p, nil
}

// channels are the names that the rules give to what a sense fault is about, where it spoils a
// battery's figures: its temperature does not.
var channels = []*regexp.Regexp{
	regexp.MustCompile(`^battery (\S+) (?:voltage|negative|current)$`),
	regexp.MustCompile(`^(?:positive|negative) post (\S+)$`),
}

func batteryOfChannel(subject string) string {
	for _, r := range channels {
		if m := r.FindStringSubmatch(subject); m != nil {
			return m[1]
		}
	}
	return ""
}
