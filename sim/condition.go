package sim

import (
	"slices"
	"time"

	"liftbank/sim/scenario"
)

// verdict is what a definition says at an instant.
type verdict uint8

const (
	no verdict = iota
	yes
	unknown // nothing at this instant bears on it: it stays as it was
	either  // too near its limit for sensors of the usual class: it stays as it was, and nobody is to be blamed
)

func yesIf(b bool) verdict {
	if b {
		return yes
	}
	return no
}

// definition says what must be physically so for a finding to be true.
type definition struct {
	finding  string
	what     string // the definition
	why      string // its reason
	prompt   bool   // judged at each tick of a run and at each event, else once a minute
	follows  []string
	subjects func(*Unit) []string // nil: the unit, with an empty name
	judge    func(u *Unit, subject int) verdict
}

// slot is one definition for one subject.
type slot struct {
	Condition
	def     *definition
	subject int
	until   time.Duration // when it last stopped being so
	doubt   bool          // too near its limit
}

func slotsOf(u *Unit) []slot {
	var slots []slot
	for i := range definitions {
		d := &definitions[i]
		names := []string{""}
		if d.subjects != nil {
			names = d.subjects(u)
		}
		for k, name := range names {
			slots = append(slots, slot{Condition: Condition{Finding: d.finding, Subject: name, First: -1}, def: d,
				subject: k, until: -1})
		}
	}
	return slots
}

// judge brings the conditions up to date: the prompt ones, and if all is set the others too. A new
// minute is one.
func (s *story) judge(u *Unit, all, minute bool) {
	if minute {
		s.remember(u)
	}
	if u.worked() {
		return // what is not the unit's own doing is nobody's finding
	}
	for i := range s.slots {
		if x := &s.slots[i]; all || x.def.prompt {
			if x.take(x.def.judge(u, x.subject), u.tickAt) {
				s.turns++
			}
		}
	}
	if !all {
		return
	}
	for i := range s.slots {
		if x := &s.slots[i]; x.Active {
			x.Cause = !s.explained(u, x.def)
		}
	}
}

// worked reports whether somebody works on the unit and has told its monitor.
func (u *Unit) worked() bool {
	return slices.ContainsFunc(u.sc.Work, func(w scenario.Stretch) bool { return u.tickAt >= w.At && u.tickAt < w.At+w.For })
}

// take takes a verdict of the instant at, and reports whether the condition began or ended by it.
func (s *slot) take(v verdict, at time.Duration) (turned bool) {
	s.doubt = v == either || v == unknown && s.doubt
	if v == unknown || v == either || (v == yes) == s.Active {
		return false
	}
	s.Active, s.Since = v == yes, at
	if !s.Active {
		s.until = at
	} else if s.First < 0 {
		s.First = at
	}
	return true
}

// lately is how long a cause explains what it brought about after it has ended: a bank that lived
// without its feed for days is not full again sooner.
const lately = 7 * 24 * time.Hour

// explained reports whether something else that is or lately was so brings this about.
func (s *story) explained(u *Unit, d *definition) bool {
	if d.finding != "parallel-wired" && u.sc.Bank.Blocks() < u.sc.Bank.BuiltFor() {
		return true
	}
	for _, name := range d.follows {
		for i := range s.slots {
			x := &s.slots[i]
			if x.Finding == name && (x.Active || (x.until >= 0 && u.tickAt-x.until < lately)) {
				return true
			}
		}
		if faulty(u, name) {
			return true
		}
	}
	return false
}

// faulty reports whether an active fault is the root cause of a finding, even of one that is not so
// yet.
func faulty(u *Unit, finding string) bool {
	found := false
	u.faults.each(func(f *scenario.Fault) {
		if f.Kind == "self-discharge" && f.Amp < leakA {
			return // as healthy batteries differ
		}
		for _, name := range scenario.RootFindings(f.Kind) {
			found = found || name == finding
		}
	})
	return found
}

// Subjects.

func batteryNames(u *Unit) []string {
	var names []string
	for k := range u.sc.Bank.Batteries {
		names = append(names, u.sc.Bank.Batteries[k].ID)
	}
	return names
}

// jointNames names the links and posts in the order that jointOhm knows them by.
func jointNames(u *Unit) []string {
	ids := batteryNames(u)
	if inStrings(u) {
		return stringJoints(ids)
	}
	var names []string
	for k, id := range ids {
		names = append(names, "positive-post-"+id, "negative-post-"+id)
		if k+1 < len(ids) {
			names = append(names, "positive-link-"+id+ids[k+1], "negative-link-"+id+ids[k+1])
		}
	}
	return names
}

// sensorFaultNames names what each sensor fault of the scenario concerns: a channel, a chip or the
// bus.
func sensorFaultNames(u *Unit) []string {
	var names []string
	for i := range u.sc.Sensors.Faults {
		names = append(names, sensorSubject(&u.sc.Sensors.Faults[i]))
	}
	for _, i := range pastSensors(u) {
		names = append(names, "current-"+u.sc.Faults[i].Battery)
	}
	return names
}

// pastSensors returns the faults that charge a battery past its current sensor.
func pastSensors(u *Unit) (at []int) {
	for i := range u.sc.Faults {
		if u.sc.Faults[i].Kind == "posts-charged" {
			at = append(at, i)
		}
	}
	return at
}

func sensorSubject(f *scenario.SensorFault) string {
	switch f.Kind {
	case "chip-silent", "chip-slow":
		return "chip-" + string(rune('0'+f.Chip))
	case "bus-stuck":
		return "bus"
	case "channels-swapped":
		return f.Channel + "/" + f.With
	}
	return f.Channel
}
