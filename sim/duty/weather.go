package duty

import (
	"math"
	"time"
)

// Weather is the temperature of the air around the battery box: a yearly and a daily wave and a
// spell of warmer or colder days drawn from the seed.
type Weather struct {
	Seed       uint64
	Start      time.Time // wall time of the scenario's start
	MeanC      float64   // over the year
	SeasonC    float64   // the warmest day is this much above the mean
	DayC       float64   // the warmest hour is this much above the day's mean
	SpellC     float64   // days are up to this much warmer or colder than the season says
	WarmestDay int       // of the year; 0: 200, the middle of July
}

// Hours of the daily wave's top (common practice: mid-afternoon) and the default warmest day
// (northern mid-latitudes).
const (
	warmestHour       = 15
	defaultWarmestDay = 200
)

// AmbientC returns the air temperature in °C at t after the scenario's start.
func (w *Weather) AmbientC(t time.Duration) float64 {
	at := w.Start.Add(t)
	hour, minute, second := at.Clock()
	secondOfDay := float64(hour*3600 + minute*60 + second)
	ofDay := secondOfDay / 86400
	warmest := w.WarmestDay
	if warmest == 0 {
		warmest = defaultWarmestDay
	}
	ofYear := (float64(at.YearDay()-warmest) + ofDay) / 365

	temp := w.MeanC + float64(w.SeasonC*turn(ofYear))
	temp += float64(w.DayC * turn(ofDay-float64(warmestHour)/24))
	day := uint64(at.Unix() / 86400)
	today, tomorrow := w.spell(day), w.spell(day+1)
	return temp + today + float64((tomorrow-today)*ofDay)
}

// spell returns how much warmer than the season day begins, in °C.
func (w *Weather) spell(day uint64) float64 {
	d := newDice(w.Seed^0x5eed0fa1, day)
	return float64(w.SpellC * (float64(2*d.unit()) - 1))
}

// turn returns the cosine of x turns, x any number, within 0.002. It is Bhaskara's rational formula
// (Mahabhaskariya, 7th century): it needs only exactly rounded operations, so that it is the same
// on every architecture, and no weather is a truer cosine than that.
func turn(x float64) float64 {
	x -= math.Floor(x) // 0..1
	if x > 0.5 {
		x = 1 - x
	}
	y := float64(4*x) - 1 // -1 at the top, 1 at the bottom
	if y > 0 {
		return -quarter(1 - y)
	}
	return quarter(1 + y)
}

// quarter returns the falling quarter wave, 1 at u = 0 and 0 at u = 1.
func quarter(u float64) float64 {
	s := float64(u * u)
	return (4 - float64(4*s)) / (4 + s)
}
