package rules

import (
	"math"
	"time"

	"liftbank/rules/bank"
	"liftbank/rules/network"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

const circulatingSigmaA = 0.2 // A: what the zeros of two ±200 A sensors leave uncertain; our choice

// summarize fills in what is known of the batteries and the bank.
func (e *Engine) summarize(bankV, bankA Reading) {
	n := len(e.cfg.Batteries)
	strings := e.cfg.Layout.Strings(n)
	draw, drawOK := bank.Shares(&e.count.ShareDrawnAh, strings)
	charge, chargeOK := bank.Shares(&e.count.ShareChargedAh, strings)
	if e.slow = e.last >= e.due; e.slow {
		e.due = e.last + slowEvery
	}
	for i := range n {
		b := &e.out.Battery[i]
		e.cells.charge(i, e.out.At, b)
		if e.slow {
			e.cells.capability(i, e.out.At, b)
		}
		k := e.cfg.Layout.StringOf(i)
		b.DrawSharePct = Estimate{Value: draw[k], Sigma: bank.SharePct, Known: drawOK && strings > 1}
		b.ChargeSharePct = Estimate{Value: charge[k], Sigma: bank.SharePct, Known: chargeOK && strings > 1}
	}
	if e.slow {
		e.feedPath = networkOf(e.net, &e.middle, &e.frame)
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
	if e.cfg.Layout != unit.Parallel {
		e.stringLinksNow()
		return
	}
	for i := range e.out.Links {
		l := &e.out.Links[i]
		l.CurrentA, l.DropV = network.LinkNow(l.Side, l.From, len(e.cfg.Batteries), leads, e.frame.Raw, &e.read,
			&e.cfg.NegativeTap)
	}
}

// networkOf fills in the links, the joints, the places of the leads and the path to the motor, and
// returns the path from the converter.
func networkOf(net *network.Meter, middle *network.Middles, f *view.Frame) (feedPath Estimate) {
	for i := range f.Links {
		l := &f.Links[i]
		if l.Side == network.Middle {
			l.Mohm = middle.Mohm(f.Layout.StringOf(l.From))
			continue
		}
		l.Mohm = net.Link(f.Layout.StringOf(l.From), l.Side)
	}
	for i := range f.Posts {
		p := &f.Posts[i]
		p.Mohm = net.Post(p.Battery, p.Side)
	}
	feedPath = net.FeedPath()
	f.Motor.PathMohm, f.Feed.PathMohm = net.MotorPath(), feedPath
	f.Bank.LoadLeads, f.Bank.FeedLeads = leadsOf(f.Layout, net.Load()), leadsOf(f.Layout, net.Feed())
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
	strings := e.cfg.Layout.Strings(n)
	e.stringCharges()
	for k := range strings {
		c, ah := e.stringCharge(k)
		known = known && c.Known
		sum, weight = sum+c.Value*ah, weight+ah
		sigma += c.Sigma * ah // table, temperature and charger are the same for all: no mean is surer
		spreadVar = max(spreadVar, sq(c.Sigma))
		low, high = min(low, c.Value), max(high, c.Value)
	}
	for i := range n {
		b := &e.out.Battery[i]
		s.ChargedAh += e.cfg.Layout.OfString(b.ChargedAh)
		s.DrawnAh += e.cfg.Layout.OfString(b.DrawnAh)
	}
	s.SoCPct, s.SpreadPct = Estimate{}, Estimate{}
	if known {
		s.SoCPct = Estimate{Value: sum / weight, Sigma: sigma / weight, Known: true}
		if strings > 1 {
			s.SpreadPct = Estimate{Value: high - low, Sigma: math.Sqrt(2 * spreadVar), Known: true}
		}
	}
	s.FullCycles = s.DrawnAh / weight
	s.ResistanceRatio = view.ResistanceRatio(e.out.Battery)
	s.ChargedWh, s.DrawnWh = e.count.ChargedWh, e.count.DrawnWh
	restOf(e.cells, &e.frame, e.set.RestTime)
	fullOf(e.cells, &e.frame, &e.count)
}

// wholeV returns the mean voltage of the strings by the taps at their plus ends; ok is false of a parallel bank.
func wholeV(f *view.Frame) (v float64, ok bool) {
	n := 0.0
	for k := range f.Strings {
		if s := f.Strings[k].VoltageV; s.OK() {
			v, n = v+s.Value, n+1
		}
	}
	return v / n, n > 0
}

// restOf works out whether the bank as a whole has rested, and what it then shows.
func restOf(cells *batteries, f *view.Frame, restTime time.Duration) {
	var sumV, nowV, sigma, flow float64
	var m int
	l, strings := f.Layout, f.Layout.Strings(len(f.Spec))
	s, rested := &f.Bank, true
	for i, est := range cells.est {
		in := &f.Battery[i].In
		if !in.VoltageV.OK() || !in.CurrentA.OK() {
			continue
		}
		v := est.RestedV()
		rested = rested && v.Known && v.Sigma <= restedSigmaV && est.RestFor() >= restTime
		sumV, nowV, sigma, m = sumV+v.Value, nowV+in.VoltageV.Value, max(sigma, v.Sigma), m+1
		if i == l.Lowest(l.StringOf(i)) {
			flow += math.Abs(in.CurrentA.Value)
		}
	}
	s.Rested = rested && m > 0
	if !s.Rested {
		return
	}
	s.RestedV = Estimate{Value: l.Volts(sumV / float64(m)), Sigma: l.Volts(sigma), Known: true}
	if whole, ok := wholeV(f); ok { // a middle is read by two taps, and what they err by is not the bank's
		s.RestedV.Value = whole + l.Volts((sumV-nowV)/float64(m))
	}
	if m == len(cells.est) && strings > 1 {
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
