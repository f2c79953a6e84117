package pump

import (
	"fmt"
	"math"
	"slices"
	"time"

	"liftbank/rules/unit"
)

// Usual is what this motor usually draws while lifting, and how the last runs compare with it.
// Loads on the platform move a run by a twelfth: an empty platform is most of what is lifted.
type Usual struct {
	Mean    [2]float64    // usual current at 25 °C, A, and what oil drag adds per unit of drag - 1
	Cov     [2][2]float64 // of it, A²
	Count   uint32        // runs learned from
	TakenAt time.Duration // when the last run was learned from
	Streak  int           // runs with its load, itself included
	Ratio   [UsualRuns]float64
	Ratios  int
	LastA   float64 // of the last run
}

// LearnRuns and UsualRuns are the runs that are needed before a motor's current can be judged.
const (
	UsualRuns  = 12               // count: runs whose mean is compared with what is usual; our choice
	LearnRuns  = 30               // count: runs before it is known what is usual; our choice
	sameLoad   = 15 * time.Minute // runs closer than this lift the same load; our choice
	maxStreak  = 100              // count: runs with one load, at most; our choice
	loadSpread = 0.08             // ratio: by which the load moves a run; trade practice
	dragShare  = 0.12             // ratio: of the current at 25 °C that oil drag makes; our choice
	dragSpread = 0.08             // ratio: by which that may be off; our choice
	maxDrag    = 0.40             // ratio: the most that it may be; our choice
	typedSigma = 0.15             // ratio: of a usual current that was typed in; our choice
	firstSigma = 0.3              // ratio: of a usual current taken from the first run; our choice
	usualDrift = 5e-5             // ratio: a run, of the usual current; our choice
	dragDrift  = 2e-4             // ratio: a run, of what drag adds; our choice
	notLearned = 0.10             // ratio: the mean of the last runs this far off is not learned from; our choice
)

// Walther's equation (ASTM D341) through a mineral oil of ISO VG 32 and viscosity index 100: 32
// mm²/s at 40 °C (ISO 3448), 5.4 mm²/s at 100 °C (usual data sheet value).
const (
	waltherA  = 9.5309 // ratio: constant of Walther's equation; from memory: data sheets of ISO VG 32 oils
	waltherB  = 3.7466 // ratio: slope of Walther's equation; from memory: data sheets of ISO VG 32 oils
	waltherC  = 0.7    // mm²/s: constant of Walther's equation; standard: ASTM D341
	dragPower = 0.4    // ratio: of viscosity, between a motor's own friction (0) and a film of oil (1); our choice
	minOilC   = -40.0  // °C: colder oil drags no more in this model; our choice
	maxOilC   = 70.0   // °C: warmer oil drags no less in this model; our choice
	zeroK     = 273.15 // K: of 0 °C; physical
	referC    = 25.0   // °C: to which currents are referred; our choice
)

// OilDrag returns by what factor the oil drags more at tempC than at 25 °C. The share of the
// current that this makes is learned.
func OilDrag(tempC float64) float64 {
	viscosity := func(c float64) float64 {
		return math.Pow(10, math.Pow(10, waltherA-waltherB*math.Log10(c+zeroK))) - waltherC
	}
	t := min(max(tempC, minOilC), maxOilC)
	return math.Pow(viscosity(t)/viscosity(referC), dragPower)
}

// take applies one run's mean lifting current, and its oil drag over that at 25 °C, less 1.
func (u *Usual) take(at time.Duration, amps, drag, typedA float64) {
	if amps <= 0 {
		return
	}
	if u.Streak == 0 || at-u.TakenAt > sameLoad {
		u.Streak = 0
	}
	u.Streak, u.TakenAt = min(u.Streak+1, maxStreak), at
	if u.Count == 0 {
		a, spread := amps/(1+dragShare*drag), firstSigma
		if typedA > 0 {
			a, spread = typedA, typedSigma
		}
		u.Mean = [2]float64{a, dragShare * a}
		u.Cov = [2][2]float64{{sq(spread * a), 0}, {0, sq(dragSpread * a)}}
	}
	usual := u.at(drag)
	u.LastA = amps
	copy(u.Ratio[1:], u.Ratio[:UsualRuns-1])
	u.Ratio[0] = amps / usual
	u.Ratios = min(u.Ratios+1, UsualRuns)
	if u.Count >= LearnRuns && math.Abs(u.MeanRatio()-1) > notLearned {
		return
	}
	u.Count++
	u.Cov[0][0] += sq(usualDrift * usual)
	u.Cov[1][1] += sq(dragDrift * usual)
	p0, p1 := u.Cov[0][0]+u.Cov[0][1]*drag, u.Cov[1][0]+u.Cov[1][1]*drag
	// The second run with a load says a quarter as much, all together 1.6 times.
	s := p0 + p1*drag + sq(loadSpread*usual*float64(u.Streak))
	k0, k1 := p0/s, p1/s
	miss := amps - usual
	u.Mean[0] += k0 * miss
	u.Mean[1] = min(max(u.Mean[1]+k1*miss, 0), maxDrag*u.Mean[0])
	u.Cov[0][0] -= k0 * p0
	u.Cov[0][1] -= k0 * p1
	u.Cov[1][1] -= k1 * p1
	u.Cov[1][0] = u.Cov[0][1]
	if u.Count == LearnRuns { // those of the learning were compared with half a figure
		for i := range u.Ratios {
			u.Ratio[i] = 1
		}
	}
}

func (u *Usual) at(drag float64) float64 { return u.Mean[0] + u.Mean[1]*drag }

// Learned reports whether there were enough runs to know what is usual.
func (u *Usual) Learned() bool { return u.Count >= LearnRuns }

// Enough reports whether there are enough runs to compare.
func (u *Usual) Enough() bool { return u.Ratios >= UsualRuns }

// MeanRatio returns the mean of the last runs over what is usual.
func (u *Usual) MeanRatio() float64 {
	sum := 0.0
	for _, r := range u.Ratio[:u.Ratios] {
		sum += r
	}
	return sum / float64(max(u.Ratios, 1))
}

// Check refuses a saved state that can't be.
func (s *State) Check() error {
	var c unit.Check
	u, d := &s.Usual, &s.Drops
	c.In("ratios", float64(u.Ratios), 0, UsualRuns)
	c.In("drops", float64(d.Count), 0, DropRuns)
	c.In("streak", float64(u.Streak), 0, maxStreak)
	c.Sum("usual current", u.Mean[0], u.Mean[1], u.LastA)
	for i := range u.Cov {
		c.Sum("variance", u.Cov[i][i])
		c.Finite("covariance", u.Cov[i][:]...)
	}
	c.Sum("ratio", u.Ratio[:]...)
	c.In("pressures", float64(s.Oil.Bars), 0, UsualRuns)
	c.Sum("pressure", s.Oil.MeanBar)
	c.Sum("pressure", s.Oil.Bar[:]...)
	c.Finite("drops", slices.Concat(d.Mohm[:], d.PostV[:], d.Amps[:], d.Start[:])...)
	if err := c.Err(); err != nil {
		return fmt.Errorf("runs: %w", err)
	}
	return nil
}

func sq(x float64) float64 { return x * x }

// Scale brings what is usual to a bank's current that reads by another factor.
func (u *Usual) Scale(by float64) {
	for i := range u.Mean {
		u.Mean[i] *= by
		for j := range u.Cov[i] {
			u.Cov[i][j] *= by * by
		}
	}
	u.LastA *= by
}
