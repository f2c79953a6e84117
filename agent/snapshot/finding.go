package snapshot

// Active tells whether the condition of a finding holds now, seen by its State: the alarm states of ISA-18.2 / IEC 62682
// called normal or returned to normal are those in which it doesn't. One that is shelved or out of service does not count: nobody is
// to be called for it, whether it holds (Finding.Holds) or not.
func (f Finding) Active() bool { return f.State == "unacknowledged" || f.State == "acknowledged" }

// Index gives the place of a battery, -1 where there is none of that name.
func (s *Snapshot) Index(battery string) int {
	for i := range s.Batteries {
		if s.Batteries[i].ID == battery {
			return i
		}
	}
	return -1
}
