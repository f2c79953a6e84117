package cell

import (
	"errors"
	"fmt"
)

// Chemistry is the kind of lead-acid battery.
type Chemistry string

// The chemistries.
const (
	Flooded Chemistry = "flooded"
	AGM     Chemistry = "agm"
	Gel     Chemistry = "gel"
)

// Spec is a battery as bought, and what has become of it.
type Spec struct {
	Chemistry Chemistry
	RatedAh   float64 // capacity at the 20 h rate to 10.5 V, 25 °C; 1 to 1000
	RatedCCA  float64 // SAE J537: A for 30 s to 7.2 V at -18 °C, full and new; 0.5 to 20 times RatedAh
	Aging     Aging
	Design    Design // zero: that of the chemistry
}

// Aging is what has become of a battery; zero is new.
type Aging struct {
	LostCapacityPct float64 // share of the active mass that no longer takes part (shed, disconnected); 0 to 95
	// added resistance of corroded grids and straps, % of a new battery's ResistanceMohm25; 0 to 2000
	RaisedResistancePct float64
	// share of the active mass that is hard sulfate: holds acid back, blocks plates, resists charge; 0
	// to 95
	SulfationPct float64
	ShortedCells int  // cells that give no voltage; 0 to 6
	OpenCell     bool // a broken strap: the post voltage is there, current is not
}

// Design is what distinguishes one make of battery from another, as ratings. Use [DefaultDesign]
// and change what is known.
type Design struct {
	FullMolality  float64 // mol/kg of acid when full
	EmptyMolality float64 // mol/kg of acid when the rated 20 h capacity has been drawn
	// V a cell, polynomial of the solid phases' share in the rested voltage: see solidV
	SolidV                [4]float64
	Ah10hPct, Ah1hPct     float64 // capacity at the 10 h and 1 h rate, % of the 20 h one (two-well fit)
	Ah0CPct               float64 // capacity at 0 °C, % of that at 25 °C
	SelfDischargePctMonth float64 // of rated capacity in 30 days, at rest, full, 25 °C
	GassingMaPer100Ah     float64 // water splitting at 2.23 V a cell, 25 °C
	GassingPerV           float64 // its exponent, 1/V
	// missing charge over current in the taper at 14.4 V, 25 °C, h; the wells add theirs (flooded 0.8
	// h)
	AcceptanceH    float64
	SurfaceChargeV float64 // largest surface charge, V of six cells
	// share of the reaction (charge transfer) in the resistance of a new battery at small currents, 25
	// °C, full, %
	TransferPct   float64
	LayerS        float64 // relaxation of the double layer across it at small currents, 25 °C, full, s
	SurfaceDecayH float64 // its decay at rest, 25 °C, h
}

// DefaultDesign is a typical battery of the chemistry; flooded for an unknown one.
//
// Sources: molalities and solid-phase share from the Battery Council table of rested voltage
// (flooded: SG 1.265 and 1.120 by the density table in Perry; AGM and gel: from 12.80 V and 11.80 V
// by Bode's relation). Rates: flooded is the fit of NREL's capacity model test (100, 93, 60 Ah at
// 20, 10, 1 h: exponent 1.21, published range 1.20 to 1.30); AGM and gel have exponents 1.12 and
// 1.16 (ranges 1.05 to 1.15 and 1.10 to 1.20). Self-discharge: 5 % a month typical flooded, AGM 1
// to 3 %. Gassing: Schiffer et al., J. Power Sources 168 (2007) 66-78: 20 mA per 100 Ah at 2.23 V,
// 11/V (from memory); for valve regulated ones lower and steeper, chosen. Acceptance, surface
// charge: chosen within what is measured (taper constants of 0.65 and 2 h; AGM near 13.2 V hours
// after a charge; decay over about ten hours).
//
// The reaction and its double layer: PyBaMM's Sulzer2019 parameters have 0.2 F/m² on either
// electrode, and with their areas and exchange currents relaxations of some 0.03 s (lead) and 0.5 s
// (lead dioxide) and a reaction that is three quarters of the drop at 60 A of 100 Ah; the bands of
// resistance over temperature (1.5 to 2 times at -18 °C, 0.5 to 1 % per °C) end near 14 %. Here 11 %
// and 0.08 s; over batteries and their lives 0.01 to 0.6 s and 5 to 30 % are drawn, our choice.
func DefaultDesign(c Chemistry) Design {
	switch c {
	case AGM:
		return Design{
			FullMolality: 6.325, EmptyMolality: 1.819, SolidV: [4]float64{0.0777, -0.1932},
			Ah10hPct: 95, Ah1hPct: 72, Ah0CPct: 72, SelfDischargePctMonth: 2, GassingMaPer100Ah: 8, GassingPerV: 12,
			AcceptanceH: 0.6, SurfaceChargeV: 0.7, SurfaceDecayH: 10,
			TransferPct: 11, LayerS: 0.08,
		}
	case Gel:
		return Design{
			FullMolality: 6.325, EmptyMolality: 1.819, SolidV: [4]float64{-0.2417, 1.8045, -3.1977, 1.4771},
			Ah10hPct: 94, Ah1hPct: 66, Ah0CPct: 72, SelfDischargePctMonth: 2, GassingMaPer100Ah: 8, GassingPerV: 12,
			AcceptanceH: 1.2, SurfaceChargeV: 0.6, SurfaceDecayH: 10,
			TransferPct: 11, LayerS: 0.08,
		}
	}
	return Design{
		FullMolality: 5.575, EmptyMolality: 2.14, SolidV: [4]float64{-0.031},
		Ah10hPct: 93, Ah1hPct: 60, Ah0CPct: 72, SelfDischargePctMonth: 5, GassingMaPer100Ah: 20, GassingPerV: 11,
		AcceptanceH: 1.2, SurfaceChargeV: 0.6, SurfaceDecayH: 6,
		TransferPct: 11, LayerS: 0.08,
	}
}

