package rules

import (
	"math"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/network"
)

// balanceDays is how many midnights after working days are looked at.
const balanceDays = 4

// DayMemory is what is counted from midnight to midnight.
type DayMemory struct {
	Begun   bool
	Index   int64 // day number
	Since   time.Duration
	RunAs   [MaxBatteries]float64 // drawn in motor runs
	MovedAh float64               // stored less given while anything was on, by the count alone
	Spoiled bool                  // a current was not read, or not believed, on that day
	Runs    uint64                // counted at its start
	Feed    time.Duration         // feed and wake time, and charge, at its start
	Wake    time.Duration
	Charged float64
	SoC     [balanceDays]float64 // at midnights that followed a day with runs, newest first, less what parked days in between changed
	Known   int
	From    float64 // the charge at its start, in percent
	FromOK  bool    // that is known well enough
	Uneven  [MaxBatteries]uint8
	FeedH   [balanceDays]float64 // hours of feed and of wake line, and Ah charged, of those days
	WakeH   [balanceDays]float64
	InAh    [balanceDays]float64
	MovedOn [balanceDays]float64 // MovedAh of those days
}

// Balance is what the duty leaves of the charge, day by day.
type Balance struct {
	AhPerDay         float64 // gained a working day; negative: lost
	Sigma            float64
	BorneOutPct      float64 // of the charge, over all the days looked at: as much of its fall as the count bears out
	FallsUnderDays   float64 // working days until the bank rests under the threshold; only with a loss
	ExtraChargeHours float64 // a working day, that would hold it; 0 when not known
	Known            bool
	Why              string // why it is not known
}

// balanceSigmaPct is how far the estimator's charge may wander between two midnights.
const balanceSigmaPct = 1.5

// What the count says of a working day: it sees what lifts take and what the feed brings, and not what lies on the bank all day long, which is
// less than a current sensor's zero. standbyA, controls asleep and this board (estimate.idleA is as much of a bank of two), and its doubt are
// common practice, no source; countSigma is how well the part of a charge that is stored is known, as much as leadacid.ChargeEfficiency takes
// off: our choice.
const (
	standbyA      = 0.05
	standbySigmaA = 0.05
	countSigma    = 0.03
)

// balanceKnownPct is how well a midnight's charge must be known to belong to a trend: near the least fall looked for by default, our choice.
// Short drives in hard frost leave it worse known, and then it wanders by more than that fall.
const balanceKnownPct = 4.0

const balanceWaits = "four working days with a charge known to 4 %"

// inrushFor is how long the start of a run may hold a current sensor at the end of its range: the rush is two to four times the steady
// current for tens of milliseconds (common practice, no source).
const inrushFor = 300 * time.Millisecond

// inrush reports whether the motor has only just started.
func (e *Engine) inrush() bool {
	running, since := e.motor.Running()
	return running && e.last-since <= inrushFor
}

// shortestDay: a wall clock put right must not make a day of an hour.
const shortestDay = 12 * time.Hour

// dayIndex numbers days: by the wall where it is known, else from the start.
func (e *Engine) dayIndex() int64 {
	if w := e.out.At.Wall; !w.IsZero() && e.out.At.WallTrusted {
		return int64(math.Floor(float64(w.Unix()) / 86400))
	}
	return int64(e.last / (24 * time.Hour))
}

func (e *Engine) stepDay(use *Input) {
	d, index := &e.det.Day, e.dayIndex()
	for i := range e.cfg.Batteries {
		d.Spoiled = d.Spoiled || use.Battery[i].CurrentA.Faulty() && !e.inrush()
	}
	if !d.Begun {
		e.beginDay(index)
		e.judgeUnevenNot()
		return
	}
	if index == d.Index || e.last-d.Since < shortestDay {
		if index != d.Index && e.last-d.Since < shortestDay {
			d.Index = index // the clock was set
		}
		e.judgeUnevenNot()
		e.keepBalance(use)
		return
	}
	worked := e.motor.Runs() > d.Runs
	e.judgeUneven()
	if worked {
		e.pushDay()
		e.judgeBalance()
	}
	e.beginDay(index)
}

