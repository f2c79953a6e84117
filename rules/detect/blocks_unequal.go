package detect

import (
	"errors"
	"math"
	"time"

	"liftbank/rules/blocks"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BlocksUnequal is a battery of a string that falls behind the other: with less capacity or charge, or more
// resistance.
var BlocksUnequal = Finding[unequalLimits, unequalMemory]{
	Definition: finding.Definition{
		Name:     "blocks-unequal",
		Severity: finding.Repair,
		About:    finding.Battery,
		Title:    "{subject} is behind its partner",
		Summary: "{subject} falls behind the other battery of its string. A meter across 24 V does not show it: one is " +
			"undercharged or empty first, the other overcharged.",
		Detected: "From the difference between the two batteries at rest and in motor runs, over days: a difference that " +
			"grows with the charge drawn is capacity, one that grows with time is a leak or a load, one that grows with the " +
			"current is resistance, one that never changes is the taps. Raised at 12 % of the capacity, 1 % a day or 2 mΩ, each " +
			"clear of its uncertainty (a full battery with 0.025 of specific gravity between two cells, some 15 % of charge, is " +
			"unserviceable: TM 9-6140-200-14; a cell with 0.010 less than full, some 6 %, wants an equalizing charge: US Bureau of " +
			"Reclamation, FIST 3-6). Taps that were not compared hide a difference that does not change.",
		Causes: []*unit.Text{
			unequalCapacity,
			unequalSelf,
			unequalLoad,
			unequalJoint,
			unequalWorn,
			unequalCharge,
		},
		NextCheck: []string{
			"Measure each battery at its own posts and both together: with the feed on and the bank nearly full, and again after an " +
				"hour with it off. The two must add up. The one that is behind stays lower: on the feed often by more than 1 V, at " +
				"rest by little. If they are alike within 0.3 V on the feed and 0.05 V at rest, calibrate the taps.",
			"Look for anything connected to the middle, the cable between the two batteries: a radio, lamps, a 12 V charger, " +
				"a tracker. Clamp a DC meter on each wire there. Move that load to a 24 to 12 V converter.",
			"Have a second person run the lift, nobody on, under or beside the platform. Measure from post to post along the cable in " +
				"the middle: over 0.1 V at the motor's current, clean and tighten both joints.",
			"Lock out, feed off, disconnect open, grounded lead off first. Part the link in the middle before you put a 12 V " +
				"charger on one battery: with the link on, its clamps may short the other.",
			"Charge each battery alone with a 12 V charger for its chemistry until its current no longer falls. Flooded: check the " +
				"level first.",
			"Let both rest, still parted, a day for the voltage to settle and three more. The one that falls in these by 0.1 V more " +
				"than the other leaks: replace it.",
			"Load-test each alone. Below 80 %: replace it, with one of the same type, rating and age as the other, or both.",
		},
		Clears: "Capacity, daily loss and resistance are back below half of their limits by their uncertainty; or a new battery. Opened " +
			"joints begin the comparison again.",
		Steady: "Needs three rests of 2 h and a day, and a week for less than 6 % a day, which is not told where a balancer makes up for it; rests " +
			"begin 6 h after a charge, or after a time in which the unit was off and may have been charged; clears below half of each limit.",
		RaisedWithin: "a week, of 0.5 A drawn from one battery; of a fifth less capacity: three weeks of work, or once half of the bank was " +
			"drawn; 20 motor runs, of a bad joint",
		ExplainedBy: []string{"parallel-wired", "series-wired", "link-resistive"},
		Episode:     sameEpisode,
		Optional:    true,
	},
	Limits: func(l *unequalLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.Pct, Default: 12, Min: 5, Max: 50, Unit: "%", About: limit.About{
				Path: "findings.unequal_pct", Origin: limit.Published,
				Doc: "blocks-unequal: of the capacity, that one battery of a string has less, or is behind in charge. Between 0.010 " +
					"of specific gravity below full, 6 %, where a cell is equalized (US Bureau of Reclamation, storage battery " +
					"maintenance, FIST 3-6), and 0.025 between cells, 15 %, where a battery is unserviceable (TM 9-6140-200-14); " +
					"0.0016 a percent",
			}},
			limit.Number{To: &l.DayPct, Default: 1, Min: 0.3, Max: 20, Unit: "%", About: limit.About{
				Path: "findings.unequal_day_pct", Origin: limit.Published,
				Doc: "blocks-unequal: of the capacity a day, that one battery of a string loses more than the other. Batteries that " +
					"leak as batteries do lose up to 40 % a month, old and hot (published range: 2 to 40 %), and both alike; " +
					"0.001 of specific gravity a day, 0.6 %, when new (TM 5-1185)",
			}},
			limit.Number{To: &l.Mohm, Default: 2, Min: 0.5, Max: 20, Unit: "mΩ", About: limit.About{
				Path: "findings.unequal_mohm", Origin: limit.Practice,
				Doc: "blocks-unequal: resistance that one battery of a string has more than the other, the joint below it included " +
					"where it is not measured. Two joints of 0.1 V at 120 A, 1.7 mΩ (drop-testing practice), and what two good " +
					"batteries differ by",
			}},
		}
	},
	Of:     []view.Kind{view.OfBattery},
	On:     func(f *view.Frame, _ *unequalLimits) bool { return f.Layout.Blocks() > 1 },
	Pace:   Slow,
	Needs:  view.Parallel,
	Lapse:  (*unequalMemory).interrupt,
	Gap:    (*unequalMemory).interrupt,
	Ends:   []Work{NewBattery},
	Renews: []Work{Joints, OtherTap},
	Sane: func(m *unequalMemory) error {
		return errors.Join(m.Learned.Check(), m.Mean.check(), m.Before.check(), m.Run.check(), within("rests", float64(m.Rests), 0, unequalRests),
			within("part left of a charge", m.Fresh, 0, 1))
	},
	Judge: judgeUnequal,
}

