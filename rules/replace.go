package rules

import (
	"slices"

	"liftbank/rules/estimate"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
)

// ForgetBattery says that another battery stands in place i, or that nothing learnt of it holds: its charge, capacity, resistance and
// counters begin anew, and so do the shares of all, which hang on each other, the trends of the bank, and the links, whose lugs were off. The
// ratings are those of the configuration. It reports false for a place that there isn't, and changes nothing then. It is for between two steps.
func (e *Engine) ForgetBattery(i int) bool {
	if i < 0 || i >= len(e.cfg.Batteries) {
		return false
	}
	b := e.cfg.Batteries[i]
	e.est[i] = estimate.New(estimate.Params{Chemistry: b.Chemistry, RatedAh: b.RatedAh})
	e.load[i] = loadtest.New(loadtest.Params{Chemistry: b.Chemistry, RatedCCA: b.RatedCCA})
	e.judge[i] = loadtest.Judge{}
	e.share = shareState{}
	e.forgetCharge(i)
	e.out.Battery[i] = BatteryState{ID: b.ID}
	e.ahead.meter.ForgetBatteries()
	e.ahead.next = 0
	for _, slot := range []int{e.slots.tired[i], e.slots.failed[i], e.slots.uneven[i], e.slots.circulating} {
		if slot >= 0 {
			e.book.End(slot, e.last)
		}
	}
	e.ForgetLinks()
	return true
}

// forgetCharge begins anew what goes by the charge of battery i, or by its temperature: it may come warm from a shop, and was full nobody
// knows when.
func (e *Engine) forgetCharge(i int) {
	day, low := &e.det.Day, &e.det.Low
	day.Known, day.FromOK, day.Uneven = 0, false, [MaxBatteries]uint8{}
	low.Begun, low.From, low.Now = true, e.last, false
	low.FullKnown[i], low.Maybe[i] = false, false
	e.det.Park.On = false
	e.tempRead[i] = false
}

// ForgetLinks says that joints were opened, cleaned or tightened, or a cable replaced: what was learnt of links, of the places of the
// leads and of the paths to motor and from the converter begins anew. It is for between two steps.
func (e *Engine) ForgetLinks() {
	e.net = network.New(len(e.cfg.Batteries), e.cfg.NegativeTap)
	e.judgeAt = e.last // say so with the next step
	e.det.Motor.Mohms = 0
	for _, slot := range slices.Concat(e.slots.link, e.slots.post, []int{e.slots.drop}) {
		if slot >= 0 {
			e.book.End(slot, e.last)
		}
	}
}
