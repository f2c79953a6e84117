package network

import "math"

// Line is a Kalman filter of y = offset + gain (volts - 13) + resistance * amperes - away * total, in mV, mV/V and mΩ. Where only one
// current counts, away is known to be none. Its fields are exported to be saved only.
type Line struct {
	Mean  [4]float64    // offset, gain, resistance, away
	Cov   [4][4]float64 // symmetric
	Count int           // observations taken, up to lineCount
	Odd   int           // observations in a row that did not fit
	// Calm is by how much less observations scatter than they are said to, as a share of the variance: 0 to calmMost. Learnt of links only.
	Calm float64
}

// Coefficients of a line.
const (
	offset = iota
	gain
	slope
	away
)

// Limits of a line's use.
const (
	middleV   = 13.0
	lineCount = 1000
	lineLeast = 6    // observations before it says anything
	oddSigmas = 5.0  // an observation this far off does not fit ...
	oddLeast  = 6.0  // ... if that is more than so many millivolts
	oddTwice  = 2    // so many in a row are a change, not an accident
	steepest  = 30.0 // mV/V: two taps of 1 % differ by 20 at the most; more is no divider any more
	farMohm   = 1e5
	calmRuns  = 100.0 // observations
	calmMost  = 0.7   // what is left is what drifts with temperature and time of day, and does not scatter
)

// newLine gives a line that knows what sensors may be: gains by gainMVPerV, offsets by offsetMV (both standard deviations, the gain's at
// the middle voltage counted in), and a resistance of about so much.
func newLine(offsetMV, gainMVPerV, mohm float64) Line {
	var l Line
	l.Cov[offset][offset] = sq(offsetMV) + sq(gainMVPerV*middleV)
	l.Cov[gain][gain] = sq(gainMVPerV)
	l.Cov[slope][slope] = sq(mohm)
	return l
}

// newLinkLine gives a line of a link: the current beyond it times its resistance, less, with the lead beyond it too, the whole current times
// the same resistance. Both coefficients are learnt as if apart: what lies between them says where the lead is.
func newLinkLine(offsetMV, gainMVPerV, mohm float64) Line {
	l := newLine(offsetMV, gainMVPerV, mohm)
	l.Cov[away][away] = sq(mohm)
	return l
}

// Wander of a line between two observations: the temperature of the dividers, corrosion.
const (
	wanderMV   = 0.02
	wanderMohm = 0.0005
)

// step takes an observation with its standard deviation in mV. total counts only for a line with two currents.
func (l *Line) step(y, volts, amps, total, noise float64) {
	x := [4]float64{1, volts - middleV, amps, -total}
	l.Cov[offset][offset] += sq(wanderMV)
	l.Cov[slope][slope] += sq(wanderMohm) + sq(2*wanderMohm*l.Mean[slope])
	if l.two() {
		l.Cov[away][away] += sq(wanderMohm) + sq(2*wanderMohm*l.Mean[away])
	}
	stated := sq(noise)
	noise *= math.Sqrt(1 - l.Calm)
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
	if sq(miss) > sq(oddSigmas)*variance && math.Abs(miss) > oddLeast {
		if l.Odd++; l.Odd < oddTwice {
			return
		}
		l.reopen(miss, amps, total)
		variance = project()
	} else {
		l.Odd = 0
		if l.two() {
			l.calm(sq(miss)-(variance-sq(noise)), stated)
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
	l.Count = min(l.Count+1, lineCount)
}

// calm learns how much observations scatter: steps of a converter, for one, even out where there is noise enough to blur them. miss is an
// observation's squared distance from what was expected, without what was open in that; stated the variance it was given.
func (l *Line) calm(miss, stated float64) {
	scatter := 1 - l.Calm
	share := min(max(miss/(stated*scatter), 0), 9)
	scatter += scatter * (share - 1) / calmRuns
	l.Calm = min(max(1-scatter, 0), calmMost)
}

// reopen makes room for a change: of the resistance if current flows, of a sensor's zero a little, or altogether.
func (l *Line) reopen(miss, amps, total float64) {
	const flowing = 4.0
	if max(math.Abs(amps), math.Abs(total)) < flowing || !l.two() && math.Abs(amps) < flowing {
		l.Cov[offset][offset] += sq(miss)
		return
	}
	if math.Abs(amps) >= flowing {
		l.Cov[slope][slope] += sq(miss / amps)
	}
	if l.two() && math.Abs(total) >= flowing {
		l.Cov[away][away] += sq(miss / total)
	}
	l.Cov[offset][offset] += sq(0.1 * miss)
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
func (l *Line) fits() bool {
	return l.Count >= lineLeast && l.Odd < oddTwice && math.Abs(l.Mean[gain]) < steepest
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

// mohm gives the resistance; ok is false before there is evidence, and while observations do not fit.
func (l *Line) mohm() (f figure, ok bool) {
	f = figure{l.Mean[slope], math.Hypot(math.Sqrt(l.Cov[slope][slope]), gainShare*l.Mean[slope])}
	return f, l.fits()
}

// gainMVPerV gives by how much two taps differ in gain.
func (l *Line) gainMVPerV() figure { return figure{l.Mean[gain], math.Sqrt(l.Cov[gain][gain])} }

// gainShare is the standard deviation of a figure from the gain of one current sensor: ±1 % at the most, even within.
const gainShare = 0.006

// figure is a value with its standard deviation.
type figure struct{ value, sigma float64 }

func sq(x float64) float64 { return x * x }
