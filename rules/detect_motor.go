package rules

import (
	"math"
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
)

// runWatch is what is seen of the motor run under way.
type runWatch struct {
	on             bool
	last           time.Duration
	liftA, liftS   float64 // ampere seconds and seconds of lifting
	dropVs, dropAs float64 // bank to motor, volt seconds and ampere seconds
	postVs, dropS  float64 // bank over ground in that time, volt seconds and seconds
	level          float64 // mean current when the lift had got going; 0: not yet
	levelAs        float64
	levelS         float64
	relief         time.Duration // on the relief valve since; negative: not
	reliefFor      time.Duration
	overrun        bool
	low            bool                  // the bank can't hold the voltage that a motor wants
	cut            bool                  // the current ended before the run: a breaker, or a contactor that drops out
	lit            bool                  // voltage was read at the motor terminal, believed or not
	motorRestV     float64               // what the motor's tap shows without voltage
	as             [MaxBatteries]float64 // drawn from each battery, ampere seconds
	base           [MaxBatteries]float64 // currents before the run, where nothing charged
}

// motorRuns is how many runs the mean is taken over that is compared with what the motor usually draws, dropRuns that of the drop.
const (
	motorRuns    = 12
	motorLearn   = 30 // runs before it knows what is usual
	dropRuns     = 3
	motorFrom    = time.Second     // inrush and the first oil are over
	motorTo      = 4 * time.Second // before most lifts end
	motorLeast   = 3 * time.Second // shorter runs are corrections of height
	levelTo      = 2500 * time.Millisecond
	reliefRatio  = 1.2 // a relief valve opens a quarter or more over a full load (common practice, no source)
	cleanRuns    = 3
	stuckHold    = 2 * time.Second
	stuckRelease = 10 * time.Second
	deadAfter    = 500 * time.Millisecond
	leastMotorV  = 10.0 // under it a motor slows down and draws less, whatever its pump
	motorOnV     = 3.0  // a motor terminal that is connected to the bank has more, whatever the motor draws
	deadDipV     = 0.1
)

// MotorMemory is what the motor's findings remember.
type MotorMemory struct {
	Mean  [2]float64    // usual current at 25 °C, A, and what oil drag adds per unit of Drag - 1
	Cov   [2][2]float64 // of it, A²
	Count uint32        // runs learnt from
	// TakenAt is when the last run was learnt from, Streak how many with its load there were, itself included.
	TakenAt time.Duration
	Streak  int
	Ratio   [motorRuns]float64
	Ratios  int
	Amps    float64 // of the last run, for evidence
	Mohm    [dropRuns]float64
	PostV   [dropRuns]float64 // of the bank in these runs
	DropA   [dropRuns]float64 // of the motor
	Mohms   int
	Clean   uint8  // runs in a row without overrun
	Dead    uint64 // dead commands seen
}

// Walther's equation (ASTM D341) through a mineral oil of ISO VG 32 and viscosity index 100: 32 mm²/s at 40 °C (ISO 3448), 5.4 at 100 °C
// (usual data sheet value, from memory).
const (
	waltherA = 9.5309
	waltherB = 3.7466
)

// oilDrag gives how much more the oil drags at tempC than at 25 °C, as a ratio. The share of the current that this makes is learnt; its
// shape is viscosity to the power of 0.4: our choice, between a motor's own friction (0) and a film of oil (1).
func oilDrag(tempC float64) float64 {
	visc := func(c float64) float64 {
		return math.Pow(10, math.Pow(10, waltherA-waltherB*math.Log10(c+273.15))) - 0.7
	}
	t := min(max(tempC, -40), 70)
	return math.Pow(visc(t)/visc(25), 0.4)
}

