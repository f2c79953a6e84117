package playback

import (
	"liftbank/rules/finding"
)

// Episode is a finding from when it was raised until it cleared.
type Episode struct {
	Finding  string         `json:"finding"`
	Subject  string         `json:"subject"` // battery, channel or link; empty for the unit
	Severity string         `json:"severity"`
	RaisedS  float64        `json:"raised_s"`
	ClearedS *float64       `json:"cleared_s"` // null while it stands
	Cause    string         `json:"cause"`     // the most likely one
	Under    string         `json:"under"`     // the finding that explains it; empty for a root
	Evidence []EpisodeValue `json:"evidence"`  // as it was raised
}

// EpisodeValue is a figure that a finding rests on. Value is a number, or words in its place.
type EpisodeValue struct {
	Name  string  `json:"name"`
	Value any     `json:"value"`
	Unit  string  `json:"unit"`
	AtS   float64 `json:"at_s"`
}

// Episodes follows what happens to findings. Its zero value is ready.
type Episodes struct {
	All  []Episode // in the order in which they were raised
	open map[[2]string]int
}

// Take takes changes in the order of time.
func (e *Episodes) Take(changes []Change) {
	if e.open == nil {
		e.open = map[[2]string]int{}
	}
	for i := range changes {
		c := &changes[i]
		key := [2]string{c.Finding, c.Subject}
		k, open := e.open[key]
		switch {
		case c.Change == finding.Raised.String() && !open:
			e.open[key] = len(e.All)
			e.All = append(e.All, episodeOf(c))
		case c.Change == finding.Cleared.String() && open:
			e.All[k].ClearedS = &c.TimeS
			delete(e.open, key)
		}
	}
}

func episodeOf(c *Change) Episode {
	e := Episode{
		Finding: c.Finding, Subject: c.Subject, Severity: c.Severity, RaisedS: c.TimeS, Under: c.CausedBy,
		Evidence: []EpisodeValue{},
	}
	if len(c.Causes) > 0 {
		e.Cause = c.Causes[0].Cause
	}
	for _, x := range c.Evidence {
		v := EpisodeValue{Name: x.What, Value: x.Text, Unit: x.Unit, AtS: x.TimeS}
		if x.Value != nil {
			v.Value = *x.Value
		}
		e.Evidence = append(e.Evidence, v)
	}
	return e
}

// List returns the episodes, never nil.
func (e *Episodes) List() []Episode {
	if e.All == nil {
		return []Episode{}
	}
	return e.All
}
