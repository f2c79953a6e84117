package bank

import "math"

// FeedConfig is the tractor's side and the converter in the battery box.
type FeedConfig struct {
	AlternatorV float64 // at the tractor's battery, engine running
	CableOhm    float64 // tractor battery to converter and back
	Efficiency  float64 // output over input power, 0 to 1
	PowerW      float64 // most output power
	LimitA      float64 // most output current
	// input voltage under which it takes no more power, so as not to pull the tractor's line down
	MinInputV         float64
	StartS            float64 // from wake line to output
	AbsorptionV       float64 // at 25 °C
	FloatV            float64 // at 25 °C
	CompensationVPerC float64 // change of both set points per °C over 25 °C, negative
	TailA             float64 // absorption ends when the current stays under this
	TailS             float64 // for this long
	AbsorptionS       float64 // or when absorption lasted this long
}

// FeedFault is what can be wrong with the feed; the zero value is a sound one. Resistances of the
// charge leads belong to the bank's wiring.
type FeedFault struct {
	Unplugged   bool    // no voltage from the tractor: plug, cable or its protection
	Dead        bool    // converter off although awake
	WakeBroken  bool    // ignition does not reach the box
	BreakerOpen bool    // charge breaker between converter and bank
	CableOhm    float64 // added to the tractor's cable
	StuckV      float64 // output regulated to this whatever the temperature; 0: not stuck
	MostV       float64 // set so that it never holds more than this; 0: set right
}

// FeedPhase is what the converter does.
type FeedPhase uint8

// Phases. Bulk charging is absorption held back by the current or power limit.
const (
	FeedOff FeedPhase = iota
	FeedStarting
	FeedAbsorption
	FeedFloat
)

// Feed is the tractor's alternator, its cable and the converter.
type Feed struct {
	cfg   FeedConfig
	fault FeedFault
	phase FeedPhase
	wake  bool // ignition, at the tractor

	powerW    float64 // most output power that the input side allows
	phaseS    float64 // in this phase
	absorbedS float64 // at the absorption voltage
	tailS     float64 // current under TailA without a break
	sagS      float64 // output under the float voltage without a break
}

// NewFeed returns a converter that is off.
func NewFeed(cfg FeedConfig) Feed {
	f := Feed{cfg: cfg}
	f.SetFault(FeedFault{})
	return f
}

// SetFault changes what is wrong.
func (f *Feed) SetFault(fault FeedFault) {
	f.fault = fault
	f.powerW = f.cfg.outputLimitW(fault.CableOhm)
	f.obey()
}

// SetWake turns the ignition on or off.
func (f *Feed) SetWake(on bool) {
	f.wake = on
	f.obey()
}

// Wake reports the ignition at the tractor.
func (f *Feed) Wake() bool { return f.wake }

// WakeLine reports what arrives at the box.
func (f *Feed) WakeLine() bool { return f.wake && !f.fault.WakeBroken }

// Phase returns what the converter does.
func (f *Feed) Phase() FeedPhase { return f.phase }

// SetPoint returns the output voltage of the present phase for batteries at tempC, in volts.
func (f *Feed) SetPoint(tempC float64) float64 {
	if f.fault.StuckV > 0 {
		return f.fault.StuckV
	}
	if f.phase == FeedFloat {
		return f.most(f.cfg.FloatV + float64(f.cfg.CompensationVPerC*(tempC-25)))
	}
	return f.AbsorbsV(tempC)
}

// AbsorbsV returns the voltage that it holds while it charges, for batteries at tempC, in volts.
func (f *Feed) AbsorbsV(tempC float64) float64 {
	if f.fault.StuckV > 0 {
		return f.fault.StuckV
	}
	return f.most(f.cfg.AbsorptionV + float64(f.cfg.CompensationVPerC*(tempC-25)))
}

func (f *Feed) most(v float64) float64 {
	if f.fault.MostV > 0 {
		return math.Min(v, f.fault.MostV)
	}
	return v
}

// Source returns the converter as the bank sees it, with the batteries at tempC.
func (f *Feed) Source(tempC float64) Source {
	return Source{
		Joined: !f.fault.BreakerOpen, On: f.phase >= FeedAbsorption && f.powerW > 0,
		SetV: f.SetPoint(tempC), LimitA: f.cfg.LimitA, LimitW: f.powerW,
	}
}

