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

// A figure has the digits that it deserves; what rounds to zero has no sign.
func TestRounded(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	assert.Equal(t, "0.0", Short(v(-0.04), 1, true))
	assert.Equal(t, "0", Short(v(-0.4), 0, false))
	assert.Equal(t, "−0.1", Short(v(-0.06), 1, true))
	assert.Equal(t, "+0.1", Short(v(0.06), 1, true))
	assert.Equal(t, "0.0", Short(v(0.04), 1, true))
	assert.Equal(t, "12.77", Short(v(12.7654), 2, false))
	assert.Equal(t, "—", Short(nil, 2, false))
	assert.Equal(t, "591\u00a0±\u00a028", Rounded(snapshot.Estimate{Value: v(591.4), Sigma: v(27.7)}, 0).Text())
	assert.Equal(t, "98\u00a0±\u00a01", Rounded(snapshot.Estimate{Value: v(98.2), Sigma: v(0.2)}, 0).Text(), "never ± 0")
	assert.Equal(t, "—", Rounded(snapshot.Estimate{}, 0).Text())
	assert.Equal(t, []int{2, 2, 1, 0, 0}, []int{Decimals("V"), Decimals("mΩ"), Decimals("A"), Decimals("%"), Decimals("°C")})
	for n, want := range map[uint64]string{0: "0", 999: "999", 1412: "1,412", 1234567: "1,234,567"} {
		assert.Equal(t, want, Count(n))
	}
	for d, want := range map[time.Duration]string{
		-time.Second: "0 s", 90 * time.Second: "90 s", 100 * time.Minute: "1 h 40 min", 5*time.Hour + 59*time.Minute: "5 h",
		71 * time.Hour: "71 h", 42*24*time.Hour + time.Hour: "42 d",
	} {
		assert.Equal(t, want, strings.ReplaceAll(Rough(d), "\u00a0", " "))
	}
}
