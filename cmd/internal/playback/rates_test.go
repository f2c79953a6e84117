package playback

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules"
	"liftbank/rules/loadtest"
)

// What is said of the rate agrees with what the load test takes.
func TestRatesAreThoseOfTheLoadTest(t *testing.T) {
	for _, tt := range []struct {
		scan time.Duration
		want string
	}{
		{loadtest.LongestScan, "too few motor runs"},
		{loadtest.LongestScan + 5*time.Millisecond, "scans are about 25ms apart in motor runs: want 20ms or less"},
	} {
		var r Rates
		var out rules.Output
		out.Motor.Running = true
		for range 100 {
			out.At.Mono += tt.scan
			r.Step(&out)
		}
		assert.Contains(t, strings.Join(r.NotJudged(&out, true), "\n"), tt.want, "%v", tt.scan)
	}
}
