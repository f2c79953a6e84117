package agent_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/snapshot"
)

// Batteries differ by their labels, and by the dates that somebody wrote; those who wrote none are of no age.
func TestMixed(t *testing.T) {
	bank := config.Bank{Layout: config.SeriesPairs}
	for i := range 4 {
		bank.Batteries = append(bank.Batteries, config.Battery{ID: string("abcd"[i]), Chemistry: "agm", RatedAh: 100, RatedCCA: 850})
	}
	none := func(int) *snapshot.Passport { return nil }
	assert.Empty(t, agent.Mixed(&bank, none))

	bank.Batteries[1].RatedAh = 80
	bank.Batteries[3].Chemistry = "gel"
	dates := []string{"2024-02", "2025-01", "2026-06", ""}
	got := agent.Mixed(&bank, func(i int) *snapshot.Passport { return &snapshot.Passport{Made: dates[i]} })
	years := 2.3
	assert.Equal(t, []snapshot.Mixed{
		{Battery: "b", From: "a", What: "rated_ah", Series: true},
		{Battery: "d", From: "a", What: "chemistry"},
		{Battery: "c", From: "a", What: "age", Older: "a", Years: &years},
	}, got)
	dates = []string{"2026-02", "2024-02", "", ""}
	got = agent.Mixed(&bank, func(i int) *snapshot.Passport { return &snapshot.Passport{Made: dates[i]} })
	assert.Equal(t, "b", got[2].Older)
	assert.True(t, got[2].Series)

	alike := bank
	alike.Batteries = []config.Battery{bank.Batteries[0], bank.Batteries[0]}
	for _, tt := range []struct {
		made  [2]string
		apart bool
	}{
		{[2]string{"2022-02", "2023-02"}, false},
		{[2]string{"2023-06", "2024-06"}, false}, // with a leap day
		{[2]string{"2024-06", "2023-06"}, false},
		{[2]string{"2023-06", "2024-08"}, true},
	} {
		got := agent.Mixed(&alike, func(i int) *snapshot.Passport { return &snapshot.Passport{Made: tt.made[i]} })
		assert.Equal(t, tt.apart, len(got) > 0, "%v", tt.made)
	}
}
