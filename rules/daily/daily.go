// Package daily counts from midnight to midnight: what each battery gave in motor runs, what the
// feed brought, and what the working days leave of the bank's charge.
package daily

import (
	"fmt"
	"math"
	"slices"
	"time"

	"liftbank/rules/unit"
)

// Midnights is how many midnights after working days are looked at.
const Midnights = 4 // count: midnights, that is three days between them; our choice

const (
	minDay       = 12 * time.Hour // a clock that is set must not make a day of an hour; our choice
	knownPct     = 10.0           // %: how well a midnight's charge must be known; our choice
	midnightPct  = 1.5            // %: how far the estimated charge may wander between two midnights; our choice
	standbyA     = 0.035          // A: controls asleep, on a bank of two; trade practice
	standbySigma = 0.05           // A: uncertainty of it; trade practice
	storedSigma  = 0.03           // ratio: how well the stored part of a charge is known; our choice
	minFeedH     = 0.1            // h: of feed, from which a charge rate is worked out; our choice
	minInAh      = 1.0            // Ah: charged, from which a charge rate is worked out; our choice
)

// Memory is what is counted. It is saved as it is.
type Memory struct {
	Begun      bool
	Index      int64                      // number of the day
	Since      time.Duration              // its start
	RunAs      [unit.MaxBatteries]float64 // drawn from each battery in motor runs
	NetAh      float64                    // stored less given while anything was on, by the count alone
	Incomplete bool                       // a current was not read, or not believed, on that day
	Serviced   bool                       // somebody worked on the unit: it says nothing of the duty
	Runs       uint64                     // counted at its start,
	Feed       time.Duration              // as feed time,
	Wake       time.Duration              // wake time
	ChargedAh  float64                    // and charge
	From       float64                    // the charge at its start, %,
	FromOK     bool                       // if known well enough

	// Of the last working days, newest first. Charge is without what parked days in between changed.
	Known    int
	Charge   [Midnights]float64 // %
	FeedH    [Midnights]float64
	WakeH    [Midnights]float64
	InAh     [Midnights]float64
	DayNetAh [Midnights]float64
}

// Scan is what a Book is told every few seconds.
type Scan struct {
	At        unit.Moment
	Charge    unit.Estimate // of the bank, %
	Runs      uint64
	FeedTime  time.Duration
	WakeTime  time.Duration
	ChargedAh float64
	Unread    bool // a battery's current can't be read
}

// Book counts the days of one unit. It belongs to one goroutine.
type Book struct{ Memory }

// Over is a day that has ended.
type Over struct {
	Worked     bool                       // there were motor runs
	RunAs      [unit.MaxBatteries]float64 // drawn from each battery in motor runs
	Incomplete bool
	Days       int64 // that it and the time nobody watched after it lasted
}

// Ran adds what a motor run drew from each battery, in ampere seconds; unread says that a current
// is missing.
func (b *Book) Ran(as *[unit.MaxBatteries]float64, unread bool) {
	for i, x := range as {
		b.RunAs[i] += x
	}
	b.Incomplete = b.Incomplete || unread
}

// Moved adds what was stored less what was given while anything was on, Ah.
func (b *Book) Moved(ah float64) { b.NetAh += ah }

// Service says that somebody works on the unit: the day is no working day, like a parked one.
func (b *Book) Service() { b.Serviced = true }

// Forget starts the row of days again: another battery stands in the bank.
func (b *Book) Forget() { b.Known, b.FromOK = 0, false }

// Step applies one scan and reports the day that ended with it, if one did.
func (b *Book) Step(in *Scan) (over Over, ended bool) {
	index, now := dayIndex(in.At), in.At.Mono
	b.Incomplete = b.Incomplete || in.Unread
	switch {
	case !b.Begun:
		b.begin(in, index)
		return Over{}, false
	case index == b.Index:
		return Over{}, false
	case now-b.Since < minDay:
		b.Index = index // the clock was set
		return Over{}, false
	}
	over = Over{Worked: in.Runs > b.Runs && !b.Serviced, RunAs: b.RunAs, Incomplete: b.Incomplete}
	over.Days = min(max(index-b.Index, 1), max(int64((now-b.Since)/wholeDay), 1))
	if b.Serviced { // what the batteries gave is of more than one state of the links
		over.RunAs = [unit.MaxBatteries]float64{}
	}
	return over, true
}

// Next begins the day after one that has ended; it is kept in the row of working days if there were
// motor runs.
func (b *Book) Next(in *Scan, over *Over) {
	if over.Worked {
		b.record(in)
	}
	b.begin(in, dayIndex(in.At))
}

// dayIndex numbers days: by the wall clock where that is known, else from the start.
func dayIndex(at unit.Moment) int64 {
	if !at.Wall.IsZero() && at.WallTrusted {
		return int64(math.Floor(float64(at.Wall.Unix()) / wholeDay.Seconds()))
	}
	return int64(at.Mono / wholeDay)
}

const wholeDay = 24 * time.Hour // a day; physical

func (b *Book) begin(in *Scan, index int64) {
	b.Begun, b.Index, b.Since, b.RunAs, b.Incomplete = true, index, in.At.Mono, [unit.MaxBatteries]float64{}, false
	b.NetAh, b.Serviced = 0, false
	b.Runs, b.Feed, b.Wake, b.ChargedAh = in.Runs, in.FeedTime, in.WakeTime, in.ChargedAh
	b.From, b.FromOK = in.Charge.Value, known(in.Charge)
}

