package view

import "liftbank/rules/unit"

// Need is something that must be so before a finding can be judged. What is lacking of all of them
// is worked out once a scan.
type Need uint16

// Needs, in the order in which the reasons are given.
const (
	Parallel     Need = 1 << iota // wired as it is configured: not in series by mistake, nor in parallel, nor taps swapped
	OneBattery                    // a battery whose voltage and current are both read
	CommandWired                  // the motor contactor's coil
	CommandRead                   // and it can be read
	WakeWired                     // the wake line
	WakeRead                      // and it can be read
	OnePost                       // the voltage of a battery
	Currents                      // of all batteries, now
	needs        = iota
)

// NotParallel says why nothing that needs a parallel bank is judged.
var NotParallel = unit.Says("why.in-series", "the batteries are wired in series")

// InParallel and TapsSwapped say why nothing that needs a bank in series is judged.
var (
	InParallel  = unit.Says("why.in-parallel", "the batteries are wired in parallel, not as configured")
	TapsSwapped = unit.Says("why.taps-swapped", "voltage taps are on each other's posts")
)

// CurrentUnread says that a battery's current is missing.
var CurrentUnread = unit.Says("why.current-unread", "a battery current can't be read")

// NoPost says that no battery's voltage is there.
var NoPost = unit.Says("why.no-post", "no battery voltage can be read")

// reasons are given by the place of a need's bit.
var reasons = [needs]*unit.Text{
	NotParallel,
	unit.Says("why.bank-unread", "there is no battery whose voltage and current can both be read"),
	unit.Says("why.command-not-wired", "the contactor coil is not wired to the monitor"),
	unit.Says("why.command-unread", "the contactor coil can't be read"),
	unit.Says("why.wake-not-wired", "the wake line is not wired to the monitor"),
	unit.Says("why.wake-unread", "the wake line can't be read"),
	NoPost,
	CurrentUnread,
}

// Look works out what is lacking in this scan. The engine calls it once the wiring has been judged.
func (f *Frame) Look() {
	var l Need
	if f.WrongWired() {
		l |= Parallel
	}
	l |= OneBattery | OnePost
	for i := range f.Spec {
		b := &f.Read.Battery[i]
		if b.VoltageV.OK() {
			l &^= OnePost
		}
		if b.VoltageV.OK() && b.CurrentA.OK() {
			l &^= OneBattery
		}
	}
	l |= lack(f.Read.MotorCommand, CommandWired, CommandRead) | lack(f.Read.WakeLine, WakeWired, WakeRead)
	if !f.Bank.CurrentA.OK() {
		l |= Currents
	}
	f.lacks = l
}

func lack(c unit.Contact, wired, read Need) Need {
	switch c {
	case unit.ContactNotFitted:
		return wired
	case unit.ContactUnknown:
		return read
	}
	return 0
}

// Lacks returns why what needs n can't be judged in this scan; nil when it can.
func (f *Frame) Lacks(n Need) *unit.Text {
	n &= f.lacks
	if n == 0 {
		return nil
	}
	for k := range reasons {
		if n&(1<<k) != 0 {
			if k == 0 && f.Miswired != nil {
				return f.Miswired
			}
			return reasons[k]
		}
	}
	return nil
}