// unequalLimits are shares of the capacity in percent, a day's too, and a resistance.
type unequalLimits struct{ Pct, DayPct, Mohm float64 }

// unequalMemory is what blocks-unequal remembers of a battery against the other of its string.
type unequalMemory struct {
	Learned blocks.State
	Mean    unequalMean // of the rest under way
	Next    time.Duration
	Quiet   time.Duration // when that rest began
	FedAt   time.Duration // when a charge last flowed
	Fresh   float64       // part of what it left that is still there
	FreshAt time.Duration // as of when
	Begun   bool          // this rest has not been looked at yet
	Rests   uint8         // rests that were looked at, three at the most
	From    time.Duration // of the first of them
	Seen    time.Duration // the last look
	Before  unequalMean   // a run: the last minute
	Run     unequalMean   // the run under way, or just over
}

func (m *unequalMemory) interrupt() {
	m.Mean, m.Before, m.Run = unequalMean{}, unequalMean{}, unequalMean{}
}

// unequalMean is a mean over some time.
type unequalMean struct {
	At      time.Duration
	Seconds float64
	DiffVs  float64
	AmpS    float64
}

func (m *unequalMean) add(now time.Duration, diffV, amps float64) {
	if m.At == 0 {
		m.At, m.Seconds = now, tiny
		return
	}
	s := (now - m.At).Seconds()
	m.At = now
	m.Seconds, m.DiffVs, m.AmpS = m.Seconds+s, m.DiffVs+diffV*s, m.AmpS+amps*s
}

// fade is add, but what is older than a minute counts for less and less.
func (m *unequalMean) fade(now time.Duration, diffV, amps float64) {
	if m.Seconds > unequalBefore.Seconds() {
		part := unequalBefore.Seconds() / m.Seconds
		m.Seconds, m.DiffVs, m.AmpS = m.Seconds*part, m.DiffVs*part, m.AmpS*part
	}
	m.add(now, diffV, amps)
}

func (m *unequalMean) check() error {
	return errors.Join(within("seconds", m.Seconds, 0, 1e9), within("difference", m.DiffVs, -1e11, 1e11),
		within("current", m.AmpS, -1e13, 1e13))
}

