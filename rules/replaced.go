package rules

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"liftbank/rules/daily"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/rules/forecast"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
)

// Kept is what was known before batteries were replaced, so that a replacement can be taken back.
// It is saved as it is.
type Kept struct {
	Battery []KeptBattery
	Bank    KeptBank
}

// KeptBattery is one battery that was replaced, as it was.
type KeptBattery struct {
	BatteryMemory
	FullAt, PossiblyFullAt  time.Duration
	FullKnown, PossiblyFull bool
	Ended                   []finding.RecordState // findings that the replacement has ended
}

// KeptBank is what hangs on all batteries, as it was before the first of them was replaced.
type KeptBank struct {
	From           time.Duration
	ShareDrawnAh   [MaxBatteries]float64
	ShareChargedAh [MaxBatteries]float64
	Days           daily.Memory
	Forecast       forecast.State
	Findings       detect.Memory
	HasLinks       bool // not since links were worked on
	Network        network.State
	Middle         network.MiddleState `json:",omitzero"`
	FeedPath       Estimate
	Pump           pump.State
}

// clone returns a copy that shares nothing that changes.
func (k *Kept) clone() *Kept {
	if k == nil || len(k.Battery) == 0 {
		return nil
	}
	c := *k
	c.Battery = slices.Clone(k.Battery)
	return &c
}

// find returns the index of a battery that was replaced, -1 for none.
func (k *Kept) find(id string) int {
	if k == nil {
		return -1
	}
	return slices.IndexFunc(k.Battery, func(b KeptBattery) bool { return b.ID == id })
}

// ForgetBattery says that battery i is another one of the same ratings, or that nothing learned of
// it holds. It reports false for a battery that there isn't, and changes nothing then. It is for
// between two steps.
func (e *Engine) ForgetBattery(i int) bool {
	return i >= 0 && i < len(e.cfg.Batteries) && e.ReplaceBattery(i, e.cfg.Batteries[i]) == nil
}

// ReplaceBattery says that battery i is another one, of these ratings; the ID stays. Its charge,
// capacity, resistance and counters restart, and so do the shares of all, which hang on each other,
// the trends of the bank, and the links, whose lugs were off. What was known is kept for
// TakeBackBattery until SettleBatteries. On an error nothing changes. It is for between two steps.
func (e *Engine) ReplaceBattery(i int, spec BatteryConfig) error {
	if err := e.checkSpec(i, &spec); err != nil {
		return fmt.Errorf("rules: replace: %w", err)
	}
	first := e.kept.find(spec.ID) < 0
	var was KeptBattery
	if first { // of two replacements the first took out what was known
		was = e.keep(i)
	}
	if err := e.fit(i, spec); err != nil {
		return err
	}
	e.count.Replaced(i)
	e.days.Forget()
	e.trust.Replaced(i)
	e.strung.Replaced(i)
	e.from = e.last
	e.ahead.meter.ForgetBatteries()
	e.ahead.next = 0
	e.found.Worked(detect.NewBattery, i)
	e.forgetLinks()
	if first {
		was.Ended = e.book.EndedOf(was.Ended)
		e.kept.Battery = append(e.kept.Battery, was)
	}
	return nil
}

// checkSpec reports whether battery i can have these ratings, and gives them its ID.
func (e *Engine) checkSpec(i int, spec *BatteryConfig) error {
	if i < 0 || i >= len(e.cfg.Batteries) {
		return fmt.Errorf("battery %d: want 0 to %d", i, len(e.cfg.Batteries)-1)
	}
	cfg := e.cfg
	cfg.Batteries = slices.Clone(e.cfg.Batteries)
	spec.ID = cfg.Batteries[i].ID
	cfg.Batteries[i] = *spec
	if err := cfg.Validate(); err != nil {
		return fmt.Errorf("battery %s: %w", spec.ID, err)
	}
	return nil
}

// keep returns what is known of battery i, with all findings that hold, and keeps what hangs on all
// batteries unless an earlier replacement has.
func (e *Engine) keep(i int) KeptBattery {
	if e.kept == nil {
		e.kept = &Kept{Bank: KeptBank{
			From: e.from, ShareDrawnAh: e.count.ShareDrawnAh, ShareChargedAh: e.count.ShareChargedAh,
			Days: e.days.Memory, Forecast: e.ahead.meter.State(), Findings: e.found.Save(),
			HasLinks: true, Network: e.net.State(), Middle: e.middle.State(), FeedPath: e.feedPath, Pump: e.pump.State,
		}}
	}
	c := &e.count
	return KeptBattery{
		BatteryMemory: e.batteryMemory(i), FullAt: c.FullAt[i], PossiblyFullAt: c.PossiblyFullAt[i],
		FullKnown: c.FullKnown[i], PossiblyFull: c.PossiblyFull[i], Ended: e.book.Active(),
	}
}

// fit puts a battery of these ratings in place i, of which nothing is known.
func (e *Engine) fit(i int, spec BatteryConfig) error {
	rated := e.cfg.Batteries[i] != spec
	e.cfg.Batteries[i] = spec // the parts share it
	e.cells.forget(i)
	e.out.Battery[i] = BatteryState{ID: spec.ID}
	if e.work.On { // the verdict is not looked at until the work is over
		b := &e.out.Battery[i]
		b.Verdict, b.WaitsFor = (&loadtest.Judge{}).Step(&loadtest.Evidence{})
	}
	if !rated {
		return nil
	}
	ahead, zeros := newAhead(&e.cfg, &e.set, &e.class), newZeros(&e.cfg, &e.class, e.set.OwnDrawA+e.set.RadioA)
	if err := errors.Join(ahead.meter.Restore(e.ahead.meter.State()), zeros.Restore(e.zeros.State())); err != nil {
		return fmt.Errorf("bug: rules: other ratings: %w", err)
	}
	e.ahead, e.zeros = ahead, zeros
	return nil
}

