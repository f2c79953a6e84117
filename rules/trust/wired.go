package trust

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// A battery whose posts are pulled down gives more current, whatever is wrong with it: its
// resistance is never negative, a dead cell's either. A sensor that shows the opposite is on the
// wrong way around.
const (
	signA    = 12.5                   // A: a change that a sensor shows well beyond its noise; our choice
	signV    = 0.06                   // V: that it drops at the least: 5 mΩ, the half of a worn block's; our choice
	signHold = 150 * time.Millisecond // in a run, before it is believed: they are read one after the other; our choice
	signRead = 4                      // count: readings, too; our choice
)

const saneMost = 1e4 // ratio: of V or A, no reading is larger; our choice

// sane reports whether a value is a number that a sensor can give.
func sane(r unit.Reading) bool { return math.Abs(r.Value) < saneMost }

// Sign is what the current of one battery does in a run against its voltage.
type Sign struct {
	Have  bool // voltage and current before the run
	RestV float64
	RestA float64
	Since time.Duration // it has gone one way
	Read  uint8
	Right bool
	Seen  bool // a run has shown that it is right
}

// checkSigns compares voltage and current of each battery in a run with those before it.
func (c *Channels) checkSigns(in *unit.Scan) {
	for i := range c.n {
		b, g := &in.Battery[i], &c.Sign[i]
		v, a := b.OwnV(), b.CurrentA
		if !v.OK() || !(v.Value >= DeadPostV) || !sane(v) || !a.OK() || !sane(a) || c.UnresponsiveV[i] > 0 {
			g.Have = g.Have && c.facts.Running
			g.Read = 0
			continue
		}
		if !c.facts.Running {
			if in.MotorCommand != unit.ContactOn {
				g.Have, g.RestV, g.RestA, g.Read = true, v.Value, a.Value, 0
			}
			continue
		}
		dv, da := v.Value-g.RestV, a.Value-g.RestA
		if !g.Have || !(dv <= -signV && math.Abs(da) >= signA) {
			g.Read = 0
			continue
		}
		if right := da < 0; g.Read == 0 || right != g.Right {
			g.Right, g.Since, g.Read = right, c.now, 0
		}
		g.Read = min(g.Read+1, signRead)
		if g.Read < signRead || c.now-g.Since < signHold {
			continue
		}
		k := c.of(unit.BatteryCurrent, i)
		g.Seen = g.Right
		switch {
		case !g.Right && k.Doubt == NoDoubt:
			c.doubt(i, doubtReversed)
		case g.Right && k.Doubt == doubtReversed:
			c.doubt(i, NoDoubt)
		}
	}
}

// SignSeen reports whether a run has shown that the current of battery i has the right sign.
func (c *Channels) SignSeen(i int) bool { return c.Sign[i].Seen }

// doubt sets or takes away a doubt about the current of battery i that began nobody knows when.
func (c *Channels) doubt(i int, d Doubt) {
	for j := range c.n { // one sensor is behind all readings of a string
		if c.layout.StringOf(j) == c.layout.StringOf(i) {
			k := c.of(unit.BatteryCurrent, j)
			k.Doubt, k.DoubtSince, k.Suspect = d, c.now, false
			c.turned[j] = true
		}
	}
	c.HasShares = false
}

// Turned reports whether in this scan it turned out that the current of battery i has been wrong, or
// is right again: what was learned from it is worth nothing.
func (c *Channels) Turned(i int) bool { return c.turned[i] }

// A sensor whose scale changes shows from one run to the next another current for the same drop. A
// battery that gives less drops more, or has others give more.
const (
	scaleRuns     = 10   // count: runs over which the usual steps are averaged; our choice
	scaleMin      = 5    // count: runs before they are usual; our choice
	scaleFar      = 1.5  // ratio: of a battery's current from the usual one, up or down; our choice
	scaleNear     = 1.25 // ratio: of its drop and of the others' current; our choice
	tooGood       = 1.5  // ratio: of capability to rating, more than any battery has; our choice
	tooGoodBeside = 1.4  // ratio: of that to the others'; our choice
	scaleSum      = 0.7  // ratio: of the change of the bank's current to the battery's, for its sensor to be it; our choice
	scaleInARow   = 3    // count: runs that say so; our choice
)

// Step is what the start of a run usually does to the readings of a battery.
type Step struct {
	V, A   float64
	Runs   uint8
	Scaled uint8 // runs in a row in which the current alone was another
}