const (
	unequalAfter   = 2 * time.Hour    // without motor and feed, before a rest is looked at; our choice
	unequalEvery   = 2 * time.Hour    // between two looks in one rest; our choice
	unequalMeans   = 10 * time.Minute // over which a rest is averaged; our choice
	unequalRests   = 3                // count: rests before anything is said; our choice
	unequalWatched = day              // from the first of them; our choice
	unequalRunMin  = time.Second      // of a run past its inrush, before it is looked at; our choice
	unequalBefore  = time.Minute      // before a run, of what it is compared with; our choice
	unequalFaded   = 6 * time.Hour    // after a charge, before what it leaves fades evenly; our choice
	unequalHeld    = 0.1              // ratio: of what a charger held them apart by, that may still be there before a run; our choice
	unequalFedA    = 1.0              // A: of a charge; our choice
	unequalMinA    = 20.0             // A: of a run that is looked at; our choice
	unequalRestA   = 3.0              // A: in a rest; more is a load; our choice
	unequalKnown   = 20.0             // %: uncertainty of the charge, more says nothing of the depth; our choice

	restNoiseV  = 0.006         // V: between two batteries that have rested a night; our choice
	freshNoiseV = 0.03          // V: that it is more when they have just begun; our choice
	freshDecay  = 3 * time.Hour // by which that goes; our choice
	acidPart    = 0.5           // ratio: of what makers' acid differs by, that two of one kind do; our choice
	slopePct    = 5.0           // %: charge, up and down, over which the rested voltage's slope is taken; our choice

	unequalPart     = 0.5     // ratio: of a limit, that a figure must be above by its uncertainty; our choice
	unequalSigmas   = 3.0     // ratio: of that uncertainty; our choice
	unequalClear    = 0.5     // ratio: of a limit, below which it clears; our choice
	unequalLeaksPct = 2.0     // %: of the capacity a day, no battery that works loses by itself; published: 2 to 40 % a month
	unequalSoonPct  = 6.0     // %: of the capacity a day, said without waiting for a week; our choice
	unequalWeek     = 7 * day // of work and long rests, before slower ones are; our choice
	unequalTry      = 0.1     // ratio: of the capacity, for which it is worked out what having less does; our choice
	unequalDepth    = 0.15    // ratio: of the capacity, by which charges must have differed to tell capacity; our choice
	unequalSpread   = 0.5     // ratio: of the limit, how well the figures must be known to say no; our choice
	mohmPerOhm      = 1000.0  // ratio: mΩ in an Ω; physical
)

var (
	unequalCapacity = cause("blocks-unequal.capacity", "less capacity than the other: older, worn or sulfated")
	unequalSelf     = cause("blocks-unequal.leak", "it discharges itself: shorted or dirty cell, or dirt and acid on its top")
	unequalLoad     = cause("blocks-unequal.load", "12 V load taken from this battery alone, at the middle of the string")
	unequalJoint    = cause("blocks-unequal.joint", "bad joint or cable in the middle of the string, below this battery")
	unequalWorn     = cause("blocks-unequal.resistance", "more resistance than the other: worn, dry, or a bad joint at its post")
	unequalCharge   = cause("blocks-unequal.charge", "put in less charged than the other, and never charged alone since")

	growsDepth   = why("grows-with-depth", "the difference grows with the charge drawn and goes as it comes back")
	growsFast    = why("grows-with-days", "it loses more a day than a battery does by itself, at rest and at work")
	growsSlow    = why("grows-at-rest", "it loses with the days, at rest too, by no more than a leaking battery does")
	growsCurrent = why("grows-with-current", "the difference comes and goes with the current, and its negative post is not measured")
	growsOwn     = why("grows-with-current-own", "the difference comes and goes with the current")
	staysBehind  = why("stays-behind", "the difference stays: it is charge that it never had")

	restsFew    = why("unequal-rests", "three rests of 2 hours, a day apart or more")
	tapsUnequal = why("unequal-taps", "the two taps may differ by as much as the batteries: calibrate them, or let days show whether the "+
		"difference grows")
	depthUnseen     = why("unequal-depth", "the bank was not drawn down far enough yet to compare capacities")
	stringVUnread   = why("unequal-unread", "the voltages of its string can't all be read")
	stringSoCUnsure = why("unequal-charge-unsure", "the bank's charge is not known well enough")

	lessCapacity = finding.NewLabel("less-capacity", "less capacity than the other", "%")
	lostDayPct   = finding.NewLabel("behind-per-day", "falls behind per day", "%")
	lostDayA     = finding.NewLabel("behind-per-day-a", "as a load would of", "A")
	behindPct    = finding.NewLabel("behind", "charge behind the other", "%")
	moreMohm     = finding.NewLabel("more-resistance", "more resistance than the other", "mΩ")
	tapsApart    = finding.NewLabel("taps-apart", "of the difference, from the taps", "V")
	heldDiff     = finding.NewLabel("held-diff", "the other higher, held at the end of a charge", "V")
)

