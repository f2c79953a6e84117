package bank

// BreakerConfig is a thermal breaker with a bimetal.
type BreakerConfig struct {
	RatedA    float64 // carried for ever at 25 °C
	AutoReset bool    // closes by itself when cool (SAE J553 type I); else only by hand (type III)
	HandS     float64 // type III: how long it stays open until somebody resets it
}

// The bimetal's heat is (current/rated)² in steady state. Constants give what is said of SAE J553
// breakers: 100 % held, 135 % trips within 30 min, 200 % in 5 to 60 s (limits from memory).
const (
	tripHeat  = 1.4
	resetHeat = 0.4
	heatS     = 60.0
	// Share of its rating that a thermal breaker loses per °C over 25 °C: about 10 % at 45 °C (from
	// memory).
	deratePerC = 0.005
)

// Breaker is the breaker in the motor's circuit.
type Breaker struct {
	cfg   BreakerConfig
	heat  float64
	open  bool
	openS float64
}

// NewBreaker returns a cold, closed breaker.
func NewBreaker(cfg BreakerConfig) Breaker { return Breaker{cfg: cfg} }

// Open reports whether it has tripped.
func (b *Breaker) Open() bool { return b.open }

// Step lets dtS seconds pass with currentA through it, in air of ambientC.
func (b *Breaker) Step(dtS, currentA, ambientC float64) {
	if currentA == 0 && b.heat == 0 && !b.open {
		return
	}
	rated := b.cfg.RatedA * (1 - float64(deratePerC*max(0, ambientC-25)))
	ratio := currentA / rated
	b.heat += float64((float64(ratio*ratio) - b.heat) * min(1, dtS/heatS))
	if b.heat < 1e-6 {
		b.heat = 0
	}
	if !b.open {
		b.open, b.openS = b.heat >= tripHeat, 0
		return
	}
	b.openS += dtS
	if b.heat <= resetHeat && (b.cfg.AutoReset || b.openS >= b.cfg.HandS) {
		b.open = false
	}
}