// ForgetLinks says that joints were opened, cleaned or tightened, or a cable replaced: what was
// learned of links, of the places of the leads and of the paths to motor and from the converter
// restarts, for a battery that is taken back too. It is for between two steps.
func (e *Engine) ForgetLinks() {
	e.forgetLinks()
	if e.kept == nil {
		return
	}
	e.kept.Bank.HasLinks = false
	for k := range e.kept.Battery {
		b := &e.kept.Battery[k]
		b.Ended = slices.DeleteFunc(slices.Clone(b.Ended), func(r finding.RecordState) bool {
			return e.found.Hangs(r.Name, detect.Joints)
		})
	}
}

func (e *Engine) forgetLinks() {
	e.startLinks()
	e.due = e.last // it shows with the next step
	e.pump.Drops.Count = 0
	e.found.Worked(detect.Joints, -1)
}

// ErrNotKept says that nothing is known any longer of the battery that was replaced.
var ErrNotKept = errors.New("nothing is kept of the battery that was replaced")

// TakeBackBattery says that battery i was not replaced: it is the one that was there before, with its
// ratings and with all that was learned of it. Once no replacement is left, so is what hangs on all
// batteries. The error is ErrNotKept where it was not replaced, or that is settled. It is for
// between two steps.
func (e *Engine) TakeBackBattery(i int) error {
	if i < 0 || i >= len(e.cfg.Batteries) {
		return fmt.Errorf("rules: battery %d: want 0 to %d", i, len(e.cfg.Batteries)-1)
	}
	k := e.kept.find(e.cfg.Batteries[i].ID)
	if k < 0 {
		return fmt.Errorf("rules: take back battery %s: %w", e.cfg.Batteries[i].ID, ErrNotKept)
	}
	was := &e.kept.Battery[k]
	spec, err := was.spec()
	if err != nil {
		return fmt.Errorf("rules: take back battery %s: %w", was.ID, err)
	}
	errs := []error{e.fit(i, spec), e.cells.restore(i, &was.BatteryMemory, &e.out.Battery[i])}
	e.count.FullAt[i], e.count.FullKnown[i] = was.FullAt, was.FullKnown
	e.count.PossiblyFullAt[i], e.count.PossiblyFull[i] = was.PossiblyFullAt, was.PossiblyFull
	e.trust.Replaced(i)
	e.due, e.ahead.next = e.last, 0
	ended := was.Ended
	e.kept.Battery = slices.Delete(slices.Clone(e.kept.Battery), k, k+1)
	if len(e.kept.Battery) == 0 {
		errs = append(errs, e.takeBackBank(&e.kept.Bank))
		e.kept = nil
	}
	for k := range ended {
		e.book.Reopen(&ended[k], e.last)
	}
	e.out.Findings = e.book.Records
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("rules: take back battery %s: %w", e.cfg.Batteries[i].ID, err)
	}
	return nil
}

// takeBackBank takes over what hung on all batteries.
func (e *Engine) takeBackBank(was *KeptBank) error {
	var c unit.Check
	c.Sum("charge", was.ShareDrawnAh[:]...)
	c.Sum("charge", was.ShareChargedAh[:]...)
	c.In("first scan", was.From.Seconds(), 0, e.last.Seconds())
	if err := c.Err(); err != nil {
		return err
	}
	e.from = was.From
	e.count.ShareDrawnAh, e.count.ShareChargedAh = was.ShareDrawnAh, was.ShareChargedAh
	errs := []error{
		was.Days.Check(), e.ahead.meter.TakeBackBatteries(was.Forecast),
		e.found.TakeBack(was.Findings, detect.NewBattery),
	}
	if errs[0] == nil && was.Days.Index == e.days.Index { // else a day has ended with another battery
		e.days.Known, e.days.FromOK = was.Days.Known, was.Days.FromOK
	}
	if was.HasLinks {
		errs = append(errs, e.net.Restore(was.Network), e.middle.Restore(was.Middle), was.Pump.Check(), e.found.TakeBack(was.Findings, detect.Joints))
		if was.Pump.Check() == nil {
			e.pump.Drops = was.Pump.Drops
		}
		e.feedPath = was.FeedPath
		networkOf(e.net, &e.middle, &e.frame)
	}
	return errors.Join(errs...)
}

// spec returns the ratings of a battery that was replaced.
func (b *BatteryMemory) spec() (BatteryConfig, error) {
	s := BatteryConfig{ID: b.ID, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA}
	for _, c := range leadacid.All() {
		if c.Is(b.Chemistry) {
			s.Chemistry = c
		}
	}
	cfg := Config{Batteries: []BatteryConfig{s}}
	return s, cfg.Validate()
}

// SettleBatteries drops what is kept of batteries that were replaced: they can't be taken back any
// more.
func (e *Engine) SettleBatteries() { e.kept = nil }

// Replaced reports whether battery i was replaced and can be taken back.
func (e *Engine) Replaced(i int) bool {
	return i >= 0 && i < len(e.cfg.Batteries) && e.kept.find(e.cfg.Batteries[i].ID) >= 0
}