func judgeUnequal(v view.View, l *unequalLimits, m *unequalMemory) finding.Verdict {
	k, other, ok := v.String()
	if !ok {
		return absent
	}
	if why := m.look(v, other); why != nil {
		return finding.Unjudged(why)
	}
	s := &m.Learned
	if !s.Have || m.Rests < unequalRests || v.Watched(m.From) < unequalWatched {
		return finding.Unjudged(restsFew).Having(int(m.Rests), unequalRests)
	}
	out := outShare(v.Battery(other).State().SoCPct)
	pct, perDay := l.Pct/100, l.DayPct/100
	less, rate, ohm, behind := s.Less(), s.Rate(), s.Ohm(), s.Behind(out)
	if byRuns := s.LessByRuns(); byRuns.Beyond(pct, unequalPart, unequalSigmas) || byRuns.Sigma < less.Sigma && less.Value < pct {
		less = byRuns
	}
	isLess := less.Beyond(pct, unequalPart, unequalSigmas) && s.Depth() >= unequalDepth
	isRate := rate.Beyond(perDay, unequalPart, unequalSigmas) && (rate.Value >= unequalSoonPct/100 || m.tellsSlow(v))
	isOhm := s.Runs >= unequalMinRuns && ohm.Beyond(l.Mohm/mohmPerOhm, unequalPart, unequalSigmas)
	isBehind := behind.Beyond(pct, unequalPart, unequalSigmas)
	if isLess || isRate || isOhm || isBehind {
		verdict := v.Holds(lessEvidence(s, less), lostDayPct.Is(100*rate.Value), lostDayA.Is(rate.Value*v.Own().Spec().RatedAh/hoursPerDay),
			behindPct.Is(100*behind.Value), sigmaPct.Is(100*behind.Sigma), moreMohm.Is(mohmPerOhm*ohm.Value), tapsApart.Is(s.Taps().Value),
			heldOf(v, k))
		return suspectUnequal(v, verdict, isLess, isRate, isOhm, rate)
	}
	clear := less.Under(unequalClear*pct) && rate.Under(unequalClear*perDay) && ohm.Under(unequalClear*l.Mohm/mohmPerOhm)
	known := behind.Sigma < unequalSpread*pct || less.Sigma < unequalSpread*pct
	switch standing := v.Active("blocks-unequal", false); {
	case standing && clear && behind.Value < pct:
		return absent
	case standing:
		return unchanged
	case !known && s.Depth() < unequalDepth:
		return finding.Unjudged(tapsUnequal)
	case !known:
		return finding.Unjudged(depthUnseen)
	}
	return absent
}

const unequalMinRuns = 10 // count: motor runs before resistances are compared; our choice

// tellsSlow reports whether what is lost slowly can be told from what charges leave. A balancer makes up for it at
// each charge, and what it leaves on one battery and not on the other fades at the same pace.
func (m *unequalMemory) tellsSlow(v view.View) bool {
	return v.Watched(m.From) >= unequalWeek && !v.Balancer()
}

