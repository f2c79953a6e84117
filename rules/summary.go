package rules

import (
	"math"
	"time"

	"liftbank/rules/bank"
	"liftbank/rules/network"
	"liftbank/rules/view"
)

const circulatingSigmaA = 0.2 // A: what the zeros of two ±200 A sensors leave uncertain; our choice

// summarize fills in what is known of the batteries and the bank.
func (e *Engine) summarize(bankV, bankA Reading) {
	n := len(e.cfg.Batteries)
	draw, drawOK := bank.Shares(&e.count.ShareDrawnAh, n)
	charge, chargeOK := bank.Shares(&e.count.ShareChargedAh, n)
	if e.slow = e.last >= e.due; e.slow {
		e.due = e.last + slowEvery
	}
	for i := range n {
		b := &e.out.Battery[i]
		e.cells.charge(i, e.out.At, b)
		if e.slow {
			e.cells.capability(i, e.out.At, b)
		}
		b.DrawSharePct = Estimate{Value: draw[i], Sigma: bank.SharePct, Known: drawOK && n > 1}
		b.ChargeSharePct = Estimate{Value: charge[i], Sigma: bank.SharePct, Known: chargeOK && n > 1}
	}
	if e.slow {
		e.feedPath = networkOf(e.net, &e.frame)
	}
	e.linksNow()
	e.summarizeBank(bankV, bankA)
}

// linksNow fills in the current through each link and the drop over it in this scan.
func (e *Engine) linksNow() {
	leads := e.out.Bank.FeedLeads
	if e.out.Motor.Running {
		leads = e.out.Bank.LoadLeads
	}
	for i := range e.out.Links {
		l := &e.out.Links[i]
		l.CurrentA, l.DropV = network.LinkNow(l.Side, l.From, len(e.cfg.Batteries), leads, e.frame.Raw, &e.read,
			&e.cfg.NegativeTap)
	}
}

// networkOf fills in the links, the joints, the places of the leads and the path to the motor, and
// returns the path from the converter.
func networkOf(net *network.Meter, f *view.Frame) (feedPath Estimate) {
	for i := range f.Links {
		l := &f.Links[i]
		l.Mohm = net.Link(l.From, l.Side)
	}
	for i := range f.Posts {
		p := &f.Posts[i]
		p.Mohm = net.Post(p.Battery, p.Side)
	}
	feedPath = net.FeedPath()
	f.Motor.PathMohm, f.Feed.PathMohm = net.MotorPath(), feedPath
	f.Bank.LoadLeads, f.Bank.FeedLeads = net.Load(), net.Feed()
	return feedPath
}

func (e *Engine) summarizeBank(bankV, bankA Reading) {
	s := &e.out.Bank
	s.VoltageV, s.CurrentA = bankV, bankA
	n := len(e.cfg.Batteries)
	var sum, weight, sigma, spreadVar float64
	low, high := math.Inf(1), math.Inf(-1)
	s.ChargedAh, s.DrawnAh, s.CirculatingA = 0, 0, Estimate{}
	known := true
	for i := range n {
		b := &e.out.Battery[i]
		ah := e.cfg.Batteries[i].RatedAh
		known = known && b.SoCPct.Known
		sum, weight = sum+b.SoCPct.Value*ah, weight+ah
		sigma += b.SoCPct.Sigma * ah // table, temperature and charger are the same for all: no mean is surer
		spreadVar = max(spreadVar, sq(b.SoCPct.Sigma))
		low, high = min(low, b.SoCPct.Value), max(high, b.SoCPct.Value)
		s.ChargedAh += b.ChargedAh
		s.DrawnAh += b.DrawnAh
	}
	s.SoCPct, s.SpreadPct = Estimate{}, Estimate{}
	if known {
		s.SoCPct = Estimate{Value: sum / weight, Sigma: sigma / weight, Known: true}
		if n > 1 {
			s.SpreadPct = Estimate{Value: high - low, Sigma: math.Sqrt(2 * spreadVar), Known: true}
		}
	}
	s.FullCycles = s.DrawnAh / weight
	s.ResistanceRatio = view.ResistanceRatio(e.out.Battery)
	s.ChargedWh, s.DrawnWh = e.count.ChargedWh, e.count.DrawnWh
	restOf(e.cells, &e.frame, e.set.RestTime)
	fullOf(e.cells, &e.frame, &e.count)
}

// restOf works out whether the bank as a whole has rested, and what it then shows.
func restOf(cells *batteries, f *view.Frame, restTime time.Duration) {
	var sumV, sigma, flow float64
	var m int
	s, rested := &f.Bank, true
	for i, est := range cells.est {
		in := &f.Battery[i].In
		if !in.VoltageV.OK() || !in.CurrentA.OK() {
			continue
		}
		v := est.RestedV()
		rested = rested && v.Known && v.Sigma <= restedSigmaV && est.RestFor() >= restTime
		sumV, sigma, m = sumV+v.Value, max(sigma, v.Sigma), m+1
		flow += math.Abs(in.CurrentA.Value)
	}
	s.Rested = rested && m > 0
	if !s.Rested {
		return
	}
	s.RestedV = Estimate{Value: sumV / float64(m), Sigma: sigma, Known: true}
	if m == len(cells.est) && m > 1 {
		s.CirculatingA = Estimate{Value: flow / 2, Sigma: circulatingSigmaA, Known: true}
	}
}

// fullOf finds how long ago the battery was full whose last full charge is longest ago.
func fullOf(cells *batteries, f *view.Frame, count *bank.Counter) {
	s := &f.Bank
	s.FullKnown = false
	for i := range cells.est {
		at, ever := cells.lastFull(i, count)
		if !ever {
			s.FullKnown = false
			return
		}
		if since := f.At.Mono - at; !s.FullKnown || since > s.SinceFull {
			s.SinceFull, s.FullKnown = since, true
		}
	}
}

func sq(x float64) float64 { return x * x }
