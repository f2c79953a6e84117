package cell

import (
	"errors"
	"fmt"
	"math"
)

// The SAE J537 cold cranking test.
const (
	coldC   = -18.0
	coldS   = 30
	coldV   = 7.2
	emptyV  = 10.5 // 20 h capacity
	runA    = 60.0 // one battery's share of a pump motor's 120 A
	runS    = 2.0
	runStep = 0.05
)

func validateStart(spec Spec, socPct, tempC float64) error {
	err := spec.validate()
	if !(socPct >= 0 && socPct <= 100) {
		err = errors.Join(err, fmt.Errorf("battery: state of charge: got %g: want 0 to 100 %%", socPct))
	}
	if !(tempC >= minTempC && tempC <= maxTempC) {
		err = errors.Join(err, fmt.Errorf("battery: temperature: got %g: want %d to %d °C", tempC, minTempC, maxTempC))
	}
	return err
}

// calibrate makes a new battery that meets its ratings: the wells' size by the 20 h discharge, the
// resistances by the virtual J537 test.
func calibrate(spec Spec) (Battery, error) {
	d := spec.design()
	b := Battery{spec: spec, scale: 1, wellScale: 1, wells: wells{shape: fitTwoWell(d.Ah10hPct, d.Ah1hPct)}}
	// The wells need the resistances only at the very end of a 20 h discharge and the other way
	// round: two rounds do.
	for range 2 {
		if !fitScale(&b) {
			return b, fmt.Errorf("battery: rated_cca: got %g: want what %g Ah can give for 30 s at -18 °C",
				spec.RatedCCA, spec.RatedAh)
		}
		fitWells(&b)
	}
	return b, nil
}

// fitScale finds the scale of resistances for the rated CCA, by bisection of its logarithm.
func fitScale(b *Battery) bool {
	lo, hi := 1.0/64, 64.0
	meets := func(scale float64) bool {
		b.scale = scale
		b.apply(Aging{})
		return b.coldVoltage(b.spec.RatedCCA) >= coldV
	}
	if !meets(lo) {
		return false
	}
	for range 40 {
		mid := math.Sqrt(lo * hi)
		if meets(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return meets(lo)
}

// fitWells finds the wells' size for the rated capacity: the capacity is all but proportional to
// it.
func fitWells(b *Battery) {
	for range 2 {
		b.apply(Aging{})
		b.wellScale *= b.spec.RatedAh / b.drawnTo(emptyV, b.spec.RatedAh/20)
	}
	b.apply(Aging{})
}

// coldVoltage is the voltage at the end of 30 s at amps, full, at -18 °C.
func (b Battery) coldVoltage(amps float64) float64 {
	b.reset(100, coldC)
	for range coldS {
		b.Step(1, -amps, coldC)
	}
	v, _ := b.Terminal(-amps)
	return v
}

// drawnTo is the charge drawn from full at amps until the voltage is down to endV at 25 °C, Ah.
func (b Battery) drawnTo(endV, amps float64) float64 {
	const dtS = 60.0
	b.reset(100, refC)
	before, drawn := math.Inf(1), 0.0
	for drawn < 3*b.spec.RatedAh {
		v, _ := b.Terminal(-amps)
		if v <= endV {
			if before > v && before < 100 {
				drawn -= float64(float64(amps*dtS/3600) * ((endV - v) / (before - v)))
			}
			break
		}
		before = v
		b.heat.tempC = refC
		b.Step(dtS, -amps, refC)
		drawn += float64(amps * dtS / 3600)
	}
	return math.Max(drawn, 1e-6)
}
