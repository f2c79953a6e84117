package figures

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/snapshot"
)

func TestFigures(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	assert.Equal(t, "—", Of(nil, 2))
	assert.Equal(t, "12.60", Of(v(12.6), 2))
	assert.Equal(t, "12.653", Of(v(12.653), 2), "digits are never taken away")
	assert.Equal(t, "12", Of(v(12), 0))
	assert.Equal(t, "+3.0", Signed(v(3), 1))
	assert.Equal(t, "−3.0", Signed(v(-3), 1))
	assert.Equal(t, "0.0", Signed(v(0), 1))
	assert.Equal(t, "0.0", Signed(v(math.Copysign(0, -1)), 1))
	assert.Equal(t, Estimated{"92.4", "±\u00a02.1"}, Estimate(snapshot.Estimate{Value: v(92.4), Sigma: v(2.1)}, 0))
	assert.Equal(t, Estimated{Value: "—"}, Estimate(snapshot.Estimate{}, 0))
	for d, want := range map[time.Duration]string{
		0: "0 s", -time.Second: "0 s", 119 * time.Second: "119 s", 2 * time.Minute: "2 min",
		59*time.Minute + 59*time.Second: "59 min",
		time.Hour:                       "1 h 0 min", 26*time.Hour + 5*time.Minute: "1 d 2 h",
	} {
		assert.Equal(t, want, strings.ReplaceAll(Span(d), "\u00a0", " "))
	}
	day := time.Date(2026, 3, 9, 23, 0, 0, 0, time.UTC)
	assert.Equal(t, "22:00:00 UTC", TimeOfDay(day.Add(-time.Hour), day))
	assert.Equal(t, "2026-03-08 23:00 UTC", TimeOfDay(day.Add(-24*time.Hour), day))
	assert.Equal(t, "2025-03-09 23:00 UTC", TimeOfDay(day.AddDate(-1, 0, 0), day))
	assert.Equal(t, "—", TimeOfDay(time.Time{}, day))
}
