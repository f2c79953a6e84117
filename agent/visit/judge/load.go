package judge

import "slices"

// halfCCA is the least voltage after 15 s at half the rated cold cranking current, by the battery's
// temperature. Source: service manuals of Kia (Amanti 2004, 2007, 2009) and Hyundai (Accent MC),
// which agree; it is the table that the Battery Council's service manual has too (that from
// memory). Its warmest row, 70 °F, holds for all that is warmer.
var halfCCA = []row{
	{-18, 8.5}, {-12, 8.7}, {-7, 8.9}, {-1, 9.1}, {4, 9.3}, {10, 9.4}, {16, 9.5}, {21, 9.6}, // °C, V
}

const (
	loadShare   = 0.5  // ratio: of the rated CCA; same source
	loadSlack   = 0.1  // ratio: how far the load may be from that; our choice
	loadSeconds = 15.0 // s; same source
	secondSlack = 1.0  // s: how exactly a clock is read; our choice
	minTableC   = -20  // °C: two below the coldest row; our choice
	maxTableC   = 50   // °C: warmer than that no battery is tested; our choice
	meterV      = 0.05 // V: half a step of the table: nearer to the limit a test is repeated; our choice
	minChargeV  = 12.4 // V: at rest, of a battery that may be tested; common practice, no source
	minPct      = 75.0 // %: charge from which it may be tested; from memory: Battery Council
	surfaceV    = 0.15 // V: over a full battery's rested voltage: surface charge; our choice
)

// serviceShare is the part of its rating below which a battery is to be replaced, by a test or by
// the monitor. Source: US Bureau of Reclamation, storage battery guide (80 % of rated).
const serviceShare = 0.80 // ratio

// Load is a load test as it was made. Nil figures were not noted.
type Load struct {
	RatedCCA float64 // A
	FullV    float64 // V: rested voltage of a full battery of this chemistry
	TempC    *float64
	LoadA    *float64
	Seconds  *float64
	VoltageV *float64 // at the end of it
	BeforeV  *float64 // at rest before it
	SoCPct   Figure   // by the monitor
	Cranking Figure   // A, by the monitor
}

// LoadResult is what a load test shows.
type LoadResult struct {
	Outcome Outcome   `json:"outcome"`
	Reasons []Reason  `json:"reasons,omitempty"` // why it is not judged, or what limits it
	HalfA   *float64  `json:"half_a,omitempty"`  // the load that the table is for
	NeededV *float64  `json:"needed_v,omitempty"`
	Monitor Agreement `json:"monitor,omitempty"`
}

// Judge judges a load test. A test that the table is not for is judged as far as it says something
// all the same: what passes under more load, or for longer, passes; what fails under less, fails.
func (l *Load) Judge() LoadResult {
	r := LoadResult{Outcome: NotJudged}
	if l.RatedCCA <= 0 {
		return r.because(NoRating)
	}
	half := loadShare * l.RatedCCA
	r.HalfA = &half
	if l.TempC == nil {
		r = r.because(NoTemperature)
	} else if *l.TempC < minTableC {
		r = r.because(TooCold)
	} else if *l.TempC > maxTableC {
		r = r.because(TooHot)
	} else {
		needed := interpolate(halfCCA, *l.TempC)
		r.NeededV = &needed
	}
	if l.LoadA == nil || l.Seconds == nil || l.VoltageV == nil {
		r = r.because(Incomplete)
	}
	if len(r.Reasons) > 0 {
		return r
	}
	mayPass, mayFail := true, true
	limits := func(why Reason, pass, fail bool) {
		r = r.because(why)
		mayPass, mayFail = mayPass && pass, mayFail && fail
	}
	switch {
	case *l.LoadA < half*(1-loadSlack):
		limits(LoadLow, false, true)
	case *l.LoadA > half*(1+loadSlack):
		limits(LoadHigh, true, false)
	}
	switch {
	case *l.Seconds < loadSeconds-secondSlack:
		limits(TooShort, false, true)
	case *l.Seconds > loadSeconds+secondSlack:
		limits(TooLong, true, false)
	}
	if why := l.charge(); why != "" {
		limits(why, why != SurfaceCharge, why != NotCharged)
	}
	margin := *l.VoltageV - *r.NeededV
	switch {
	case mayPass && mayFail && margin < 0 && margin > -meterV: // at the limit it passes, by the table
		r.Outcome = Borderline
	case margin >= 0 && mayPass:
		r.Outcome = Passes
	case margin < 0 && mayFail:
		r.Outcome = Fails
	}
	r.Monitor = agrees(r.Outcome, l.Cranking, serviceShare*l.RatedCCA)
	return r
}