// watchRun follows the run under way, and takes in what the run just ended has shown.
func (e *Engine) watchRun(in, use *Input) {
	w := &e.watch
	running, since := e.motor.Running()
	for _, ev := range e.out.Events {
		if ev.Kind == RunEnded {
			e.hearMotor(in)
			e.finishRun(ev.Run.Duration, use)
			*w = runWatch{relief: -1, base: w.base, motorRestV: w.motorRestV}
		}
	}
	if !running {
		*w = runWatch{relief: -1}
		if v := in.MotorV; v.OK() && math.Abs(v.Value) < motorOnV {
			w.motorRestV = v.Value
		}
		for i := range e.cfg.Batteries {
			if a := use.Battery[i].CurrentA; a.OK() && use.WakeLine != ContactOn {
				w.base[i] = a.Value // a wrong zero, or a drain: no share of the motor's current
			}
		}
		return
	}
	if !w.on {
		w.on, w.last = true, e.last
	}
	dt := (e.last - w.last).Seconds()
	w.last = e.last
	amps := e.out.Bank.CurrentA
	if !amps.OK() {
		e.det.Day.Spoiled = e.det.Day.Spoiled || e.last-since > inrushFor
		return
	}
	a, at := -amps.Value, e.last-since
	for i := range e.cfg.Batteries {
		as := max(w.base[i]-use.Battery[i].CurrentA.Value, 0) * dt
		w.as[i] += as
		e.det.Day.RunAs[i] += as
		e.det.Day.Spoiled = e.det.Day.Spoiled || e.det.Sense.DeafA[i] > 0
	}
	if at < motorFrom {
		return
	}
	w.lit = w.lit || in.MotorV.OK() && in.MotorV.Value > motorOnV
	w.cut = w.cut || a < e.cfg.MotorMinA
	if at <= motorTo && !w.cut {
		w.liftA, w.liftS = w.liftA+a*dt, w.liftS+dt
		v := e.lowestPositive(use)
		w.low = w.low || v < leastMotorV
		if e.negativesNear(in) && use.MotorV.OK() && use.MotorV.Value > motorOnV && !math.IsInf(v, 0) {
			w.dropVs, w.dropAs = w.dropVs+(v-use.MotorV.Value+w.motorRestV)*dt, w.dropAs+a*dt
			w.postVs, w.dropS = w.postVs+v*dt, w.dropS+dt
		}
	}
	if at <= levelTo {
		w.levelAs, w.levelS = w.levelAs+a*dt, w.levelS+dt
		return
	}
	if w.level == 0 && w.levelS > 0 {
		w.level = w.levelAs / w.levelS
	}
	onRelief := w.level >= e.cfg.MotorMinA && a >= reliefRatio*w.level
	switch {
	case !onRelief:
		w.relief = -1
	case w.relief < 0:
		w.relief = e.last
	default:
		w.reliefFor = max(w.reliefFor, e.last-w.relief)
	}
}

// negativesNear reports whether no negative post is lifted so far in this run that the motor's return hangs on an open link.
func (e *Engine) negativesNear(in *Input) bool {
	const near = 0.2
	for i := range e.cfg.Batteries {
		if v := in.Battery[i].NegativeV; v.Quality == Saturated || v.OK() && math.Abs(v.Value) > near {
			return false
		}
	}
	return true
}

// lowestPositive gives the lowest believed positive post over the board's ground: in a run the load's lead is on it.
func (e *Engine) lowestPositive(use *Input) float64 {
	v := math.Inf(1)
	for i := range e.cfg.Batteries {
		b := &use.Battery[i]
		if !b.VoltageV.OK() {
			continue
		}
		p := b.VoltageV.Value
		if b.NegativeV.OK() {
			p += b.NegativeV.Value
		}
		v = min(v, p)
	}
	return v
}