// Live reports whether the converter's output is live by itself, not by the bank.
func (f *Feed) Live() bool { return f.phase >= FeedAbsorption && f.powerW > 0 }

// restingV is the voltage of the tractor's battery with the engine off, and InputV what arrives at the
// converter then: its cable is fed all the time (common practice, no source).
const restingV = 12.6

// InputV returns the voltage ahead of the converter while it gives outW, in volts.
//
// What the cable brings, V (E - V)/R, is what the converter takes, outW over its efficiency: the
// higher solution, as a converter starts from above.
func (f *Feed) InputV(outW float64) float64 {
	switch {
	case f.fault.Unplugged:
		return 0
	case !f.wake:
		return restingV
	}
	e := f.cfg.AlternatorV
	inW := max(outW, 0) / f.cfg.Efficiency
	ohm := f.cfg.CableOhm + f.fault.CableOhm
	left := float64(e*e) - float64(4*float64(ohm*inW))
	return (e + math.Sqrt(max(left, 0))) / 2
}

// Sound returns the converter as it would be in the same phase with nothing wrong.
func (f *Feed) Sound(tempC float64) Source {
	sound := *f
	sound.SetFault(FeedFault{MostV: f.fault.MostV}) // a low setting is not the path's doing
	return sound.Source(tempC)
}

// obey turns the converter off or lets it start.
func (f *Feed) obey() {
	on := f.WakeLine() && !f.fault.Unplugged && !f.fault.Dead
	switch {
	case !on:
		f.enter(FeedOff)
	case f.phase == FeedOff:
		f.enter(FeedStarting)
	}
}

func (f *Feed) enter(p FeedPhase) {
	f.phase, f.phaseS = p, 0
	f.absorbedS, f.tailS, f.sagS = 0, 0, 0
}

// Step lets dtS seconds pass with the output at outA and outV.
func (f *Feed) Step(dtS, outA, outV, tempC float64) {
	if f.phase == FeedOff {
		return
	}
	f.phaseS += dtS
	switch f.phase {
	case FeedStarting:
		if f.phaseS >= f.cfg.StartS {
			f.enter(FeedAbsorption)
		}
	case FeedAbsorption:
		f.absorb(dtS, outA, outV, tempC)
	case FeedFloat:
		f.float(dtS, outV, tempC)
	}
}

// holding is how near the set point the output must be to count as held there, in volts.
const holding = 0.05

func (f *Feed) absorb(dtS, outA, outV, tempC float64) {
	if outV < f.SetPoint(tempC)-holding {
		f.tailS = 0
		return
	}
	f.absorbedS += dtS
	f.tailS += dtS
	if outA > f.cfg.TailA {
		f.tailS = 0
	}
	if f.tailS >= f.cfg.TailS || f.absorbedS >= f.cfg.AbsorptionS {
		f.enter(FeedFloat)
	}
}

// A bank that pulls the output this far under the float voltage for this long has been used: charge
// it again.
const (
	sagV = 0.3
	sagS = 60
)

func (f *Feed) float(dtS, outV, tempC float64) {
	f.sagS += dtS
	if outV >= f.SetPoint(tempC)-sagV {
		f.sagS = 0
	}
	if f.sagS >= sagS {
		f.enter(FeedAbsorption)
	}
}

// outputLimitW returns the most output power with extraOhm more in the tractor's cable: the
// converter's rating, or what arrives when it has pulled its input down to MinInputV.
//
// By Ohm's law, with V the input voltage, the cable brings V (AlternatorV-V)/R; that grows as V
// falls until half the alternator's voltage, which is under any MinInputV in use.
func (c *FeedConfig) outputLimitW(extraOhm float64) float64 {
	ohm := c.CableOhm + extraOhm
	if c.AlternatorV <= c.MinInputV {
		return 0
	}
	if ohm <= 0 {
		return c.PowerW
	}
	lowest := max(c.MinInputV, c.AlternatorV/2)
	arriving := lowest * (c.AlternatorV - lowest) / ohm
	return math.Min(c.PowerW, c.Efficiency*arriving)
}
