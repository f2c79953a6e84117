package rules

import (
	"time"

	"liftbank/rules/daily"
	"liftbank/rules/feed"
	"liftbank/rules/motor"
	"liftbank/rules/network"
	"liftbank/rules/pump"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// stepMotor follows the motor and reports whether a run began in this scan.
func (e *Engine) stepMotor(bankV, bankA Reading) (began bool) {
	e.frame.Ended = e.frame.Ended[:0]
	for _, edge := range e.read.CommandEdges {
		b, ended := e.motor.Edge(edge.On, edge.At)
		if b {
			began = true
			e.cells.beginRun(edge.At, true)
		}
		if ended {
			e.endRun()
		}
	}
	b, ended := e.motor.Step(e.motorInput(bankV, bankA))
	if b {
		began = true
		_, start := e.motor.Running()
		e.cells.beginRun(start, e.read.MotorCommand == unit.ContactOn)
	}
	if ended {
		e.endRun()
	}
	return began
}

// motorInput returns what the motor's detector looks at.
func (e *Engine) motorInput(bankV, bankA Reading) *motor.Input {
	if bankA.Quality == unit.OutOfRange {
		bankA.Quality = unit.Good // scaled up from some of the batteries: good enough to see the motor
	}
	e.motorIn = motor.Input{
		At: e.last, CurrentA: bankA, VoltageV: bankV, Energized: view.Of(&e.frame, nil).Motor().Energized(),
		Command: e.read.MotorCommand,
	}
	return &e.motorIn
}

func (b *batteries) beginRun(at time.Duration, exact bool) {
	for _, m := range b.load {
		m.Begin(at, exact)
	}
}

func (e *Engine) endRun() {
	run := e.motor.Last()
	seen := trust.Run{ByCommand: run.ByCommand}
	for i, m := range e.cells.load {
		m.End(run.Start + run.Duration)
		seen.StepV[i], seen.StepA[i], seen.Have[i] = m.LastStep()
	}
	e.trust.RunSteps(&seen)
	e.ahead.ended = true
	e.frame.Ended = append(e.frame.Ended, run.Duration)
	e.out.Events = append(e.out.Events, Event{Kind: RunEnded, Run: run})
}

func (e *Engine) stepFeed(bankA Reading) {
	running, since := e.motor.Running()
	e.feed.Step(&feed.Input{
		At: e.last, FeedV: e.cfg.Layout.OfBlock(e.read.FeedV), CurrentA: bankA,
		BankV:    e.cfg.Layout.OfBlock(view.Of(&e.frame, nil).Bank().HighestPost()),
		TempC:    e.frame.TempC,
		WakeLine: e.read.WakeLine,
		MotorOn:  running || bankA.OK() && -bankA.Value >= e.set.MotorMinA, // stuck, it runs without a command
	})
	status, at := e.feed.Status()
	e.out.Feed = FeedState{
		Status: status, Since: at, VoltageV: e.read.FeedV, WakeLine: e.read.WakeLine, Disconnect: e.read.Disconnect,
		InputV: e.read.InputV, Indicator: e.read.Indicator,
		WakeTime: e.feed.WakeTime(), FeedTime: e.feed.FeedTime(), PathMohm: e.feedPath,
	}
	if e.cfg.Fitted.Input || e.cfg.Fitted.Indicator {
		e.supply.Step(&feed.SupplyInput{
			At: e.last, InputV: e.read.InputV, Lamp: e.read.Indicator, Wake: e.read.WakeLine, Status: status,
			Flows: bankA.Value >= e.set.FeedPresentA, FlowSure: bankA.OK() && !running,
		})
	}
	m := &e.out.Motor
	m.Running, m.Runs, m.RunTime, m.LiftCycles = running, e.motor.Runs(), e.motor.Time(), e.motor.Cycles()
	m.Last, m.DeadCommands = e.motor.Last(), e.motor.DeadCommands()
	e.frame.RunSince = since
	for i := range e.out.Battery {
		e.out.Battery[i].In = e.read.Battery[i]
	}
}

// stepNetwork passes the posts as measured to what works out links and leads; what is not believed
// is left out, so is a current
// of which no run has shown yet that it has the right sign, and a negative post that is the board's
// ground is at 0 V.
func stepNetwork(
	net *network.Meter, f *view.Frame, m *motor.Detector, tr *trust.Channels, posts *unit.Scan, ground [MaxBatteries]bool,
) {
	running, since := m.Running()
	posts.At, posts.MotorV, posts.FeedV = f.At, f.Read.MotorV, f.Read.FeedV
	for i := range f.Spec {
		b := &posts.Battery[i]
		*b = f.Measured.Battery[i]
		b.CurrentA = f.Read.Battery[i].CurrentA
		if f.Layout == unit.Parallel {
			b.VoltageV.Quality = f.Read.Battery[i].VoltageV.Quality
		} else if b.VoltageV.OK() && !tr.PostBelieved(i) {
			b.VoltageV.Quality = unit.OutOfRange
		}
		if !tr.SignSeen(i) {
			b.CurrentA.Quality = unit.Waiting
		}
		if b.NegativeV.Quality == unit.NotFitted && ground[i] {
			b.NegativeV = unit.Reading{Quality: unit.Good}
		}
	}
	if f.Layout != unit.Parallel {
		network.Strung(f.Layout, posts, len(f.Spec))
	}
	net.Step(posts, network.Facts{
		Running: running, RunFor: f.At.Mono - since, MaybeFed: f.Read.WakeLine == unit.ContactOn || f.Feed.Status.On(),
	})
}

// stepCounts counts what was moved, what runs showed, and for how long nothing has been on.
func (e *Engine) stepCounts(movedAh float64) {
	f := &e.frame
	running, since := e.motor.Running()
	status, _ := e.feed.Status()
	still := !running && e.read.WakeLine != unit.ContactOn && e.read.MotorCommand != unit.ContactOn && !status.On()
	if !still || !e.count.IsQuiet {
		e.days.Moved(movedAh)
	}
	e.count.Quiet(still, e.last)
	f.QuietFor, f.From = e.count.QuietFor(e.last), e.from

	f.Carries = status != feed.Missing && (e.read.WakeLine == unit.ContactOn || status.On())
	carried := 0.0
	if f.Carries {
		if most, known := e.output.CanGive(); known {
			carried = most
		} else {
			carried = -1
		}
	}
	e.stepPump(&pump.Scan{
		Now: e.last, Raw: f.Raw, Read: &e.read, PlusV: e.plusV, BankA: e.out.Bank.CurrentA, Running: running, Since: since, Ended: f.Ended,
		FeedA: carried, Fed: f.Carries, Unsure: e.unsureRun(), TempC: f.TempC,
	})
	f.FeedA, f.FeedAOK = e.output.Step(e.last, status, e.out.Bank.CurrentA, running)
	f.CanGiveA, f.CanGiveOK = e.output.CanGive()
}

// unsureRun reports whether it is not known what the bank gave in the last run: a current did not react,
// long before its sensor is accused.
func (e *Engine) unsureRun() bool {
	for i := range e.cfg.Batteries {
		if e.trust.StillInRun(i) && !e.cells.judge[i].DeadCell() {
			return true
		}
	}
	return false
}

// stepPump measures the run under way, and passes on what a run that has ended showed.
func (e *Engine) stepPump(in *pump.Scan) {
	seen := e.pump.Step(in, e.ended)
	e.ended = seen.Ended
	e.frame.ReliefBar = 0
	for i := range seen.Ended {
		r := &seen.Ended[i]
		if r.ReliefBar > 0 {
			e.frame.ReliefBar = r.ReliefBar
		}
		if r.OilRead {
			e.trust.RunOil(r.OilSeen)
		}
		if r.MotorRead {
			e.trust.RunMotor(r.MotorVSeen)
		}
		e.trust.RunShares(&r.BatteryAs)
		e.cells.gave(&r.BatteryAs, e.out.Bank.VoltageV, &e.read)
	}
	unread := seen.Unread
	if in.Running && in.BankA.OK() {
		for i := range e.cfg.Batteries {
			unread = unread || e.trust.CurrentUnresponsive(i)
		}
	}
	if in.Running {
		e.days.Ran(&seen.DrawnAs, unread)
	}
	e.frame.Relief, e.frame.LevelA = e.pump.Relief()
	e.frame.HeldBar, e.frame.HeldFor = e.pump.Held()
}

// stepDay counts the day, and works the balance out when a working day has ended.
func (e *Engine) stepDay() {
	f := &e.frame
	running, since := e.motor.Running()
	scan := daily.Scan{
		At: e.out.At, Charge: e.out.Bank.SoCPct, Runs: e.motor.Runs(), FeedTime: e.feed.FeedTime(),
		WakeTime:  e.feed.WakeTime(),
		ChargedAh: e.out.Bank.ChargedAh,
	}
	for i := range e.cfg.Batteries {
		scan.Unread = scan.Unread || e.read.Battery[i].CurrentA.Faulty() && !pump.Inrush(running, since, e.last)
	}
	if f.Day, f.DayEnded = e.days.Step(&scan); !f.DayEnded {
		return
	}
	e.duty.Over(f.Day.Days, e.motor.Runs(), e.motor.Time())
	e.days.Next(&scan, &f.Day)
	if f.Day.Worked {
		e.out.Balance = e.days.Balance(balanceOf(e.cells, &e.out.State, e.set.LowV, e.out.Power.MeanA))
	}
}

// balanceOf gathers what the balance needs to know of the bank.
func balanceOf(cells *batteries, state *view.State, lowV, ownDrawA float64) *daily.Bank {
	b := &daily.Bank{Charge: state.Bank.SoCPct, OwnDrawA: ownDrawA, ParkedA: state.Bank.ParkedDrawA}
	b.CapacityAh = cells.layout.SumOfStrings(len(cells.spec), func(i int) float64 {
		if c := state.Battery[i].CapacityAh; c.Known {
			return c.Value
		}
		return cells.spec[i].RatedAh
	})
	for i := range cells.spec {
		spec := &cells.spec[i]
		pct, _ := spec.Chemistry.SoCFromRestedV(lowV)
		b.LowPct += pct / float64(len(cells.spec))
		if i == cells.layout.Lowest(cells.layout.StringOf(i)) {
			b.ZeroSigmaA = append(b.ZeroSigmaA, cells.est[i].ZeroA().Sigma)
		}
	}
	return b
}

// noteFull notes which batteries are full, or may be, and fills in what detectors need of each.
func (e *Engine) noteFull() {
	readable := e.frame.Lacks(view.Parallel|view.OneBattery) == nil
	for i := range e.cfg.Batteries {
		if readable {
			e.count.Full(i, e.out.Battery[i].SoCPct, e.cells.est[i].AtTailCurrent(), e.matesOf(i), e.last)
		}
		f := &e.frame.Batteries[i]
		e.cells.facts(i, f)
		e.cells.weigh(i, &e.frame)
		f.FullAt, f.FullEver = e.cells.lastFull(i, &e.count)
		f.MaybeAt, f.MaybeEver = e.count.PossiblyFullAt[i], e.count.PossiblyFull[i]
	}
}