// finishRun takes in a run that has ended.
func (e *Engine) finishRun(length time.Duration, use *Input) {
	w, m := &e.watch, &e.det.Motor
	if length >= e.cfg.Thresholds.OverrunRelief && !w.overrun {
		m.Clean = min(m.Clean+1, cleanRuns)
	}
	if w.overrun {
		m.Clean = 0
	}
	e.noteCarried()
	if length < motorLeast || w.liftS < 1 {
		return
	}
	feedA, fed := e.feedCarriesA(use)
	if w.dropAs > 0 && feedA != feedCarriesUnknown {
		copy(m.Mohm[1:], m.Mohm[:dropRuns-1])
		copy(m.PostV[1:], m.PostV[:dropRuns-1])
		copy(m.DropA[1:], m.DropA[:dropRuns-1])
		m.DropA[0] = w.dropAs/w.dropS + feedA
		m.Mohm[0] = 1000 * w.dropVs / w.dropS / m.DropA[0]
		m.PostV[0] = w.postVs / w.dropS
		m.Mohms = min(m.Mohms+1, dropRuns)
	}
	temp := e.temperature(use, 0)
	if temp == noTemperature {
		return // cold oil and a dragging pump look alike
	}
	if fed || w.low {
		return
	}
	m.take(e.last, w.liftA/w.liftS, oilDrag(temp)-1, e.cfg.Thresholds.MotorUsualA)
}

// feedCarriesUnknown: the feed carries part of the motor's current, and nobody has said or seen how much that can be.
const feedCarriesUnknown = -1

// feedCarriesA gives the most that the feed carries of the motor's current past the batteries' sensors, in A, and whether it carries any.
func (e *Engine) feedCarriesA(use *Input) (amps float64, fed bool) {
	status, _ := e.feed.Status()
	switch {
	case status == feed.Missing, use.WakeLine != ContactOn && status != feed.Present && status != feed.Unasked:
		return 0, false
	case e.cfg.Thresholds.FeedRatedA > 0:
		return e.cfg.Thresholds.FeedRatedA, true
	case e.det.Feed.BestA >= learntLeastA:
		return e.det.Feed.BestA, true
	}
	return feedCarriesUnknown, true
}

// noteCarried keeps what part of the run's current each battery gave: one behind an open link, or a current that stands still, gave none.
func (e *Engine) noteCarried() {
	w, m := &e.watch, &e.det.Sense
	const leastAs = 50
	sum := 0.0
	for _, as := range w.as {
		sum += as
	}
	if sum < leastAs {
		return
	}
	m.HasCarried, m.CarriedAt = true, e.last
	for i := range w.as {
		m.Carried[i] = w.as[i] / sum
	}
}

// What is learnt of the usual current. Loads on the platform move a run by a twelfth (common practice, no source: an empty platform is
// most of what is lifted); drag is an eighth of the current at 25 °C, give or take as much again.
const (
	loadSpread  = 0.08
	sameLoad    = 15 * time.Minute // runs closer than this lift the same load
	dragShare   = 0.12
	dragSpread  = 0.08
	usualSpread = 0.15 // of a figure that was typed in
	usualWander = 5e-5 // a run, of the current
	dragWander  = 2e-4 // a run
	unusual     = 0.10 // the mean of the last runs this far off: not learnt from
	dragMost    = 0.40
)

// take takes one run's mean lifting current and its oil drag, over that at 25 °C and less 1.
func (m *MotorMemory) take(at time.Duration, amps, drag, typedA float64) {
	if amps <= 0 {
		return
	}
	if m.Streak == 0 || at-m.TakenAt > sameLoad {
		m.Streak = 0
	}
	m.Streak, m.TakenAt = min(m.Streak+1, 100), at
	if m.Count == 0 {
		a, spread := amps/(1+dragShare*drag), 0.3
		if typedA > 0 {
			a, spread = typedA, usualSpread
		}
		m.Mean = [2]float64{a, dragShare * a}
		m.Cov = [2][2]float64{{sq(spread * a), 0}, {0, sq(dragSpread * a)}}
	}
	usual := m.usual(drag)
	m.Amps = amps
	copy(m.Ratio[1:], m.Ratio[:motorRuns-1])
	m.Ratio[0] = amps / usual
	m.Ratios = min(m.Ratios+1, motorRuns)
	if m.Count >= motorLearn && math.Abs(m.ratio()-1) > unusual {
		return
	}
	m.Count++
	m.Cov[0][0] += sq(usualWander * usual)
	m.Cov[1][1] += sq(dragWander * usual)
	p0, p1 := m.Cov[0][0]+m.Cov[0][1]*drag, m.Cov[1][0]+m.Cov[1][1]*drag
	s := p0 + p1*drag + sq(loadSpread*usual*float64(m.Streak)) // the second with a load says a quarter as much, all together 1.6 times
	k0, k1 := p0/s, p1/s
	miss := amps - usual
	m.Mean[0] += k0 * miss
	m.Mean[1] = min(max(m.Mean[1]+k1*miss, 0), dragMost*m.Mean[0])
	m.Cov[0][0] -= k0 * p0
	m.Cov[0][1] -= k0 * p1
	m.Cov[1][1] -= k1 * p1
	m.Cov[1][0] = m.Cov[0][1]
	if m.Count == motorLearn { // those of the learning were held against half a figure
		for i := range m.Ratios {
			m.Ratio[i] = 1
		}
	}
}

