package network

import "liftbank/rules/unit"

// Shares is how a charge splits among the batteries. Exported only to be saved.
type Shares struct {
	ChargeShare [unit.MaxBatteries]float64 // of a charge, by battery
	ChargeCount float64                    // moments in it, up to shareRuns
}

// Limits of the currents that shares are taken from.
const (
	sharedA   = 3.0  // A: above it the batteries' shares of a charge are taken; our choice
	shareRuns = 20.0 // count: moments in a share; our choice
)

// learn takes a moment of a charge.
func (s *Shares) learn(now *scene, n int) {
	if now.totalA < sharedA {
		return
	}
	s.ChargeCount = min(s.ChargeCount+1, shareRuns)
	for k := range n {
		s.ChargeShare[k] += (now.ampsA[k]/now.totalA - s.ChargeShare[k]) / s.ChargeCount
	}
}

// partsOf returns the part that battery k has in a charge of all up to it, and battery k+1 in that
// of all from it on.
func (s *Shares) partsOf(k, n int) (before, beyond float64) {
	if s.ChargeCount == 0 {
		return 1 / float64(k+1), 1 / float64(n-k-1)
	}
	var upTo, from float64
	for j, share := range s.ChargeShare[:n] {
		if j <= k {
			upTo += share
		} else {
			from += share
		}
	}
	if min(upTo, from) < minSplit {
		return 1 / float64(k+1), 1 / float64(n-k-1)
	}
	return s.ChargeShare[k] / upTo, s.ChargeShare[k+1] / from
}
