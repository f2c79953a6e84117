package cell

import (
	"encoding/binary"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
)

// A seeded month of rests, runs, charges and aging for a battery of each chemistry, every voltage
// hashed: the same bits on each architecture (GOARCH=arm64 and arm under an emulator). The value
// changes only with the model; last with the heat of a battery that is driven on when it is exhausted.
func TestSameBitsEverywhere(t *testing.T) {
	h := fnv.New64a()
	var buf [8]byte
	put := func(x float64) {
		binary.LittleEndian.PutUint64(buf[:], math.Float64bits(x))
		_, _ = h.Write(buf[:])
	}
	rnd := rand.New(rand.NewPCG(7, 11))
	for _, s := range range12V {
		b := newBattery(t, s, float64(rnd.IntN(101)), 20)
		for hour := range 30 * 24 {
			ambient := 10 + float64(rnd.IntN(20))
			for range 20 { // a run
				v, _ := b.Terminal(-60)
				b.Step(0.005, -60, ambient)
				put(v)
			}
			for range 30 {
				a := float64(rnd.IntN(4000))/100 - 20
				v, slope := b.Terminal(a)
				b.Step(float64(1+rnd.IntN(200)), a, ambient)
				put(v)
				put(slope)
			}
			if hour%200 == 100 {
				b.SetAging(Aging{LostCapacityPct: float64(hour) / 20, RaisedResistancePct: float64(hour) / 10,
					SulfationPct: float64(hour) / 40})
			}
			put(b.SoCPct())
			put(b.RestedOCV())
			put(b.TempC())
		}
		put(b.CrankingA())
		put(b.ResistanceMohm25())
	}
	assert.Equal(t, uint64(0xa3f3f5b2a9509b8c), h.Sum64())
}
