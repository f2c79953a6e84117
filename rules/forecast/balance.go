package forecast

import (
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Constants of the balance. Where no source is named, the figure is our choice.
const (
	balanceDays   = 14             // kept: two weeks of work
	week          = 7              // duty repeats by the week: from seven days on whole weeks are taken
	leastDays     = 3              // before anything is said
	dayLength     = 24 * time.Hour // blocks of the unit's own time, not of the calendar
	balanceGap    = 20 * time.Minute
	mostLostHours = 6.0  // of a day without readings, for it to count
	zeroClassA    = 0.05 // what is left of the zeros of a bank's current sensors once learnt
	storedSigma   = 0.03 // of what is stored, by what charge efficiency leaves open
	leastFeedH    = 0.5  // of the days together, for a rate of charge to be said
	mostDaysAhead = 366.0
)

// Day is what one day moved. Charges are in Ah and positive.
type Day struct {
	MotorAh, DrainAh float64 // drawn by motor runs, and by all else
	StoredAh         float64 // charged, less what gassing and the charge efficiency take
	FeedHours        float64 // with a feed present
	LostHours        float64 // without readings
}

func (d *Day) netAh() float64 { return d.StoredAh - d.MotorAh - d.DrainAh }

// BalanceReading is one scan as the balance needs it.
type BalanceReading struct {
	At       time.Duration // monotonic; never goes back
	VoltageV float64       // of the bank
	CurrentA float64       // into the bank, its sensors' zeros taken off
	TempC    float64       // 25 when not known
	OK       bool          // voltage and current can be used
	Running  bool          // the motor runs
	Feeding  bool          // a feed is present
}

// Balance adds up by the day what the duty takes from the bank and what the feed brings. It belongs to one goroutine.
type Balance struct {
	chem    leadacid.Chemistry
	ratedAh float64 // of the bank
	state   BalanceState
}

// BalanceState is what a Balance has added up, for saving.
type BalanceState struct {
	Days  [balanceDays]Day // oldest first; the last Count of them are filled
	Count int
	Today Day
	From  time.Duration // today's beginning
	Last  BalanceReading
	Begun bool
}

// NewBalance gives one that has seen nothing, of a bank of ratedAh (20 h, > 0).
func NewBalance(c leadacid.Chemistry, ratedAh float64) *Balance {
	return &Balance{chem: c, ratedAh: ratedAh}
}

// Step takes one scan in.
func (b *Balance) Step(r *BalanceReading) {
	s := &b.state
	if !s.Begun {
		s.Begun, s.From, s.Last = true, r.At, *r
		return
	}
	at := s.Last.At
	if r.At < at {
		return
	}
	usable := r.OK && s.Last.OK && r.At-at <= balanceGap
	for end := s.From + dayLength; r.At >= end; end = s.From + dayLength {
		if !usable {
			s.Today.LostHours += (end - at).Hours()
			at = end
		}
		b.endDay(r.At)
		at = max(at, s.From)
	}
	if usable {
		b.move(r, (r.At - s.Last.At).Hours())
	} else {
		s.Today.LostHours += (r.At - at).Hours()
	}
	s.Last = *r
}

// endDay puts today away. Of a gap of weeks only the last days are gone through.
func (b *Balance) endDay(now time.Duration) {
	s := &b.state
	copy(s.Days[:], s.Days[1:])
	s.Days[balanceDays-1], s.Today = s.Today, Day{}
	s.Count = min(s.Count+1, balanceDays)
	s.From += dayLength
	if skip := (now - s.From) / dayLength; skip > balanceDays {
		s.From += (skip - balanceDays) * dayLength
	}
}

func (b *Balance) move(r *BalanceReading, hours float64) {
	d := &b.state.Today
	if r.Feeding {
		d.FeedHours += hours
	}
	ah := (r.CurrentA + b.state.Last.CurrentA) / 2 * hours
	switch {
	case ah > 0:
		lost := leadacid.GassingA(b.chem, b.ratedAh, r.VoltageV, r.TempC)*gasShare*hours + ah*(1-leadacid.ChargeEfficiency(b.chem))
		d.StoredAh += max(ah-lost, 0)
	case r.Running || b.state.Last.Running:
		d.MotorAh -= ah
	default:
		d.DrainAh -= ah
	}
}

// BalanceKnown is the bank's charge now and the one that it must not fall under, in Ah.
type BalanceKnown struct {
	ChargeAh, ChargeSigma float64
	OK                    bool
	ThresholdAh           float64
}

// BalanceAnswer is what the days say of those ahead.
type BalanceAnswer struct {
	NetAh      Answer // a day; negative: the bank loses charge on this duty
	Days       Answer // until the bank is under the threshold; unknown while it holds
	ExtraHours Answer // of feed a day, besides those it has, that would hold it; unknown while it holds
	DaysSeen   int    // that the figures rest on
}

// What the balance may wait for.
const (
	waitsForDays = "three days with readings"
	holds        = "nothing: the bank holds its charge on this duty"
	waitsForRate = "half an hour of feed, to tell how fast it charges"
)

// surely is how many standard uncertainties the balance must be below nothing to be called negative.
const surely = 2.0

// Outlook says whether the bank loses charge on its duty, when it is under a threshold, and what would hold it.
func (b *Balance) Outlook(known BalanceKnown) (a BalanceAnswer) {
	net, sigma, perHour, n := b.sums()
	a.DaysSeen = n
	if n < leastDays {
		a.NetAh.WaitsFor, a.Days.WaitsFor, a.ExtraHours.WaitsFor = waitsForDays, waitsForDays, waitsForDays
		return a
	}
	a.NetAh = Answer{Value: net, Sigma: sigma, Known: true}
	if net > -surely*sigma {
		a.Days.WaitsFor, a.ExtraHours.WaitsFor = holds, holds
		return a
	}
	if !known.OK {
		a.Days.WaitsFor = waitsForCharge
	} else {
		days := max(known.ChargeAh-known.ThresholdAh, 0) / -net
		a.Days = Answer{Value: min(days, mostDaysAhead), Sigma: math.Hypot(known.ChargeSigma/net, days*sigma/net), Known: true}
	}
	if perHour <= 0 {
		a.ExtraHours.WaitsFor = waitsForRate
		return a
	}
	a.ExtraHours = Answer{Value: -net / perHour, Sigma: math.Hypot(sigma/perHour, 0.1*net/perHour), Known: true}
	return a
}

// sums gives the mean net charge of a day with its standard uncertainty, and what an hour of feed stores.
func (b *Balance) sums() (net, sigma, perHour float64, n int) {
	s := &b.state
	take := s.Count
	if take >= week {
		take -= take % week
	}
	var sum, squares, moved, stored, hours float64
	for i := balanceDays - take; i < balanceDays; i++ {
		d := &s.Days[i]
		if d.LostHours > mostLostHours {
			continue
		}
		x := d.netAh()
		n, sum, squares = n+1, sum+x, squares+x*x
		moved += d.MotorAh + d.DrainAh + d.StoredAh
		stored, hours = stored+d.StoredAh, hours+d.FeedHours
	}
	if n == 0 {
		return 0, 0, 0, 0
	}
	k := float64(n)
	net = sum / k
	variance := max(squares/k-net*net, 0) / max(k-1, 1)
	sigma = math.Sqrt(variance + sq(zeroClassA*dayLength.Hours()) + sq(gainSigma*moved/k/math.Sqrt2) + sq(storedSigma*stored/k))
	if hours >= leastFeedH {
		perHour = stored / hours
	}
	return net, sigma, perHour, n
}

// State gives what was added up, for saving.
func (b *Balance) State() BalanceState { return b.state }

// Restore takes the place of everything added up. A state that can't be is refused, and nothing changes.
func (b *Balance) Restore(s BalanceState) error {
	var errs []error
	in := func(what string, got, least, most float64) {
		if !(got >= least && got <= most) {
			errs = append(errs, fmt.Errorf("balance: %s: %g: want %g to %g", what, got, least, most))
		}
	}
	in("days", float64(s.Count), 0, balanceDays)
	in("today's length in h", (s.Last.At - s.From).Hours(), 0, dayLength.Hours())
	for _, x := range []float64{s.Last.VoltageV, s.Last.CurrentA, s.Last.TempC} {
		in("last reading", x, -1e5, 1e5)
	}
	for _, d := range append(s.Days[:], s.Today) {
		for _, ah := range []float64{d.MotorAh, d.DrainAh, d.StoredAh} {
			in("charge of a day", ah, 0, 1e5)
		}
		in("feed hours", d.FeedHours, 0, 24.1)
		in("lost hours", d.LostHours, 0, 48)
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	b.state = s
	return nil
}
