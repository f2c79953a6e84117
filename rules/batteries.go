package rules

import (
	"math"
	"time"

	"liftbank/rules/bank"
	"liftbank/rules/estimate"
	"liftbank/rules/feed"
	"liftbank/rules/loadtest"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// batteries are the estimators of each battery.
type batteries struct {
	spec    []view.Spec
	layout  unit.Layout
	class   *unit.Classes
	taps    *unit.Classes       // as measured, not brought to the batteries
	est     []*estimate.Battery // as their labels have them
	labeled []labeled
	load    []*loadtest.Meter
	judge   []loadtest.Judge
}

func newBatteries(spec []view.Spec, layout unit.Layout, class, taps *unit.Classes) *batteries {
	b := &batteries{
		spec: spec, layout: layout, class: class, taps: taps, est: make([]*estimate.Battery, len(spec)), load: make([]*loadtest.Meter, len(spec)),
		judge: make([]loadtest.Judge, len(spec)), labeled: make([]labeled, len(spec)),
	}
	for i := range spec {
		b.forget(i)
	}
	return b
}

// forget starts battery i afresh.
func (b *batteries) forget(i int) {
	b.est[i] = estimate.New(b.params(i))
	b.labeled[i] = b.newLabeled(i)
	b.load[i] = b.newMeter(i)
	b.judge[i] = loadtest.Judge{}
}

func (b *batteries) params(i int) estimate.Params {
	s, v, a := &b.spec[i], b.class.Of(unit.BatteryVoltage, i), b.class.Of(unit.BatteryCurrent, i)
	p := estimate.Params{Chemistry: s.Chemistry, RatedAh: s.RatedAh, Voltage: v, Current: a, Taps: b.layout.Strings(len(b.spec))}
	if _, stands := b.layout.Below(i); stands {
		for k := range len(b.spec) { // as good as the worst tap of its string, for a battery
			if b.layout.StringOf(k) == b.layout.StringOf(i) {
				p.String = p.String.Worse(b.taps.Of(unit.BatteryVoltage, k))
			}
		}
	}
	return p
}

func (b *batteries) newMeter(i int) *loadtest.Meter {
	return loadtest.New(loadtest.Params{
		Chemistry: b.spec[i].Chemistry, RatedCCA: b.spec[i].RatedCCA, Parallel: b.layout.Strings(len(b.spec)) > 1,
		Voltage: b.class.Of(unit.BatteryVoltage, i), Current: b.class.Of(unit.BatteryCurrent, i),
	})
}

// mistrust starts afresh what was learned of battery i from a sensor that was wrong; its capacity
// stays.
func (b *batteries) mistrust(i int) {
	b.load[i] = b.newMeter(i)
	b.judge[i] = loadtest.Judge{}
	b.est[i].Mistrust()
	b.labeled[i].mistrust()
}

// stepBatteries applies the scan to the estimators of each battery, and returns what was stored
// less what was given, Ah.
func (e *Engine) stepBatteries(in *Input, began bool) (movedAh float64) {
	running, _ := e.motor.Running()
	facts := estimateFacts(e, began)
	for i, est := range e.cells.est {
		b := e.read.Battery[i]
		b.VoltageV, b.TempC = e.evened(i, b.VoltageV), e.frame.Temps[i]
		facts.Zero, facts.Gap = e.frame.Zeros[i], e.gapA(i)
		facts.Past, facts.MaybePast = e.trust.PastSensor(i)
		facts.NeighborA, facts.StringV = e.cells.neighborA(i, &e.read), e.meanOfString(i)
		drawn, charged, stored := est.DrawnAh(), est.ChargedAh(), est.StoredAh()
		est.Step(e.last, &b, facts)
		e.cells.labeled[i].step(e.last, &b, &facts)
		if k := e.cfg.Layout.StringOf(i); i == e.cfg.Layout.Lowest(k) {
			e.count.Share(k, est.DrawnAh()-drawn, est.ChargedAh()-charged)
		}
		movedAh += e.cfg.Layout.OfString(est.StoredAh() - stored)
		own := in.Battery[i]
		own.CurrentA.Value = e.flows[i].Value
		if s := e.stringOf(i); s != nil {
			e.cells.load[i].InString(e.out.At.Mono, e.cfg.Layout.OfBlock(s.VoltageV).Value, e.out.Feed.Status.On())
		}
		e.cells.stepLoad(i, e.out.At, &own, b.TempC, running)
	}
	return movedAh
}

// estimateFacts returns what holds for all batteries in this scan.
func estimateFacts(e *Engine, began bool) estimate.Facts {
	running, since := e.motor.Running()
	status, _ := e.feed.Status()
	return estimate.Facts{
		Held: began && e.cfg.HasCommand, Running: running && e.last-since < longestRun,
		Idle: !running && (status == feed.Off || status == feed.Unknown),
	}
}

// neighborA returns what the part of battery i would be of what the others carry, by their ratings.
func (b *batteries) neighborA(i int, read *unit.Scan) (r unit.Reading) {
	sum, ah := 0.0, 0.0
	for k := range b.spec {
		other := b.layout.StringOf(k) != b.layout.StringOf(i) && k == b.layout.Lowest(b.layout.StringOf(k))
		if a := read.Battery[k].CurrentA; other && a.OK() {
			sum, ah = sum+a.Value, ah+b.spec[k].RatedAh
		}
	}
	if ah > 0 {
		r = unit.Reading{Value: sum * b.spec[i].RatedAh / ah, Quality: unit.Good}
	}
	return r
}

// stepLoad uses what was read, believed or not: a channel that reacts to a run again shows it here.
func (b *batteries) stepLoad(i int, at unit.Moment, raw *unit.Battery, temp unit.Reading, running bool) {
	if !raw.VoltageV.OK() || raw.VoltageV.Value < trust.DeadPostV || !raw.CurrentA.OK() || raw.NegativeV.Faulty() {
		b.load[i].Forget()
		return
	}
	own := *raw
	own.VoltageV, own.TempC = raw.OwnV(), temp
	if running {
		b.load[i].Run(at.Mono, &own, b.soc(i))
	} else {
		b.load[i].Idle(at.Mono, &own, b.soc(i))
	}
}

// longestRun is the longest motor run: what lasts longer is a load.
const longestRun = 5 * time.Minute // of a motor run; our choice

const restedSigmaV = 0.05 // V: how well a rested voltage must have settled before it is given; our choice

// What no battery with a dead cell can do: five charged cells make some 10.7 V.
const (
	givingV     = 12.2 // V: of the bank after a run, in a string of the battery; our choice
	givingShare = 0.5  // ratio: of an even share of a run; our choice
)

// gave tells the judges which batteries gave their part of a run that has ended. In a string the others may
// hold the bank up.
func (b *batteries) gave(as *[unit.MaxBatteries]float64, bankV unit.Reading, read *unit.Scan) {
	sum := 0.0
	for _, x := range as {
		sum += x
	}
	for i := range b.judge {
		if b.layout != unit.Parallel {
			bankV = read.Battery[i].VoltageV
		}
		b.judge[i].Gave(bankV.OK() && bankV.Value >= givingV && sum > 0 && as[i]*float64(len(b.judge)) >= givingShare*sum)
	}
}

// charge fills in what is known of the charge of battery i.
func (b *batteries) charge(i int, at unit.Moment, s *view.BatteryState) {
	s.SoCPct = b.soc(i)
	if b.judge[i].DeadCell() {
		s.SoCPct = unit.Estimate{}
	}
	if v := b.est[i].RestedV(); v.Known && v.Sigma <= restedSigmaV {
		s.RestedV, s.RestedAt = v, at.Mono
	}
	s.ChargedAh, s.DrawnAh = b.est[i].ChargedAh(), b.est[i].DrawnAh()
}

// waitsForSensors is what a verdict waits for while the battery's sensors can't be believed.
var waitsForSensors = unit.Says("waits.sensors", "a believable voltage and current")

// capability fills in what battery i can give, and the verdict on it.
func (b *batteries) capability(i int, at unit.Moment, s *view.BatteryState) {
	if !s.In.VoltageV.OK() || !s.In.CurrentA.OK() {
		s.Resistance, s.CrankingA, s.Trend = unit.Estimate{}, unit.Estimate{}, unit.Estimate{}
		s.Verdict, s.WaitsFor = loadtest.Unknown, waitsForSensors
		return
	}
	m, rated := b.load[i], &b.spec[i]
	s.Resistance, s.RunsJudged, s.CrankingA, s.Trend = m.ResistanceMohm(), m.Runs(), m.CrankingA(), m.Trend()
	s.CapacityAh = b.capacityAh(i)
	s.HealthPct = healthPct(s.CapacityAh, rated)
	ev := loadtest.Evidence{
		Runs: s.RunsJudged, ChargedRuns: m.ChargedRuns(), Cranking: over(s.CrankingA, rated.RatedCCA), Capacity: over(s.CapacityAh, rated.RatedAh),
		SoC: b.soc(i), EMFV: emfV(m), TakingRuns: m.TakingRuns(), InString: b.layout.Blocks() > 1,
	}
	if s.RestedV.Known &&
		s.RestedAt == at.Mono { // a rest before a charge says nothing of a cell: an empty battery was as low
		ev.RestedV = unit.Reading{Value: s.RestedV.Value, Quality: unit.Good}
	}
	for j, other := range b.load {
		// In a string each has a charge of its own.
		if v := emfV(other); v.OK() && j != i && b.layout == unit.Parallel && (!ev.NeighborEMFV.OK() || v.Value > ev.NeighborEMFV.Value) {
			ev.NeighborEMFV = v
		}
		if j != i && b.layout.StringOf(j) != b.layout.StringOf(i) && b.judge[j].Failed() {
			ev.BesideFailed = true
		}
	}
	s.Verdict, s.WaitsFor = b.judge[i].Step(&ev)
	if doubt := b.judge[i].Doubt(s.RunsJudged); doubt > 0 {
		s.Resistance.Sigma = math.Hypot(s.Resistance.Sigma, doubt*s.Resistance.Value)
		s.CrankingA.Sigma = math.Hypot(s.CrankingA.Sigma, doubt*s.CrankingA.Value)
	}
	weak := (s.Verdict == loadtest.Tired || s.Verdict == loadtest.Failed) && !b.judge[i].DeadCell()
	if byRuns := !s.CapacityAh.Known || ev.Capacity.Value >= loadtest.ServiceShare; weak && byRuns && b.tooStrongBeside(i) {
		s.Verdict, s.WaitsFor = loadtest.Unknown, waitsForTaps
	}
}

// A new battery gives up to some 1.2 times its rating.
const strongShare = 1.25 // ratio: of rated, a battery that seems to give more is doubted beside a weak one; our choice

// healthPct returns the capacity in percent of the rated one.
func healthPct(ah Estimate, rated *view.Spec) Estimate {
	return Estimate{Value: 100 * ah.Value / rated.RatedAh, Sigma: 100 * ah.Sigma / rated.RatedAh, Known: ah.Known}
}

// waitsForTaps is what a verdict waits for while battery and neighbor seem to be off in opposite ways.
var waitsForTaps = unit.Says("waits.taps", "taps and sensors that can be told apart: another battery seems stronger "+
	"than any is, as when the two are swapped")

// tooStrongBeside reports whether another battery seems stronger than any is. Swapped taps or sensors
// take from one battery's resistance what they add to another's: the weak one may be sound.
func (b *batteries) tooStrongBeside(i int) bool {
	for j, x := range b.overRating() {
		if j != i && x.Known && x.Value > strongShare {
			return true
		}
	}
	return false
}

// overRating returns what each battery's capability is over its rating by its sensors, believed or
// not.
func (b *batteries) overRating() (share [MaxBatteries]unit.Estimate) {
	for i, m := range b.load {
		share[i] = over(m.CrankingA(), b.spec[i].RatedCCA)
	}
	return share
}

// over returns an estimate as a share of a rating.
func over(x unit.Estimate, rated float64) unit.Estimate {
	return unit.Estimate{Value: x.Value / rated, Sigma: x.Sigma / rated, Known: x.Known}
}

func emfV(m *loadtest.Meter) (r unit.Reading) {
	if v, ok := m.EMFV(); ok {
		r = unit.Reading{Value: v, Quality: unit.Good}
	}
	return r
}

// facts fills in what only detectors need of battery i.
func (b *batteries) facts(i int, f *view.BatteryFacts) {
	f.DeadCell, f.TakingRuns = b.judge[i].DeadCell(), b.load[i].TakingRuns()
	f.RestedV, f.RestFor = b.est[i].RestedV(), b.est[i].RestFor()
}

// lastFull returns when battery i was last full, by a charge seen to its end or by its calculated
// charge.
func (b *batteries) lastFull(i int, count *bank.Counter) (at time.Duration, ever bool) {
	seenAt, seen := b.est[i].Full()
	return count.LastFull(i, seenAt, seen)
}