// Limits of what the model is asked for.
const (
	minTempC, maxTempC = -40, 70
	maxCurrentA        = 1e5
)

func (s Spec) validate() error {
	var errs []error
	bad := func(field string, got any, want string) {
		errs = append(errs, fmt.Errorf("battery: %s: got %v: want %s", field, got, want))
	}
	if s.Chemistry != Flooded && s.Chemistry != AGM && s.Chemistry != Gel {
		bad("chemistry", fmt.Sprintf("%q", string(s.Chemistry)), "flooded, agm or gel")
	}
	if !(s.RatedAh >= 1 && s.RatedAh <= 1000) {
		bad("rated_ah", s.RatedAh, "1 to 1000")
	} else if !(s.RatedCCA >= 0.5*s.RatedAh && s.RatedCCA <= 20*s.RatedAh) {
		bad("rated_cca", s.RatedCCA, fmt.Sprintf("0.5 to 20 times rated_ah, %g to %g", 0.5*s.RatedAh, 20*s.RatedAh))
	}
	if a := s.Aging.limited(); a != s.Aging {
		bad("aging", fmt.Sprintf("%+v", s.Aging),
			"lost capacity and sulfation 0 to 95 %, raised resistance 0 to 2000 %, 0 to 6 shorted cells")
	}
	if err := s.design().validate(); err != nil {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

func (s Spec) design() Design {
	if s.Design == (Design{}) {
		return DefaultDesign(s.Chemistry)
	}
	return s.Design
}

func (d Design) validate() error {
	var errs []error
	in := func(field string, got, lo, hi float64) {
		if !(got >= lo && got <= hi) {
			errs = append(errs, fmt.Errorf("battery: design: %s: got %g: want %g to %g", field, got, lo, hi))
		}
	}
	in("full_molality", d.FullMolality, 2, 9)
	in("empty_molality", d.EmptyMolality, 0.3, d.FullMolality-0.5)
	for _, v := range d.SolidV {
		in("solid_v", v, -5, 5)
	}
	in("ah_10h_pct", d.Ah10hPct, 80, 99)
	in("ah_1h_pct", d.Ah1hPct, 20, d.Ah10hPct-5)
	in("ah_0c_pct", d.Ah0CPct, 40, 100)
	in("self_discharge_pct_month", d.SelfDischargePctMonth, 0, 60)
	in("gassing_ma_per_100ah", d.GassingMaPer100Ah, 0.1, 200)
	in("gassing_per_v", d.GassingPerV, 5, 25)
	in("acceptance_h", d.AcceptanceH, 0.05, 10)
	in("surface_charge_v", d.SurfaceChargeV, 0, 2)
	in("surface_decay_h", d.SurfaceDecayH, 0.1, 100)
	in("transfer_pct", d.TransferPct, 1, 80)
	in("layer_s", d.LayerS, 0.001, 10)
	return errors.Join(errs...)
}

// limited brings every knob into its range; NaN becomes zero.
func (a Aging) limited() Aging {
	a.LostCapacityPct = clamp(a.LostCapacityPct, 0, 95)
	a.SulfationPct = clamp(a.SulfationPct, 0, 95)
	a.RaisedResistancePct = clamp(a.RaisedResistancePct, 0, 2000)
	a.ShortedCells = min(max(a.ShortedCells, 0), cells)
	return a
}

// clamp holds x between lo and hi; NaN becomes lo.
func clamp(x, lo, hi float64) float64 {
	switch {
	case !(x > lo):
		return lo
	case x > hi:
		return hi
	}
	return x
}
