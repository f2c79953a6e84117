package snapshot

// Alarming reports whether the condition holds and is neither shelved nor out of service: the alarm
// states of ISA-18.2 / IEC 62682 for which somebody is to be called. Finding.Active says that it
// holds.
func (f *Finding) Alarming() bool { return f.State == "unacknowledged" || f.State == "acknowledged" }

// Index returns the index of the battery with this ID, or -1.
func (s *Snapshot) Index(battery string) int {
	for i := range s.Batteries {
		if s.Batteries[i].ID == battery {
			return i
		}
	}
	return -1
}

// Blocks returns how many 12 V batteries there are from the bank's minus to its plus.
func (s *Snapshot) Blocks() int {
	if s.Bank.Layout == "" || s.Bank.Layout == "parallel" {
		return 1
	}
	return 2
}