// charge returns what is wrong with the charge that the test began with; empty: nothing.
func (l *Load) charge() Reason {
	switch {
	case l.BeforeV != nil && l.FullV > 0 && *l.BeforeV > l.FullV+surfaceV:
		return SurfaceCharge
	case l.BeforeV != nil && *l.BeforeV < minChargeV:
		return NotCharged
	case l.BeforeV != nil:
		return ""
	case !l.SoCPct.known(), *l.SoCPct.Value-*l.SoCPct.Sigma < minPct && *l.SoCPct.Value+*l.SoCPct.Sigma >= minPct:
		return ChargeUnknown
	case *l.SoCPct.Value < minPct:
		return NotCharged
	}
	return ""
}

func (r LoadResult) because(why Reason) LoadResult {
	if !slices.Contains(r.Reasons, why) {
		r.Reasons = append(r.Reasons, why)
	}
	return r
}

// agrees compares an outcome with a figure of the monitor and the limit that it is judged by.
func agrees(o Outcome, f Figure, limit float64) Agreement {
	if !f.known() || o == NotJudged || o == "" {
		return Unknown
	}
	low, high := *f.Value+2**f.Sigma < limit, *f.Value-2**f.Sigma >= limit
	switch {
	case o == Borderline || !low && !high:
		return Unsure
	case o == Passes && low, o == Fails && high:
		return Disagree
	}
	return Agree
}

// Tester is the reading of an electronic tester, which works the cold cranking current out from the
// battery's conductance.
type Tester struct {
	RatedCCA float64  // A
	CCA      *float64 // A, as it shows
	TempC    *float64 // that it was told or has measured
	SoCPct   Figure   // by the monitor
	Cranking Figure   // A, by the monitor
}

// TesterResult is what a tester's reading shows.
type TesterResult struct {
	Outcome  Outcome   `json:"outcome"`
	Reasons  []Reason  `json:"reasons,omitempty"`
	NeededA  *float64  `json:"needed_a,omitempty"`
	SigmaA   *float64  `json:"sigma_a,omitempty"`   // of the tester's reading
	SharePct *float64  `json:"share_pct,omitempty"` // of the rating
	Monitor  Agreement `json:"monitor,omitempty"`
}

// testerShare is the standard uncertainty of a reading: two discharges by SAE J537 of one battery
// differ by up to 15 % (educational article BU-904, 91 starter batteries), so no tester can be
// better than that; taken as the half-width of a rectangular distribution. Twice this about serviceShare is at the limit:
// readings from 68 to 97 % of the rating. That span is calculated from the two; no source gives one.
const testerShare = 0.15 / 1.7320508 // ratio

// A tester that was not told a battery's temperature within these does not correct for it; from
// memory.
const (
	minTesterC = 0  // °C
	maxTesterC = 50 // °C
)

// Judge judges the reading of a tester.
func (t *Tester) Judge() TesterResult {
	r := TesterResult{Outcome: NotJudged}
	switch {
	case t.RatedCCA <= 0:
		r.Reasons = append(r.Reasons, NoRating)
		return r
	case t.CCA == nil:
		r.Reasons = append(r.Reasons, Incomplete)
		return r
	}
	needed, sigma, share := serviceShare*t.RatedCCA, testerShare**t.CCA, 100**t.CCA/t.RatedCCA
	r.NeededA, r.SigmaA, r.SharePct = &needed, &sigma, &share
	switch {
	case t.TempC == nil:
		r.Reasons = append(r.Reasons, NoTemperature)
	case *t.TempC < minTesterC:
		r.Reasons = append(r.Reasons, TooCold)
	case *t.TempC > maxTesterC:
		r.Reasons = append(r.Reasons, TooHot)
	}
	if t.SoCPct.known() && *t.SoCPct.Value+*t.SoCPct.Sigma < minPct && *t.CCA < needed {
		r.Reasons = append(r.Reasons, NotCharged) // its resistance is higher than that of a charged one
	}
	if len(r.Reasons) > 0 {
		return r
	}
	switch {
	case !beyond(*t.CCA, sigma, needed, 0):
		r.Outcome = Borderline
	case *t.CCA < needed:
		r.Outcome = Fails
	default:
		r.Outcome = Passes
	}
	if t.Cranking.known() {
		r.Monitor = Agree
		if beyond(*t.CCA, sigma, *t.Cranking.Value, *t.Cranking.Sigma) {
			r.Monitor = Disagree
		}
	}
	return r
}
