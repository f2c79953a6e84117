package view

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// A service has its day, or what is left of it, or why there is neither.
func TestDueText(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	n := func(x uint64) *uint64 { return &x }
	now := time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)
	for want, s := range map[string]snapshot.SinceService{
		"": {Kind: "oil"},
		"Oil change due on about 2027-03-12 (lift cycles, at the usual duty).": {
			Kind: "oil", NextBy: "lift-cycles", NextOn: "2027-03-12", DueLiftCycles: n(9000), LiftCycles: 4000,
		},
		"Filter change is due (days).": {Kind: "filter", NextBy: "days", NextOn: "2026-11-29", DueDays: v(365), Days: v(366)},
		"Service due in 1,240 lift cycles, 12\u00a0h.": {
			Kind: "service", NextBy: "lift-cycles", DueLiftCycles: n(5000), LiftCycles: 3760, DueRunTimeS: v(20 * 3600), RunTimeS: 8 * 3600,
		},
		"Service: no date yet, because the date of the last one is not known.": {Kind: "service", NextBy: "days", DueDays: v(365)},
	} {
		assert.Equal(t, want, DueText(words.Readers[0], &s, now))
	}
}
