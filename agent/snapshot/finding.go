package snapshot

// Active tells whether the condition of a finding holds now, seen by its State: the alarm states of ISA-18.2 / IEC 62682
// called normal or returned to normal are those in which it doesn't. One that is shelved or out of service does not count: nobody is
// to be called for it, whether it holds (Finding.Holds) or not.
func (f Finding) Active() bool { return f.State == "unacknowledged" || f.State == "acknowledged" }
