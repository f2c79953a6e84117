package bank

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sim/cell"
)

// Drops over both conductors of a copper cable at 75 °C, from the resistances of NEC Chapter 9
// Table 8, worked: between the batteries' posts and the motor the network loses as much.
func TestLeadsDropAsCopperDoes(t *testing.T) {
	ohmPerKft := map[string]float64{"4": 0.308, "2": 0.194, "1/0": 0.122, "2/0": 0.0967, "4/0": 0.0608}
	rows := []struct {
		awg        string
		feet, amps float64
		dropV      float64
	}{
		{"4", 15, 20, 0.1848}, {"4", 53, 20, 0.6530}, {"4", 3, 120, 0.2218}, {"4", 6, 120, 0.4435},
		{"4", 53, 45, 1.4692},
		{"2", 15, 20, 0.1164}, {"2", 53, 20, 0.4113}, {"2", 3, 120, 0.1397}, {"2", 6, 120, 0.2794},
		{"2", 53, 45, 0.9254},
		{"1/0", 15, 20, 0.0732}, {"1/0", 53, 20, 0.2586}, {"1/0", 3, 120, 0.0878}, {"1/0", 6, 120, 0.1757},
		{"1/0", 53, 45, 0.5819},
		{"2/0", 15, 20, 0.0580}, {"2/0", 53, 20, 0.2050}, {"2/0", 3, 120, 0.0696}, {"2/0", 6, 120, 0.1392},
		{"2/0", 53, 45, 0.4613},
		{"4/0", 15, 20, 0.0365}, {"4/0", 53, 20, 0.1289}, {"4/0", 3, 120, 0.0438}, {"4/0", 6, 120, 0.0876},
		{"4/0", 53, 45, 0.2900},
	}
	battery, err := cell.New(cell.Spec{Chemistry: cell.Flooded, RatedAh: 100, RatedCCA: 950}, 100, 25)
	require.NoError(t, err)
	for _, r := range rows {
		lead := Lead{Ohm: r.feet * ohmPerKft[r.awg] / 1000}
		b, err := New(Wiring{LoadPositive: lead, LoadNegative: lead}, []cell.Battery{battery})
		require.NoError(t, err)
		ohm := (12 - r.dropV) / r.amps // of a motor that draws about so much
		b.Solve(Source{}, Load{Joined: true, Ohm: ohm})
		f := &b.Flow
		drop := f.PositiveV[0] - f.NegativeV[0] - f.LoadA*ohm
		assert.InDelta(t, r.dropV, drop/f.LoadA*r.amps, 0.0001, "%s AWG, %g ft, %g A", r.awg, r.feet, r.amps)
		assert.InDelta(t, r.amps, f.LoadA, 0.1*r.amps)
	}
}

// The tractor's cable, 53 ft of 4 AWG each way at 75 °C, drops 1.4692 V at 45 A (NEC Chapter 9 Table 8,
// worked as above): so much is missing at the converter's input while it takes that current.
func TestTractorsCableDropsAsCopperDoes(t *testing.T) {
	for _, efficiency := range []float64{1, 0.9} {
		f := NewFeed(FeedConfig{AlternatorV: 14, CableOhm: 2 * 53 * 0.308 / 1000, Efficiency: efficiency, PowerW: 1000, MinInputV: 11})
		f.SetWake(true)
		const inV = 14 - 1.4692
		assert.InDelta(t, inV, f.InputV(efficiency*inV*45), 0.0002)
		assert.InDelta(t, 14, f.InputV(0), 1e-12, "nothing taken, nothing lost")
		f.SetFault(FeedFault{Unplugged: true})
		assert.Zero(t, f.InputV(0))
	}
}