func (e *Engine) beginDay(index int64) {
	d := &e.det.Day
	d.Begun, d.Index, d.Since, d.RunAs, d.Spoiled = true, index, e.last, [MaxBatteries]float64{}, false
	d.MovedAh = 0
	d.Runs, d.Feed, d.Wake, d.Charged = e.motor.Runs(), e.feed.FeedTime(), e.feed.WakeTime(), e.out.Bank.ChargedAh
	d.From, d.FromOK = e.knownCharge()
}

// knownCharge gives the bank's charge; ok is false where it is not known well enough for a trend.
func (e *Engine) knownCharge() (pct float64, ok bool) {
	soc := e.out.Bank.SoCPct
	return soc.Value, soc.Known && soc.Sigma <= balanceKnownPct
}

func (e *Engine) pushDay() {
	d := &e.det.Day
	pct, ok := e.knownCharge()
	if !ok || d.Spoiled || d.Known > 0 && !d.FromOK {
		d.Known = 0 // a gap in the row says nothing of a trend
		return
	}
	// What parked days change is not the duty's doing: a drain has a finding of its own, and a long rest corrects the estimate.
	parked := d.From - d.SoC[0]
	for k := range d.Known {
		d.SoC[k] += parked
	}
	copy(d.SoC[1:], d.SoC[:balanceDays-1])
	copy(d.FeedH[1:], d.FeedH[:balanceDays-1])
	copy(d.WakeH[1:], d.WakeH[:balanceDays-1])
	copy(d.InAh[1:], d.InAh[:balanceDays-1])
	copy(d.MovedOn[1:], d.MovedOn[:balanceDays-1])
	d.SoC[0] = pct
	d.FeedH[0] = (e.feed.FeedTime() - d.Feed).Hours()
	d.WakeH[0] = (e.feed.WakeTime() - d.Wake).Hours()
	d.InAh[0] = e.out.Bank.ChargedAh - d.Charged
	d.MovedOn[0] = d.MovedAh
	d.Known = min(d.Known+1, balanceDays)
}

// balance works out the daily balance from the last working days.
func (e *Engine) balance() Balance {
	d := &e.det.Day
	if d.Known < balanceDays {
		return Balance{Why: balanceWaits}
	}
	capacity, low := 0.0, 0.0
	for i, b := range e.cfg.Batteries {
		capacity += b.RatedAh
		if c := e.out.Battery[i].CapacityAh; c.Known {
			capacity += c.Value - b.RatedAh
		}
		soc, _ := leadacid.SoCFromRestedV(b.Chemistry, e.cfg.Thresholds.BankLowV)
		low += soc / float64(len(e.cfg.Batteries))
	}
	days := float64(balanceDays - 1)
	fall := (d.SoC[balanceDays-1] - d.SoC[0]) / days
	b := Balance{AhPerDay: -fall / 100 * capacity, Sigma: math.Sqrt2 * balanceSigmaPct / days / 100 * capacity, Known: true}
	b.BorneOutPct = e.borneOutPct(d.SoC[balanceDays-1]-d.SoC[0], capacity)
	if fall <= 0 {
		return b
	}
	b.FallsUnderDays = max(d.SoC[0]-low, 0) / fall
	feed, in := 0.0, 0.0
	for k := range balanceDays - 1 {
		feed, in = feed+d.FeedH[k], in+d.InAh[k]
	}
	if feed > 0.1 && in > 1 {
		b.ExtraChargeHours = -b.AhPerDay / (in / feed)
	}
	return b
}

