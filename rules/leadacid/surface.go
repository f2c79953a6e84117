package leadacid

import (
	"math"
	"time"
)

// In the cold a surface charge goes more slowly: between the rule for reactions, a factor of two
// per 10 °C, and diffusion in acid, 2 % per °C.
const (
	surfaceDecay = 5 * time.Hour // at 25 °C; published: post on solar and RV practice, 6 h or more
	surfaceColdC = 12.0          // °C: so much colder make it twice as slow; our choice
	minSurfaceC  = -20.0         // °C: colder changes nothing more; our choice
	maxSurfaceC  = 50.0          // °C: nor does warmer; our choice
)

// SurfaceDecay returns how long what a charge leaves above the rested voltage takes to fall to a third
// at rest at tempC.
func SurfaceDecay(tempC float64) time.Duration {
	return time.Duration(float64(surfaceDecay) *
		math.Exp2((ReferenceC-min(max(tempC, minSurfaceC), maxSurfaceC))/surfaceColdC))
}
