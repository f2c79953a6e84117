package snapshot

import "strings"

// Active tells whether the condition of a finding holds now, seen by its State: the alarm states of ISA-18.2 / IEC 62682
// called normal or returned to normal are those in which it doesn't.
func (f Finding) Active() bool {
	return f.State != "normal" && !strings.HasPrefix(f.State, "returned")
}

// Index gives the place of a battery, -1 where there is none of that name.
func (s *Snapshot) Index(battery string) int {
	for i := range s.Batteries {
		if s.Batteries[i].ID == battery {
			return i
		}
	}
	return -1
}