func (m *MotorMemory) usual(drag float64) float64 { return m.Mean[0] + m.Mean[1]*drag }

// ratio gives the mean of the last runs over what is usual.
func (m *MotorMemory) ratio() float64 {
	sum := 0.0
	for _, r := range m.Ratio[:m.Ratios] {
		sum += r
	}
	return sum / float64(max(m.Ratios, 1))
}

// judgeOverrun is prompt: the run that is too long may still be on.
func (e *Engine) judgeOverrun() {
	w, t, slot := &e.watch, &e.cfg.Thresholds, e.slots.overrun
	running, since := e.motor.Running()
	length := time.Duration(0)
	if running {
		length = e.last - since
	}
	o := finding.Between
	switch why := e.wiringUnread(); {
	case why != "":
		e.give(slot, finding.NotJudged, why)
		return
	case running && (w.reliefFor >= t.OverrunRelief || length >= t.OverrunRun) && !e.book.Records[e.slots.stuck].Active():
		o, w.overrun = finding.Present, true
		e.det.Motor.Clean = 0
		rec := &e.book.Records[slot]
		rec.Show(
			finding.Evidence{What: "run", Value: length.Seconds(), Unit: "s", At: e.last},
			finding.Evidence{What: "against the relief valve", Value: w.reliefFor.Seconds(), Unit: "s", At: e.last},
			finding.Evidence{What: "current while lifting", Value: w.level, Unit: "A", At: e.last},
			finding.Evidence{What: "current now", Value: -e.out.Bank.CurrentA.Value, Unit: "A", At: e.last})
		rec.Suspect()
		if w.reliefFor >= t.OverrunRelief {
			rec.Suspect(finding.Likely{Cause: finding.MotorOverrunOperator, Reason: "the current rose to the relief valve's after the lift"})
		}
	case !running && e.det.Motor.Clean >= cleanRuns:
		o = finding.Absent
	}
	e.give(slot, o, "")
}

// judgeStuck wants two witnesses: current, and the motor's terminal or every battery.
func (e *Engine) judgeStuck(use *Input) {
	slot, amps := e.slots.stuck, e.out.Bank.CurrentA
	switch {
	case e.wiringUnread() != "":
		e.give(slot, finding.NotJudged, e.wiringUnread())
		return
	case use.MotorCommand == ContactNotFitted:
		e.give(slot, finding.NotJudged, "the motor contactor's coil is not wired to the board")
		return
	case use.MotorCommand == ContactUnknown:
		e.give(slot, finding.NotJudged, "the motor contactor's coil can't be read")
		return
	case !amps.OK():
		e.give(slot, finding.NotJudged, "a battery current can't be read")
		return
	}
	o := finding.Absent
	flows := -amps.Value >= e.cfg.MotorMinA
	if use.MotorCommand == ContactOn {
		o = finding.Between
	} else if flows && e.turns(use) {
		o = finding.Present
		e.book.Records[slot].Show(
			finding.Evidence{What: "current out of the bank", Value: -amps.Value, Unit: "A", At: e.last},
			finding.Evidence{What: "motor terminal", Value: use.MotorV.Value, Unit: "V", At: e.last},
			finding.Evidence{What: "command", Text: "off", At: e.last})
	}
	e.give(slot, o, "")
}