// borneOutPct gives how much of a fall of the charge over the working days looked at the count bears out, in percent of capacityAh.
//
// The charge as estimated and the count each say something of it; both together, by their doubts, bound it: in hard frost the estimate goes
// its way over days without a charge that it could be held to, and no ampere hour is missing.
func (e *Engine) borneOutPct(fallPct, capacityAh float64) float64 {
	hours, feedH, in, moved := 0.0, 0.0, 0.0, 0.0
	for k, d := 0, &e.det.Day; k < balanceDays-1; k++ {
		hours, feedH, in, moved = hours+24, feedH+d.FeedH[k], in+d.InAh[k], moved+d.MovedOn[k]
	}
	countVar := sq(standbySigmaA*hours) + sq(countSigma*in)
	for _, b := range e.est {
		_, zero := b.ZeroA()
		countVar += sq(zero * feedH)
	}
	countVar *= sq(100 / capacityAh)
	counted := (standbyA*hours - moved) / capacityAh * 100
	ownVar := max(2*sq(balanceSigmaPct), sq(e.out.Bank.SoCPct.Sigma))
	return min(fallPct, (fallPct*countVar+counted*ownVar)/(countVar+ownVar))
}

func (e *Engine) judgeBalance() {
	slot, t := e.slots.balance, &e.cfg.Thresholds
	rec := &e.book.Records[slot]
	e.out.Balance = e.balance()
	b, d := &e.out.Balance, &e.det.Day
	if why := e.bankUnread(); why != "" {
		e.give(slot, finding.NotJudged, why)
		return
	}
	if !b.Known {
		e.give(slot, finding.NotJudged, b.Why)
		return
	}
	o := finding.Between
	switch {
	case b.BorneOutPct >= t.BalanceFallPct+balanceSigmaPct/2 && d.SoC[0] < t.BalanceUnderPct:
		o = finding.Present
		e.showBalance(rec)
	case d.SoC[0] >= d.SoC[1] || d.SoC[0] >= 95:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

func (e *Engine) showBalance(rec *finding.Record) {
	b, d := &e.out.Balance, &e.det.Day
	on := finding.Evidence{What: "falls under the voltage for service in working days", Value: b.FallsUnderDays, Unit: "d", At: e.last}
	extra := finding.Evidence{What: "more charge wanted a working day", Text: "not known: no charge seen", At: e.last}
	weak := b.ExtraChargeHours > max(24-d.FeedH[0], 0) // what is not known is 0
	switch {
	case weak:
		extra.Text = "more hours than a day has left: the feed gives too little"
	case b.ExtraChargeHours > 0:
		extra = finding.Evidence{What: "more charge wanted a working day", Value: b.ExtraChargeHours, Unit: "h", At: e.last}
	}
	rec.Show(
		finding.Evidence{What: "lost a working day", Value: -b.AhPerDay, Unit: "Ah", At: e.last},
		finding.Evidence{What: "charge", Value: d.SoC[0], Unit: "%", At: e.last}, on, extra,
		finding.Evidence{What: "hours of feed, last working day", Value: d.FeedH[0], Unit: "h", At: e.last},
		finding.Evidence{What: "hours of wake line, last working day", Value: d.WakeH[0], Unit: "h", At: e.last})
	rec.Suspect()
	const little = 0.05
	switch {
	case d.WakeH[0] < little && d.FeedH[0] < little:
		rec.Suspect(finding.Likely{Cause: finding.BalanceNegativeWake, Reason: "lifts were made, and the wake line never came on"})
	case weak:
		rec.Suspect(finding.Likely{Cause: finding.BalanceNegativeFeed, Reason: "more hours of it are wanted than a day has left"})
	default:
		rec.Suspect(finding.Likely{Cause: finding.BalanceNegativeIdle, Reason: "the feed was there, for less time than the lifts want"})
	}
}

// keepBalance gives reasons between midnights.
func (e *Engine) keepBalance(*Input) {
	switch why := e.bankUnread(); {
	case why != "":
		e.give(e.slots.balance, finding.NotJudged, why)
	case e.det.Day.Known < balanceDays && !e.book.Records[e.slots.balance].Active():
		e.give(e.slots.balance, finding.NotJudged, balanceWaits)
	default:
		e.give(e.slots.balance, finding.Between, "")
	}
}

// unevenLeastAh is what a day's runs must have drawn before it says who gives more.
const unevenLeastAh = 1.0

// unevenDays is on how many such days in a row: batteries that were put in with unlike charges share unevenly on their first day, until charge
// has levelled them.
const unevenDays = 2

// judgeUneven looks at the day's motor runs.
func (e *Engine) judgeUneven() {
	n := len(e.cfg.Batteries)
	if n < 2 {
		return
	}
	t, d := &e.cfg.Thresholds, &e.det.Day
	sum := 0.0
	for _, as := range d.RunAs[:n] {
		sum += as
	}
	spoiled := d.Spoiled || !e.out.Bank.CurrentA.OK()
	for i := range n {
		slot := e.slots.uneven[i]
		ratio := d.RunAs[i] * float64(n) / max(sum, 1e-9)
		o := finding.Between
		switch {
		case e.wiringUnread() != "":
			e.give(slot, finding.NotJudged, e.wiringUnread())
			continue
		case spoiled:
			e.give(slot, finding.NotJudged, "a battery current could not be read in the day's runs")
			continue
		case sum < unevenLeastAh*3600:
		case ratio >= t.ShareRatio:
			d.Uneven[i] = min(d.Uneven[i]+1, unevenDays)
			if d.Uneven[i] == unevenDays {
				o = finding.Present
				e.showUneven(i, ratio, sum/3600)
			}
		default:
			d.Uneven[i] = 0
			if ratio < t.ShareClearRatio {
				o = finding.Absent
			}
		}
		e.give(slot, o, "")
	}
}

func (e *Engine) showUneven(i int, ratio, sumAh float64) {
	rec := &e.book.Records[e.slots.uneven[i]]
	b := &e.out.Battery[i]
	rec.Show(
		finding.Evidence{What: "of an even share in a day's runs", Value: ratio, At: e.last},
		finding.Evidence{What: "drawn in that day's runs", Value: sumAh, Unit: "Ah", At: e.last},
		finding.Evidence{What: "share of all discharge", Value: b.DrawSharePct.Value, Unit: "%", At: e.last},
		finding.Evidence{What: "share of all charge", Value: b.ChargeSharePct.Value, Unit: "%", At: e.last},
		finding.Evidence{What: "load leads", Text: e.out.Bank.LoadLeads.Arrangement.String(), At: e.last})
	rec.Suspect()
	switch {
	case e.anyActive(e.slots.link) || e.anyActive(e.slots.post):
		rec.Suspect(finding.Likely{Cause: finding.ShareUnevenLink, Reason: "a link or joint is over its limit"})
	case e.out.Bank.LoadLeads.Arrangement == network.SamePost && e.out.Bank.LoadLeads.Positive == i:
		rec.Suspect(finding.Likely{Cause: finding.ShareUnevenLeads, Reason: "both load leads sit on this battery"})
	case e.weaker(i):
		rec.Suspect(finding.Likely{Cause: finding.ShareUnevenBattery, Reason: "another battery's resistance is over a tenth higher"})
	}
}

// weaker reports whether another battery has clearly more resistance than battery i.
func (e *Engine) weaker(i int) bool {
	own := e.out.Battery[i].Resistance
	for k := range e.out.Battery {
		if r := e.out.Battery[k].Resistance; k != i && own.Known && r.Known && r.Value > 1.1*own.Value {
			return true
		}
	}
	return false
}

func (e *Engine) anyActive(slots []int) bool {
	for _, s := range slots {
		if e.book.Records[s].Active() {
			return true
		}
	}
	return false
}

// judgeUnevenNot says between midnights why it can't be judged.
func (e *Engine) judgeUnevenNot() {
	why := e.wiringUnread()
	if why == "" {
		for i := range e.out.Battery {
			if e.out.Battery[i].In.CurrentA.Faulty() {
				why = "a battery current can't be read"
			}
		}
	}
	for _, slot := range e.slots.uneven {
		if why != "" {
			e.give(slot, finding.NotJudged, why)
		} else {
			e.give(slot, finding.Between, "")
		}
	}
}
