package rules

import (
	"errors"
	"math"
	"slices"
	"time"

	"liftbank/rules/estimate"
	"liftbank/rules/label"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// labeled is one battery as each chemistry would have it, weighed by how it rests.
type labeled struct {
	judge *label.Judge
	other []*estimate.Battery // in the order of leadacid.All; nil where the label's own is
}

// newLabeled starts battery i as each other chemistry would have it.
func (b *batteries) newLabeled(i int) labeled {
	p := b.params(i)
	l := labeled{judge: label.New(label.Params{
		Chemistry: p.Chemistry, RatedAh: p.RatedAh, Voltage: p.Voltage, Taps: p.Taps,
	})}
	for _, c := range leadacid.All() {
		var other *estimate.Battery
		if !p.Chemistry.Is(c.Name) {
			as := p
			as.Chemistry = c
			other = estimate.New(as)
		}
		l.other = append(l.other, other)
	}
	return l
}

func (l *labeled) step(at time.Duration, readings *unit.Battery, facts *estimate.Facts) {
	for _, o := range l.other {
		if o != nil {
			o.StepSeldom(at, readings, *facts)
			o.ZeroTold() // the label's own tells it
		}
	}
}

func (l *labeled) mistrust() {
	for _, o := range l.other {
		if o != nil {
			o.Mistrust()
		}
	}
}

func (l *labeled) zeroMoved(moreA float64) {
	for _, o := range l.other {
		if o != nil {
			o.ZeroMoved(moreA)
		}
	}
}

func (l *labeled) states() (all []estimate.State) {
	for _, o := range l.other {
		if o != nil {
			all = append(all, o.State())
		}
	}
	return all
}

// restore takes over what was saved; a chemistry of which nothing was saved starts afresh.
func (l *labeled) restore(m *BatteryMemory) error {
	errs := []error{l.judge.Restore(m.Label)}
	for k, c := range leadacid.All() {
		of := slices.IndexFunc(m.Others, func(s estimate.State) bool { return c.Is(s.Chemistry) })
		if o := l.other[k]; o != nil && of >= 0 {
			errs = append(errs, o.Restore(m.Others[of]))
		}
	}
	return errors.Join(errs...)
}

// mixed returns a figure of the battery over all chemistries that it may be of, each with its weight:
// where they differ, the doubt covers them. It is known where the label's, or whatever is likelier, is.
func (l *labeled) mixed(own Estimate, of func(*estimate.Battery) Estimate) Estimate {
	var sum, mean, square float64
	for k, o := range l.other {
		x := own
		if o != nil {
			x = of(o)
		}
		if w := l.judge.Weight(k); x.Known {
			sum, mean, square = sum+w, mean+w*x.Value, square+w*(sq(x.Sigma)+sq(x.Value))
		}
	}
	if sum < mostlyKnown {
		return Estimate{}
	}
	mean, square = mean/sum, square/sum
	return Estimate{Value: mean, Sigma: math.Sqrt(max(square-sq(mean), 0)), Known: true}
}

const mostlyKnown = 0.5 // ratio: of all weight, behind a figure that is given; our choice

// soc returns the charge of battery i in percent.
func (b *batteries) soc(i int) Estimate {
	return b.labeled[i].mixed(b.est[i].SoC(), (*estimate.Battery).SoC)
}

// capacityAh returns the present full capacity of battery i.
func (b *batteries) capacityAh(i int) Estimate {
	return b.labeled[i].mixed(b.est[i].CapacityAh(), (*estimate.Battery).CapacityAh)
}

// weigh shows the label's judge of battery i how it rests.
func (b *batteries) weigh(i int, f *view.Frame) {
	est, read := b.est[i], &f.Read.Battery[i]
	in := label.Scan{Now: f.At.Mono, StoredAh: est.StoredAh(), ZeroA: f.Zeros[i].Sigma, TempC: f.Temps[i].Value}
	in.FullAt, in.Full = est.Full()
	in.Unfit = f.WrongWired() || f.Reversed || b.judge[i].DeadCell() || !f.Temps[i].OK() || !read.CurrentA.OK() || f.ZeroOff[i]
	if v, restFor := est.RestV(); v.OK() && read.VoltageV.OK() {
		in.V25, in.RestFor = v.Value, restFor
	}
	b.labeled[i].judge.Step(&in)
	f.Batteries[i].RestsLike = b.labeled[i].judge.Against()
}
