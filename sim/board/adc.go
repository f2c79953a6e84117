package board

import "time"

// adc is what is inside an ADS1115: its registers, and the conversion in progress.
type adc struct {
	inputs *inputs
	period [8]time.Duration // of one conversion, by the DR field

	pointer    uint8
	conversion int16
	config     uint16 // without OS, which is the state of converting
	loThresh   uint16
	hiThresh   uint16

	converting bool
	active     uint16 // config of the running conversion
	endsAt     time.Duration
	lastEnd    time.Duration // end of the last conversion
}

// powerOn brings every register to its power-on default and stops converting.
func (a *adc) powerOn() {
	a.pointer = regConversion
	a.conversion = powerOnConversion
	a.config = powerOnConfig &^ configOS
	a.loThresh, a.hiThresh = powerOnLoThresh, powerOnHiThresh
	a.converting = false
	a.lastEnd = 0
}

// alertHigh is [Chip.AlertHigh] with the conversions up to now finished.
func (a *adc) alertHigh(now time.Duration) bool {
	if a.config&configQueue == configQueue || a.hiThresh>>15 != 1 || a.loThresh>>15 != 0 {
		return true
	}
	asserted := !a.converting
	if a.converting && a.active&configSingle == 0 {
		asserted = now-a.lastEnd < readyPulse && a.lastEnd > 0
	}
	return asserted == (a.config&configPolHigh != 0)
}

// finish ends conversions up to now, at most three: the last one of old settings, and of the
// continuous ones under present settings only the latest, as the others were overwritten unread.
func (a *adc) finish(now time.Duration) {
	for a.converting && a.endsAt <= now {
		continuous := a.config&configSingle == 0
		if continuous && a.config == a.active {
			period := a.conversionTime(a.active)
			a.endsAt += (now - a.endsAt) / period * period
		}
		a.conversion = a.convert(a.active, a.endsAt)
		a.lastEnd = a.endsAt
		if a.converting = continuous; continuous {
			a.active = a.config
			a.endsAt += a.conversionTime(a.active)
		}
	}
}

// writeConfig stores the config register and starts what it asks for.
func (a *adc) writeConfig(now time.Duration, v uint16) {
	a.config = v &^ configOS
	if a.converting {
		return // OS has no effect, the running conversion keeps its settings
	}
	if v&configSingle != 0 && v&configOS == 0 {
		return
	}
	a.converting, a.active = true, a.config
	a.endsAt = now + wakeUp + a.conversionTime(a.config)
}

// readConfig gives the config register with OS as it reads.
func (a *adc) readConfig() uint16 {
	if a.converting {
		return a.config
	}
	return a.config | configOS
}

// conversionTime is that of one conversion under this config, wake-up apart.
func (a *adc) conversionTime(config uint16) time.Duration {
	return a.period[config>>5&7] + a.inputs.faults.slow
}

// convert gives the code of a conversion that ends at an instant.
func (a *adc) convert(config uint16, at time.Duration) int16 {
	pair := inputPair[config>>12&7]
	if a.inputs.faults.stuck[pair.positive] {
		return a.inputs.faults.stuckCode[pair.positive]
	}
	v := a.inputs.pinV(pair.positive, at)
	if pair.negative != groundPin {
		v -= a.inputs.pinV(pair.negative, at)
	}
	return Code(v, config)
}

func (a *adc) writeRegister(now time.Duration, v uint16) {
	switch a.pointer {
	case regConfig:
		a.writeConfig(now, v)
	case regLoThresh:
		a.loThresh = v
	case regHiThresh:
		a.hiThresh = v
	}
}

func (a *adc) readRegister() uint16 {
	switch a.pointer {
	case regConfig:
		return a.readConfig()
	case regLoThresh:
		return a.loThresh
	case regHiThresh:
		return a.hiThresh
	}
	return uint16(a.conversion)
}