// checkScale compares the start of the run just ended with the usual one.
func (c *Channels) checkScale(r *Run) {
	for i := range c.n {
		s, k := &c.Steps[i], c.of(unit.BatteryCurrent, i)
		moved := r.Have[i] && r.StepV[i] <= -signV && r.StepA[i] <= -ownA &&
			r.StepV[i] > -saneMost && r.StepA[i] > -saneMost
		if other := k.Doubt != NoDoubt && k.Doubt != doubtScale && k.Doubt != doubtRating; other ||
			c.Doubted(unit.ChannelOf(unit.BatteryVoltage, i)) {
			continue
		}
		if !moved {
			if k.Doubt == NoDoubt { // it gave nothing: what it gives next is a battery's affair
				*s = Step{}
			}
			continue
		}
		known := s.Runs >= scaleMin
		odd := known && !nearly(r.StepA[i]/s.A, scaleFar) && nearly(r.StepV[i]/s.V, scaleNear) && c.othersUsual(r, i) &&
			c.sumMoved(r, i, r.StepA[i]-s.A)
		s.Scaled = tallyTo(s.Scaled, odd, scaleInARow)
		switch {
		case s.Scaled >= scaleInARow && k.Doubt == NoDoubt:
			c.doubt(i, doubtScale)
		case s.Scaled >= scaleInARow && k.Doubt == doubtRating: // it has another scale now: begin afresh
			c.doubt(i, NoDoubt)
			*s = Step{}
		case known && !odd && k.Doubt == doubtScale && nearly(r.StepA[i]/s.A, scaleNear):
			c.doubt(i, NoDoubt)
		}
		if odd || k.Doubt == doubtScale {
			continue
		}
		s.Runs = min(s.Runs+1, scaleRuns)
		s.V += (r.StepV[i] - s.V) / float64(s.Runs)
		s.A += (r.StepA[i] - s.A) / float64(s.Runs)
	}
}

// Rated takes what the capability of each battery is over its rating, as far as it is known. A
// battery far better than it can be, beside others that are not, has a current sensor that shows too
// much: nothing else makes a resistance small.
func (c *Channels) Rated(over *[unit.MaxBatteries]unit.Estimate) {
	for i := range c.n {
		k, x := c.of(unit.BatteryCurrent, i), &over[i]
		if k.Doubt == doubtRating && x.Known && x.Value < tooGood {
			c.doubt(i, NoDoubt)
		}
		if k.Doubt != NoDoubt || !x.Known || x.Value-x.Sigma < tooGood || c.layout.Strings(c.n) < 2 {
			continue
		}
		others := true
		for j := range c.n {
			others = others && (c.layout.StringOf(j) == c.layout.StringOf(i) || over[j].Known && over[j].Value < x.Value/tooGoodBeside)
		}
		if others {
			c.Steps[i] = Step{} // what was usual is not
			c.doubt(i, doubtRating)
		}
	}
}

// othersUsual reports whether the other batteries gave what they usually give.
func (c *Channels) othersUsual(r *Run, i int) bool {
	for j := range c.n {
		s := &c.Steps[j]
		if c.layout.StringOf(j) != c.layout.StringOf(i) && (!r.Have[j] || s.Runs < scaleMin || !nearly(r.StepA[j]/s.A, scaleNear)) {
			return false
		}
	}
	return true
}

// sumMoved reports whether the bank's current is other than usual by about as much as one battery's
// is: the pump takes what it always takes, and what one battery gives less, others give more.
func (c *Channels) sumMoved(r *Run, i int, by float64) bool {
	moved := 0.0
	for j := range c.n {
		if j == i || c.layout.StringOf(j) != c.layout.StringOf(i) && j == c.layout.Lowest(c.layout.StringOf(j)) {
			moved += r.StepA[j] - c.Steps[j].A
		}
	}
	return moved/by > scaleSum
}

func nearly(x, ratio float64) bool { return x < ratio && x > 1/ratio }

// A charger clamped on a battery's posts, past its current sensor: the voltage rises above what a
// full one rests at without the charge that takes. A battery that recovers from a load stays below.
// Beside others it gives them what the charger puts in, and rises: one that gives from its own falls,
// or gives less and less.
const (
	pastFrom   = 0.05             // V: above a full one's rested voltage, at the most, before it rises; our choice
	pastTo     = 0.25             // V: above that, twice as far as makes differ; our choice
	pastOver   = 0.15             // V: above that, below it is over; our choice
	pastFalls  = 0.3              // V: from its highest, and the charger is off; our choice
	pastHold   = 10 * time.Minute // of such a voltage, before it is said; our choice
	pastPart   = 0.005            // ratio: of the capacity, counted in meanwhile at the most; our choice
	pastFlow   = 0.004            // 1/h: current over capacity, a battery with room takes more from a charger; our choice
	pastRest   = 0.012            // 1/h: current over capacity, with less it rests; our choice
	pastFull   = 90.0             // %: a battery that may be charged so far takes little; our choice
	pastSlow   = 5.0              // %: in an hour, that a rest puts a charge up that was too low; our choice
	pastMean   = time.Minute      // over which the current is averaged; our choice
	pastAfter  = time.Hour        // without motor and feed: it has recovered from a load; our choice
	pastLook   = 30 * time.Minute // over which a battery that gives is seen to rise; our choice
	pastSettle = 5 * time.Minute  // after it has begun to give: five times pastMean; our choice
	pastRiseV  = 0.03             // V: that it rises meanwhile; our choice
	pastLess   = 0.95             // ratio: of what it gave, at the least; our choice
)

