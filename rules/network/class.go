package network

import "liftbank/rules/unit"

// class is what follows from the class of the sensors: of the drop over each link, of the paths,
// and of the currents.
type class struct {
	blocks    float64 // batteries in series, of each string whose posts are looked at
	gainShare float64 // deviation of a figure from the gain of one current sensor
	stepMV    [sides][maxLinks]float64
	scanMV    [sides][maxLinks]float64
	link      [sides][maxLinks]taps
	path      taps // of feed and motor against a post
	pathMV    float64
	pieceMV   float64
}

// taps are two taps that are compared.
type taps struct {
	offsetMV float64 // between them
	gain     float64 // mV/V: the larger gain error of the two
}

// The gains of two taps are learned on the positive side alone: on the negative one they act on
// millivolts. stepShare is the deviation of rounding to a step, 1/√12
// (Bennett, Spectra of quantized
// signals, 1948). On the negative side a step is far below what else stays.
const (
	gainDeviation = 0.6    // ratio: of a gain's class, even within it, and some; our choice
	pairDeviation = 0.8    // ratio: deviation of two taps' difference in gain over their class; our choice
	maxGains      = 3      // ratio: of two taps' gain class, beyond which they are no dividers any more; our choice
	stepShare     = 0.2887 // ratio: of a positive step, that does not average out; from memory: Bennett 1948
	groundShare   = 1.0    // ratio: of a negative step, that does not average out; our choice
	pairNoise     = 1.4    // ratio: noise of two channels over that of one; our choice
	pathNoise     = 1.0    // ratio: noise of the feed's path, averaged, over that of a reading; our choice
	pieceNoise    = 2.5    // ratio: noise of the motor's path in half a second, over that of a reading; our choice
	pieceGain     = 0.5    // ratio: of a current's gain, in the motor path's drop; our choice
)

func classOf(c *unit.Classes, n int, blocks float64) (out class) {
	out.blocks = blocks
	signals := [sides]unit.Signal{Positive: unit.BatteryVoltage, Negative: unit.BatteryNegative}
	share := [sides]float64{Positive: stepShare, Negative: groundShare}
	for side, signal := range signals {
		for k := range maxLinks {
			a, b := c.Of(signal, k), c.Of(signal, k+1)
			out.stepMV[side][k] = 1000 * share[side] * max(a.Step, b.Step)
			out.scanMV[side][k] = 1000 * pairNoise * max(a.Noise, b.Noise)
			out.link[side][k] = tapsOf(a, b)
		}
	}
	post := c.Worst(unit.BatteryVoltage, n)
	far := post
	for _, ch := range []unit.Channel{unit.Feed, unit.Motor} {
		far = far.Worse(c[ch])
	}
	out.path = tapsOf(post, far)
	out.pathMV, out.pieceMV = 1000*pathNoise*far.Noise, 1000*pieceNoise*far.Noise
	out.gainShare = gainDeviation * c.Worst(unit.BatteryCurrent, n).Gain
	return out
}

func tapsOf(a, b unit.SensorClass) taps {
	w := a.Worse(b)
	return taps{offsetMV: 1000 * w.Zero, gain: 1000 * w.Gain}
}

// firstMVPerV returns the deviation of the difference in gain of two taps, before it was learned.
func (t taps) firstMVPerV() float64 { return pairDeviation * t.gain }

// maxMVPerV returns the largest difference in gain of two taps that still are dividers.
func (t taps) maxMVPerV() float64 { return maxGains * t.gain }
