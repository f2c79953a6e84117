package scenario

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Copper by cross-section, mΩ per meter of one conductor at 20 °C: NEC Chapter 9 Table 8, uncoated
// stranded, from its 75 °C figures. Lengths by which a lift's cables run: links between batteries
// side by side 0.3 to 1 m, battery to pump and converter to battery within a lift's box 1 to 3 m,
// tractor to trailer 53 ft.
func TestDefaultWiringIsCopper(t *testing.T) {
	const awg4, awg2, awg4to0, meterPerFt = 0.83098, 0.52341, 0.16404, 0.3048
	in := func(what string, mohm, low, high float64) {
		t.Helper()
		assert.True(t, mohm >= low && mohm <= high, "%s: got %g mΩ: want %.2f to %.2f", what, mohm, low, high)
	}
	s := Default()
	s.Complete()
	w := s.Bank.Wiring
	for _, mohm := range append(w.PositiveLinkMohm, w.NegativeLinkMohm...) {
		in("link", mohm, 0.3*awg4to0, 1*awg4)
	}
	for _, mohm := range []float64{w.LoadLeads.PositiveMohm, w.LoadLeads.NegativeMohm} {
		in("load lead", mohm, 1*awg4to0, 3*awg2)
	}
	for _, mohm := range []float64{w.FeedLeads.PositiveMohm, w.FeedLeads.NegativeMohm} {
		in("feed lead", mohm, 1*awg2, 3*awg4)
	}
	in("tractor's cable, both ways", s.Feed.CableMohm, 2*53*meterPerFt*awg4to0, 2*53*meterPerFt*awg4)
	// Worked at 75 °C: 4 AWG of 53 ft drops 0.653 V at 20 A, 2 AWG 0.4113 V.
	in("same, by its drop", s.Feed.CableMohm, 1000*0.4113/20, 1000*0.6530/20)
}