// Past follows one battery from its rest into a charge.
type Past struct {
	Armed    bool    // it has had room for charge, and none was seen to come
	LessPct  float64 // than full it is at least, by what was counted and slow corrections alone
	InAh     float64
	MeanA    float64
	At       time.Duration
	Rises    bool // the voltage is above that of a rest
	High     bool // it is a charger's
	HighAt   time.Duration
	TopV     float64 // highest above a full one at rest since then
	Gives    bool    // into its neighbors, since
	GivesAt  time.Duration
	FromV    float64
	FromA    float64
	GaveMore bool // and rose
}

// checkPast looks for a voltage that rises into charge without a current.
func (c *Channels) checkPast(in *unit.Scan) {
	for i := range c.n {
		p, f, k := &c.Past[i], &c.facts.Battery[i], c.of(unit.BatteryCurrent, i)
		hours := (c.now - p.At).Hours()
		x := float64(c.now-p.At) / float64(pastMean)
		p.At = c.now
		v, known := in.Battery[i].OwnV(), k.Doubt == NoDoubt || k.Doubt == doubtPast
		if !v.OK() || !sane(v) || !f.FlowA.OK() || !sane(f.FlowA) || !known || c.UnresponsiveA[i] > 0 ||
			c.Doubted(unit.ChannelOf(unit.BatteryVoltage, i)) {
			*p = Past{At: c.now}
			continue
		}
		if c.facts.Running {
			continue
		}
		p.LessPct = max(100-f.AtMostPct, p.LessPct-(pastSlow+100*max(f.FlowA.Value, 0)/f.RatedAh)*hours, 0)
		p.MeanA += (f.FlowA.Value - p.MeanA) * x / (1 + x)
		p.InAh = max(p.InAh+f.FlowA.Value*hours, 0)
		p.step(v.Value-f.FullV, in.WakeLine == unit.ContactOn, f, !c.HasShares || c.Shares[i] >= carriesShare)
		p.watchGiving(v.Value, c.now, c.UncommandedFor() > pastAfter, f)
		is := p.High && c.now-p.HighAt >= pastHold
		switch {
		case is && k.Doubt == NoDoubt:
			k.Doubt, k.DoubtSince = doubtPast, c.now
		case !p.High && k.Doubt == doubtPast:
			k.Doubt, p.Armed = NoDoubt, false
		}
	}
}

// step takes how far the voltage is above a full battery's at rest.
func (p *Past) step(above float64, wake bool, f *BatteryFacts, carries bool) {
	if wake || p.InAh > pastPart*f.RatedAh {
		p.Armed = false
	}
	if above < pastFrom && math.Abs(p.MeanA) < pastRest*f.RatedAh {
		p.Armed, p.InAh = p.LessPct > 100-pastFull && carries, 0
	}
	p.Rises = p.Armed && p.MeanA < pastFlow*f.RatedAh && above > pastFrom
	high := p.Rises && (above > pastTo || p.High && above > pastOver) || p.GaveMore && p.Gives
	if high && !p.High {
		p.HighAt, p.TopV = p.At, above
	}
	p.TopV = max(p.TopV, above)
	p.High = high && above > p.TopV-pastFalls
}

// watchGiving sees a battery that gives to its neighbors and rises all the same.
func (p *Past) watchGiving(v float64, now time.Duration, settled bool, f *BatteryFacts) {
	gives := settled && p.MeanA < -pastRest*f.RatedAh
	if !gives || !p.Gives {
		p.Gives, p.GaveMore, p.GivesAt, p.FromV, p.FromA = gives, false, now, v, p.MeanA
		return
	}
	switch on := now - p.GivesAt; {
	case on < pastSettle:
		p.FromV, p.FromA = v, p.MeanA
		return
	case on < pastLook:
		return
	}
	if v > p.FromV+pastRiseV && p.MeanA < pastLess*p.FromA {
		p.GaveMore = true
	}
	p.GivesAt, p.FromV, p.FromA = now, v, p.MeanA
}

// PastSensor reports whether battery i is charged past its current sensor, for all that is known; maybe
// before that is sure.
func (c *Channels) PastSensor(i int) (is, maybe bool) { return c.Past[i].High, c.Past[i].Rises }

// AllCarry reports whether every battery carried its part of the last run.
func (c *Channels) AllCarry() bool {
	for i := range c.n {
		if c.layout.Strings(c.n) > 1 && (!c.HasShares || c.Shares[i] < carriesShare) {
			return false
		}
	}
	return true
}