// turns reports whether a second witness says that the motor has current.
func (e *Engine) turns(use *Input) bool {
	if use.MotorV.OK() {
		return use.MotorV.Value > motorOnV
	}
	const each = 5.0
	for i := range e.cfg.Batteries {
		if -use.Battery[i].CurrentA.Value < each {
			return false
		}
	}
	return len(e.cfg.Batteries) > 1
}

// judgeDead looks at a command without current.
func (e *Engine) judgeDead(use *Input) {
	slot, amps, m := e.slots.dead, e.out.Bank.CurrentA, &e.det.Motor
	switch {
	case e.wiringUnread() != "":
		e.give(slot, finding.NotJudged, e.wiringUnread())
		return
	case use.MotorCommand == ContactNotFitted:
		e.give(slot, finding.NotJudged, "the motor contactor's coil is not wired to the board")
		return
	case !amps.OK():
		m.Dead = e.motor.DeadCommands()
		e.give(slot, finding.NotJudged, "a battery current can't be read")
		return
	}
	running, since := e.motor.Running()
	flows := -amps.Value >= e.cfg.MotorMinA
	if flows || !running {
		e.deadSince, e.deadV = e.last, e.highestPost(use)
	}
	if !running && m.Dead == e.motor.DeadCommands() {
		e.dipped = false
	}
	o := finding.Between
	switch {
	case m.Dead != e.motor.DeadCommands():
		m.Dead = e.motor.DeadCommands()
		if !e.dipped {
			o = finding.Present
		}
		e.dipped = false
	case running && use.MotorCommand == ContactOn && !flows && e.last-max(since, e.deadSince) >= deadAfter && !e.dips(use):
		o = finding.Present
	case running && flows:
		o = finding.Absent
	}
	if running {
		e.dipped = e.dipped || e.dips(use)
	}
	if o == finding.Present {
		e.showDead(slot, use)
	}
	e.give(slot, o, "")
}

// dips reports whether the bank's voltage says that the motor draws current after all.
func (e *Engine) dips(use *Input) bool {
	if e.energised(use) {
		return true // a strong feed may carry the motor nearly alone: the bank's side shows little
	}
	now := e.highestPost(use)
	if !now.OK() || !e.deadV.OK() {
		_, fed := e.feedCarriesA(use)
		return fed // nobody can tell
	}
	return now.Value < e.deadV.Value-deadDipV
}

// energised reports whether the bank's voltage stands at the motor's terminal while a feed is there.
func (e *Engine) energised(use *Input) bool {
	status, _ := e.feed.Status()
	return (status == feed.Present || status == feed.Unasked) && use.MotorV.OK() && e.out.Bank.VoltageV.OK() && use.MotorV.Value > e.out.Bank.VoltageV.Value/2
}

func (e *Engine) showDead(slot int, use *Input) {
	rec := &e.book.Records[slot]
	closed := "not wired to the board"
	switch use.Disconnect {
	case ContactOn:
		closed = "closed"
	case ContactOff:
		closed = "open"
	}
	rec.Show(
		finding.Evidence{What: "current out of the bank", Value: -e.out.Bank.CurrentA.Value, Unit: "A", At: e.last},
		finding.Evidence{What: "motor terminal", Value: use.MotorV.Value, Unit: "V", At: e.last},
		finding.Evidence{What: "disconnect", Text: closed, At: e.last},
		finding.Evidence{What: "dead commands since start", Value: float64(e.motor.DeadCommands()), At: e.last})
	rec.Suspect()
	switch {
	case use.Disconnect == ContactOff:
		rec.Suspect(finding.Likely{Cause: finding.MotorDeadDisconnect, Reason: "its contact says that it is open"})
	case use.MotorV.OK() && use.MotorV.Value > motorOnV:
		rec.Suspect(finding.Likely{Cause: finding.MotorDeadLead, Reason: "voltage stands at the motor terminal, and no current flows"})
	case e.anyActive([]int{e.slots.overrun, e.slots.hungry}):
		rec.Suspect(finding.Likely{Cause: finding.MotorDeadBreaker, Reason: "the motor was overloaded before"})
	case use.Disconnect == ContactOn:
		rec.Suspect(
			finding.Likely{Cause: finding.MotorDeadContactor, Reason: "the disconnect is closed"},
			finding.Likely{Cause: finding.MotorDeadBreaker, Reason: "the disconnect is closed"})
	}
}