// lessEvidence returns the evidence of the capacity; none where the bank was not drawn down.
func lessEvidence(s *blocks.State, less blocks.Figure) finding.Evidence {
	if s.Depth() < unequalDepth {
		return finding.Evidence{}
	}
	return lessCapacity.Is(100 * less.Value)
}

// heldOf returns the evidence of the last held charge; none where there was none.
func heldOf(v view.View, k int) finding.Evidence {
	d := v.StringState(k).HeldDiffV
	if !d.Known {
		return finding.Evidence{}
	}
	if v.Subject().Index == v.Layout().Highest(k) {
		d.Value = -d.Value
	}
	return heldDiff.Is(d.Value)
}

// suspectUnequal puts the causes in order.
func suspectUnequal(v view.View, verdict finding.Verdict, isLess, isRate, isOhm bool, rate blocks.Figure) finding.Verdict {
	switch {
	case isRate && rate.Value >= unequalLeaksPct/100:
		verdict = verdict.Suspect(unequalLoad, growsFast).Suspect(unequalSelf, growsFast)
	case isRate:
		verdict = verdict.Suspect(unequalSelf, growsSlow).Suspect(unequalLoad, growsSlow)
	}
	if isLess {
		verdict = verdict.Suspect(unequalCapacity, growsDepth)
	}
	switch {
	case isOhm && !isLess && v.JointUnknown(v.Subject().Index):
		verdict = verdict.Suspect(unequalJoint, growsCurrent).Suspect(unequalWorn, growsOwn)
	case isOhm:
		verdict = verdict.Suspect(unequalWorn, growsOwn)
	}
	if !isRate && !isLess && !isOhm {
		verdict = verdict.Suspect(unequalCharge, staysBehind)
	}
	return verdict
}

// look takes what this scan shows into account: a motor run, or a rest.
func (m *unequalMemory) look(v view.View, other int) (why *unit.Text) {
	own, up, now := v.Own().VoltageV(), v.Battery(other).VoltageV(), v.Now()
	running, since := v.Motor().Running()
	flow := v.Own().CurrentA()
	fed := flow.OK() && flow.Value > unequalFedA || v.Feed().Carries()
	m.fade(v, fed || m.FedAt == 0 || m.unseen(v))
	if !own.OK() || !up.OK() {
		m.interrupt()
		if own.Faulty() || up.Faulty() {
			return stringVUnread
		}
		return nil
	}
	diff := up.Value - own.Value - v.TempDiffV(other)
	if running {
		m.Mean = unequalMean{}
		switch {
		case fed: // how the charger's voltage was shared before is no resistance
			m.Run, m.Before = unequalMean{}, unequalMean{}
		case flow.OK() && !pump.Inrush(running, since, now):
			m.Run.add(now, diff, -flow.Value)
		}
		return nil
	}
	m.ran(v, other)
	if flow.OK() && math.Abs(flow.Value) < unequalRestA && !fed {
		m.Before.fade(now, diff, -flow.Value)
	} else {
		m.Before = unequalMean{}
	}
	quiet := v.QuietFor()
	if quiet < unequalAfter || now-m.FedAt < fadesFor(v) || !flow.OK() || math.Abs(flow.Value) > unequalRestA {
		m.Mean = unequalMean{}
		return nil
	}
	if begun := now - quiet; begun > m.Quiet || m.Next == 0 {
		m.Quiet, m.Next, m.Begun = begun, now, true
	}
	if now < m.Next {
		return nil
	}
	m.Mean.add(now, diff, 0)
	if m.Mean.Seconds < unequalMeans.Seconds() {
		return nil
	}
	mean := m.Mean.DiffVs / m.Mean.Seconds
	m.Mean, m.Next = unequalMean{}, now+unequalEvery
	if !m.see(v, other, mean) {
		return stringSoCUnsure
	}
	if m.Rests == 0 {
		m.From = now
	}
	if m.Begun {
		m.Rests = min(m.Rests+1, unequalRests)
	}
	m.Begun = false
	return nil
}

