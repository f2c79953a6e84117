package network

import "math"

// Line is a Kalman filter of y = offset + gain (volts - 13) + resistance * amperes - away * total,
// in mV, mV/V and mΩ. Where only one current counts, away is known to be none. Exported only to be
// saved.
type Line struct {
	Mean     [4]float64    // offset, gain, resistance, away
	Cov      [4][4]float64 // symmetric
	Count    int           // observations taken
	Outliers int           // observations in a row that did not fit
	// ScatterCut is by how much less observations scatter than they are said to, as a share of the
	// variance: 0 to maxScatterCut. Learned of links only.
	ScatterCut float64
}

// Coefficients of a line.
const (
	offset = iota
	gain
	slope
	away
)

// Limits of a line's use. What maxScatterCut leaves is what drifts with temperature and time of
// day, and does not scatter.
const (
	middleV       = 13.0  // V: where a line's gain has no effect; our choice
	minLine       = 6     // count: observations before a line says anything; our choice
	oddSigmas     = 5.0   // ratio: an observation this far off does not fit ...; our choice
	minOddMV      = 6.0   // mV: ... if that is more than this; our choice
	oddTwice      = 2     // count: so many in a row are a change, not an accident; our choice
	scatterMemory = 100.0 // count: observations over which scatter is learned; our choice
	maxScatter    = 9     // ratio: of one observation's variance, that still counts; our choice
	maxScatterCut = 0.7   // ratio: of the variance; our choice
	flowingA      = 4.0   // A: current with which a change is one of the resistance; our choice
	reopenShare   = 0.1   // ratio: of a change, that may be a sensor's zero; our choice
)

// newLine returns a line that knows what sensors may be: gains by gainMVPerV, offsets by offsetMV
// (both standard deviations, the gain's at the middle voltage of so many batteries in series counted in),
// and a resistance of about so much.
func newLine(offsetMV, gainMVPerV, mohm, blocks float64) Line {
	var l Line
	l.Cov[offset][offset] = sq(offsetMV) + sq(gainMVPerV*middleV*blocks)
	l.Cov[gain][gain] = sq(gainMVPerV)
	l.Cov[slope][slope] = sq(mohm)
	return l
}

// newLinkLine returns a line of a link: the current beyond it times its resistance, less, with the
// lead beyond it too, the whole current times the same resistance. Both coefficients are learned as
// if apart: what lies between them says where the lead is.
func newLinkLine(offsetMV, gainMVPerV, mohm, blocks float64) Line {
	l := newLine(offsetMV, gainMVPerV, mohm, blocks)
	l.Cov[away][away] = sq(mohm)
	return l
}

// Wander of a line between two observations: the temperature of the dividers, corrosion.
const (
	wanderMV     = 0.02   // mV: of the offset; our choice
	wanderMohm   = 0.0005 // mΩ: of a resistance; our choice
	wanderFactor = 2      // ratio: of that, per mΩ of the resistance; our choice
)

// step takes an observation with its standard deviation in mV. total counts only for a line with
// two currents.
func (l *Line) step(y, volts, amps, total, noise float64) {
	x := [4]float64{1, volts - middleV, amps, -total}
	l.Cov[offset][offset] += sq(wanderMV)
	l.Cov[slope][slope] += sq(wanderMohm) + sq(wanderFactor*wanderMohm*l.Mean[slope])
	if l.two() {
		l.Cov[away][away] += sq(wanderMohm) + sq(wanderFactor*wanderMohm*l.Mean[away])
	}
	stated := sq(noise)
	noise *= math.Sqrt(1 - l.ScatterCut)
	var px [4]float64
	project := func() float64 {
		variance := sq(noise)
		for i := range px {
			px[i] = l.Cov[i][0]*x[0] + l.Cov[i][1]*x[1] + l.Cov[i][2]*x[2] + l.Cov[i][3]*x[3]
			variance += x[i] * px[i]
		}
		return variance
	}
	variance := project()
	miss := y - l.Mean[0] - l.Mean[1]*x[1] - l.Mean[2]*x[2] - l.Mean[3]*x[3]
	if sq(miss) > sq(oddSigmas)*variance && math.Abs(miss) > minOddMV {
		if l.Outliers++; l.Outliers < oddTwice {
			return
		}
		l.reopen(miss, amps, total)
		variance = project()
	} else {
		l.Outliers = 0
		if l.two() {
			l.learnScatter(sq(miss)-(variance-sq(noise)), stated)
		}
	}
	for i := range px {
		k := px[i] / variance
		l.Mean[i] += k * miss
		for j := range px {
			l.Cov[i][j] -= k * px[j]
		}
	}
	l.repair()
	l.Count++
}

// learnScatter learns how much observations scatter: steps of a converter, for one, even out where
// there is noise enough to blur them. miss is an observation's squared distance from what was
// expected, without what was open in that; stated the variance it was given.
func (l *Line) learnScatter(miss, stated float64) {
	scatter := 1 - l.ScatterCut
	share := min(max(miss/(stated*scatter), 0), maxScatter)
	scatter += scatter * (share - 1) / scatterMemory
	l.ScatterCut = min(max(1-scatter, 0), maxScatterCut)
}

// reopen makes room for a change: of the resistance if current flows, of a sensor's zero a little,
// or altogether.
func (l *Line) reopen(miss, amps, total float64) {
	if max(math.Abs(amps), math.Abs(total)) < flowingA || !l.two() && math.Abs(amps) < flowingA {
		l.Cov[offset][offset] += sq(miss)
		return
	}
	if math.Abs(amps) >= flowingA {
		l.Cov[slope][slope] += sq(miss / amps)
	}
	if l.two() && math.Abs(total) >= flowingA {
		l.Cov[away][away] += sq(miss / total)
	}
	l.Cov[offset][offset] += sq(reopenShare * miss)
}

// two reports whether the line has two currents.
func (l *Line) two() bool { return l.Cov[away][away] > 0 }

// loosen makes the resistance uncertain by so much.
func (l *Line) loosen(mohm float64) {
	l.Cov[slope][slope] += sq(mohm)
	if l.two() {
		l.Cov[away][away] += sq(mohm)
	}
}

// fits reports whether there is evidence and the observations fit.
func (l *Line) fits(t taps) bool {
	return l.Count >= minLine && l.Outliers < oddTwice && math.Abs(l.Mean[gain]) < t.maxMVPerV()
}

// repair keeps the covariance symmetric and what is known exactly known.
func (l *Line) repair() {
	for i := range l.Cov {
		l.Cov[i][i] = max(l.Cov[i][i], 0)
		for j := range i {
			c := (l.Cov[i][j] + l.Cov[j][i]) / 2
			l.Cov[i][j], l.Cov[j][i] = c, c
		}
	}
}

// mohm returns the resistance; ok is false before there is evidence, and while observations do not
// fit.
func (l *Line) mohm(c *class) (f figure, ok bool) {
	f = figure{l.Mean[slope], math.Hypot(math.Sqrt(l.Cov[slope][slope]), c.gainShare*l.Mean[slope])}
	return f, l.fits(c.path)
}

// gainMVPerV returns by how much two taps differ in gain.
func (l *Line) gainMVPerV() figure { return figure{l.Mean[gain], math.Sqrt(l.Cov[gain][gain])} }

// figure is a value with its standard deviation.
type figure struct{ value, sigma float64 }

func sq(x float64) float64 { return x * x }
