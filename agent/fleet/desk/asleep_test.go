package desk

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/page/words"
)

// The desk says until when a unit's board is switched off, in place of that it is silent.
func TestAsleepUntil(t *testing.T) {
	at := time.Date(2026, 3, 9, 18, 30, 0, 0, time.UTC)
	for _, to := range words.Readers {
		v := &view{To: to, Now: at}
		assert.Empty(t, v.asleep(time.Time{}))
		timer, line := v.asleep(at.Add(20*time.Hour)), v.asleep(worklist.WokenByLine)
		assert.NotContains(t, timer, "{")
		assert.Contains(t, timer, v.Time(at.Add(20*time.Hour)))
		assert.NotEmpty(t, line)
		assert.NotEqual(t, timer, line)
	}
	row := Row{}
	row.AsleepUntil = at.Add(20 * time.Hour)
	row.Age(at.Add(-30*time.Hour), time.Time{}, at)
	assert.False(t, row.Silent)
}