func known(charge unit.Estimate) bool { return charge.Known && charge.Sigma <= knownPct }

func (b *Book) record(in *Scan) {
	if !known(in.Charge) || b.Incomplete || b.Known > 0 && !b.FromOK {
		b.Known = 0 // with a gap in the row there is no trend
		return
	}
	// What parked days change is not the duty's doing: a drain has a finding of its own, and a long
	// rest corrects the estimate.
	parked := b.From - b.Charge[0]
	for k := range b.Known {
		b.Charge[k] += parked
	}
	for _, row := range []*[Midnights]float64{&b.Charge, &b.FeedH, &b.WakeH, &b.InAh, &b.DayNetAh} {
		copy(row[1:], row[:Midnights-1])
	}
	b.Charge[0] = in.Charge.Value
	b.FeedH[0] = (in.FeedTime - b.Feed).Hours()
	b.WakeH[0] = (in.WakeTime - b.Wake).Hours()
	b.InAh[0] = in.ChargedAh - b.ChargedAh
	b.DayNetAh[0] = b.NetAh
	b.Known = min(b.Known+1, Midnights)
}

// Waits says what the balance waits for.
var Waits = unit.Says("waits.working-days", "four working days with the charge known to 10 %")

// Balance is what the duty leaves of the charge, day by day.
type Balance struct {
	AhPerDay         float64 // gained per working day; negative: lost
	Sigma            float64 // standard deviation, Ah
	ConfirmedFallPct float64 // of the charge, over all the days looked at: as much of its fall as the count confirms,
	FallSigmaPct     float64 // and how well that is known
	FallsBelowDays   float64 // working days until the bank rests below the service voltage; only with a loss
	ExtraChargeHours float64 // per working day, that would hold it; 0 when not known
	Known            bool
	Why              *unit.Text // why it is not known
}

// Bank is what the balance needs to know of the bank.
type Bank struct {
	CapacityAh float64
	LowPct     float64       // charge at which it rests at the service voltage
	Charge     unit.Estimate // %
	OwnDrawA   float64       // of the board
	ParkedA    unit.Estimate // that the bank gives with nothing on, the board included
	ZeroSigmaA []float64     // of each current sensor
}

// Balance returns the daily balance over the last working days.
func (b *Book) Balance(bank *Bank) Balance {
	if b.Known < Midnights {
		return Balance{Why: Waits}
	}
	days := float64(Midnights - 1)
	total := b.Charge[Midnights-1] - b.Charge[0]
	fall := total / days
	out := Balance{
		AhPerDay: -fall / 100 * bank.CapacityAh, Sigma: math.Sqrt2 * midnightPct / days / 100 * bank.CapacityAh, Known: true,
	}
	out.ConfirmedFallPct, out.FallSigmaPct = b.confirmedFallPct(total, bank)
	if fall <= 0 {
		return out
	}
	out.FallsBelowDays = max(b.Charge[0]-bank.LowPct, 0) / fall
	feed, in := 0.0, 0.0
	for k := range Midnights - 1 {
		feed, in = feed+b.FeedH[k], in+b.InAh[k]
	}
	if feed > minFeedH && in > minInAh {
		out.ExtraChargeHours = -out.AhPerDay / (in / feed)
	}
	return out
}

// confirmedFallPct returns how much of a fall of the charge over the working days the count
// confirms, %, and its standard deviation.
//
// The estimated charge and the count each say something of it; both together, weighted by their
// variances, bound it: in hard frost the estimate wanders over days without a charge that corrects
// it, and no ampere hour is missing. The count sees what lifts take and the feed brings, and not
// what lies on the bank all day long, which is less than a current sensor's zero error.
func (b *Book) confirmedFallPct(fallPct float64, bank *Bank) (pct, sigma float64) {
	hours, feedH, in, net := 0.0, 0.0, 0.0, 0.0
	for k := range Midnights - 1 {
		hours, feedH, in, net = hours+24, feedH+b.FeedH[k], in+b.InAh[k], net+b.DayNetAh[k]
	}
	idleA, idleSigma := standbyA+bank.OwnDrawA, standbySigma
	if p := bank.ParkedA; p.Known && p.Sigma < standbySigma {
		idleA, idleSigma = p.Value, p.Sigma
	}
	countVar := sq(idleSigma*hours) + sq(storedSigma*in)
	for _, zero := range bank.ZeroSigmaA {
		countVar += sq(zero * feedH)
	}
	countVar *= sq(100 / bank.CapacityAh)
	counted := (idleA*hours - net) / bank.CapacityAh * 100
	ownVar := max(2*sq(midnightPct), sq(bank.Charge.Sigma))
	sum := countVar + ownVar
	return min(fallPct, (fallPct*countVar+counted*ownVar)/sum), math.Sqrt(countVar * ownVar / sum)
}

// Check refuses a saved memory that can't be.
func (m *Memory) Check() error {
	var c unit.Check
	c.In("known", float64(m.Known), 0, Midnights)
	c.Sum("a day", slices.Concat(m.FeedH[:], m.WakeH[:], m.InAh[:])...)
	c.Finite("a day", slices.Concat(m.Charge[:], m.DayNetAh[:])...)
	c.Finite("moved", m.NetAh)
	c.In("charge at its start", m.From, 0, 100)
	c.Sum("drawn", m.RunAs[:]...)
	c.Sum("charged", m.ChargedAh)
	if err := c.Err(); err != nil {
		return fmt.Errorf("day: %w", err)
	}
	return nil
}

func sq(x float64) float64 { return x * x }