// judgeMotor compares with what is usual, and looks at the drop.
func (e *Engine) judgeMotor(use *Input) {
	t, m := &e.cfg.Thresholds, &e.det.Motor
	why := e.wiringUnread()
	switch {
	case why != "":
	case m.Count < motorLearn && t.MotorUsualA == 0:
		why = "what this motor draws is not learnt yet: 30 runs of three seconds without a feed, with current and temperature read"
	case m.Ratios < motorRuns:
		why = "twelve runs of three seconds with current and temperature read"
	case e.out.Bank.CurrentA.Faulty():
		why = "a battery current can't be read"
	}
	ratio := m.ratio()
	for _, j := range [2]struct {
		slot      int
		over, out float64
	}{{e.slots.hungry, ratio - 1, t.HungryRatio - 1}, {e.slots.starved, 1 - ratio, 1 - t.StarvedRatio}} {
		o := finding.Between
		switch {
		case why != "":
			o = finding.NotJudged
		case j.over > j.out:
			o = finding.Present
			e.book.Records[j.slot].Show(
				finding.Evidence{What: "mean of twelve runs over what is usual", Value: ratio, At: e.last},
				finding.Evidence{What: "last run", Value: m.Amps, Unit: "A", At: e.last},
				finding.Evidence{What: "usual at 25 °C", Value: m.Mean[0], Unit: "A", At: e.last},
				finding.Evidence{What: "usual now", Value: m.Amps / max(m.Ratio[0], 0.01), Unit: "A", At: e.last},
				finding.Evidence{What: "temperature", Value: e.tempOr25(use, 0), Unit: "°C", At: e.last})
		case j.over < 0.6*j.out:
			o = finding.Absent
		}
		e.give(j.slot, o, why)
	}
	e.judgeDrop(use)
}

// What two voltage channels leave open of a drop between them: gains at opposite ends of ±1 %, of the voltage in the run, and the post's
// ±10 mV; the motor channel's own shows while the motor stands.
const (
	motorGains = 0.02
	motorZeroV = 0.01
	usualPostV = 11.5 // without a feed, and the least that is allowed for
)

func (e *Engine) judgeDrop(use *Input) {
	t, m, slot := &e.cfg.Thresholds, &e.det.Motor, e.slots.drop
	why := e.wiringUnread()
	switch {
	case why != "":
	case use.MotorV.Quality == NotFitted:
		why = "the motor terminal is not wired to the board"
	case use.MotorV.Faulty():
		why = "the motor terminal can't be read"
	case m.Mohms < dropRuns:
		why = "three motor runs of three seconds"
	}
	if why != "" {
		e.give(slot, finding.NotJudged, why)
		return
	}
	mohm, postV, amps := 0.0, 0.0, 0.0
	for i, r := range m.Mohm {
		mohm, postV, amps = mohm+r/dropRuns, max(postV, m.PostV[i]), amps+m.DropA[i]/dropRuns
	}
	doubtV := motorGains*max(postV, usualPostV) + motorZeroV
	switch {
	case t.MotorUsualA > 0:
		amps = t.MotorUsualA
	case m.Mean[0] > 0:
		amps = m.Mean[0]
	}
	drop := mohm * amps / 1000
	o := finding.Between
	switch {
	case drop-doubtV > t.MotorDropV:
		o = finding.Present
		e.book.Records[slot].Show(
			finding.Evidence{What: "drop, bank to motor terminal", Value: drop, Unit: "V", At: e.last},
			finding.Evidence{What: "limit", Value: t.MotorDropV, Unit: "V", At: e.last},
			finding.Evidence{What: "resistance", Value: mohm, Unit: "mΩ", At: e.last},
			finding.Evidence{What: "at current", Value: amps, Unit: "A", At: e.last})
	case drop-doubtV < clearPart*t.MotorDropV:
		o = finding.Absent
	}
	e.give(slot, o, "")
}