// fadesFor returns how long after a charge what it left fades unevenly: in frost the longer, the colder it is.
func fadesFor(v view.View) time.Duration {
	slower := leadacid.SurfaceSlowing(v.Bank().TempOr25()) / leadacid.SurfaceSlowing(frostC)
	return time.Duration(float64(unequalFaded) * max(slower, 1))
}

const frostC = 0.0 // °C: water's freezing point; physical

// unseen reports whether nobody has watched the unit for some time since the last scan: it may have been charged.
func (m *unequalMemory) unseen(v view.View) bool {
	return v.Now()-m.FreshAt-v.Watched(m.FreshAt) > feed.LongestGap
}

// fade lets go what the last charge left: never back up, however cold it becomes meanwhile.
func (m *unequalMemory) fade(v view.View, fed bool) {
	now := v.Now()
	if fed {
		m.FedAt, m.Fresh = max(now, 1), 1
	} else {
		decay := leadacid.SlowSurfaceDecay.Hours() * leadacid.SurfaceSlowing(v.Bank().TempOr25())
		m.Fresh *= math.Exp(-max(now-m.FreshAt, 0).Hours() / decay)
	}
	m.FreshAt = now
}

// ran compares the run that is over with the time before it.
func (m *unequalMemory) ran(v view.View, other int) {
	r, b := m.Run, m.Before
	m.Run = unequalMean{}
	if r.Seconds < unequalRunMin.Seconds() || b.Seconds <= 0 {
		return
	}
	amps := r.AmpS/r.Seconds - b.AmpS/b.Seconds
	if amps <= unequalMinA {
		return
	}
	temp, spec, soc := v.Bank().TempOr25(), v.Own().Spec(), v.Battery(other).State().SoCPct
	perLess := 0.0
	if soc.Known {
		out := 100 * outShare(soc)
		perLess = spec.Chemistry.RatedMohm(spec.RatedCCA) / mohmPerOhm *
			(leadacid.ChargeFactor(temp, 100-out/(1-unequalTry)) - leadacid.ChargeFactor(temp, 100-out)) / unequalTry
	}
	left := unequalHeld * m.Fresh * math.Abs(v.StringState(v.Layout().StringOf(v.Subject().Index)).HeldDiffV.Value)
	m.Learned.Run(r.DiffVs/r.Seconds-b.DiffVs/b.Seconds, amps*leadacid.ColdFactor(temp), perLess, left)
}

// outShare returns the share of the capacity that is drawn at this charge.
func outShare(soc unit.Estimate) float64 { return 1 - min(max(soc.Value, 0), 100)/100 }

// see shows the difference of a rest to what is learned; false where the bank's charge is not known well enough.
func (m *unequalMemory) see(v view.View, other int, diffV float64) bool {
	soc, own := v.Battery(other).State().SoCPct, v.Own() // what the other gave is what both gave
	if !soc.Known || soc.Sigma > unequalKnown {
		return false
	}
	noiseV := math.Hypot(restNoiseV, freshNoiseV*math.Exp(-v.QuietFor().Hours()/freshDecay.Hours()))
	c := own.Spec().Chemistry
	low, high := max(soc.Value-slopePct, 0), min(soc.Value+slopePct, 100)
	m.Learned.Look(&blocks.Seen{
		At: v.Now() - v.Away(), DiffV: diffV, SigmaV: noiseV,
		PerShare: 100 * (c.RestedVFromSoC(high) - c.RestedVFromSoC(low)) / (high - low),
		OutShare: outShare(soc), Fresh: m.Fresh, Recharged: m.FedAt > m.Seen,
	}, tapsSigmaV(v, c))
	m.Seen = v.Now()
	return true
}

// tapsSigmaV returns how far apart the taps may show two batteries of a string that rest alike: by their
// class, and by what makers' acid differs.
func tapsSigmaV(v view.View, c *leadacid.Chemistry) float64 {
	return math.Hypot(v.TapsSigmaV(c.RestedVFromSoC(100)), acidPart*math.Sqrt2*c.FullSigmaV)
}
