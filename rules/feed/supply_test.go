package feed_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/feed"
	"liftbank/rules/unit"
)

// What arrives without a load is averaged until the converter gives current, kept while it does, and
// forgotten with the wake line.
func TestWhatArrivesWithoutALoad(t *testing.T) {
	var s feed.Supply
	in := feed.SupplyInput{Wake: unit.ContactOn, Status: feed.Awaited, InputV: good(13.8), FlowSure: true}
	step := func(seconds int) {
		for range seconds {
			in.At += time.Second
			s.Step(&in)
		}
	}
	step(1)
	assert.True(t, s.HasIdle)
	assert.Equal(t, 13.8, s.IdleV)
	in.InputV = good(14.2)
	step(60)
	assert.InDelta(t, 14.2, s.IdleV, 0.001)
	in.Status, in.Flows, in.InputV = feed.Present, true, good(11.2)
	step(60)
	assert.InDelta(t, 14.2, s.IdleV, 0.001, "under load says nothing of it")
	in.Flows = false
	step(60)
	assert.InDelta(t, 14.2, s.IdleV, 0.001, "nor a converter that is up and whose bank is full")
	in.Status, in.FlowSure = feed.Awaited, false
	step(60)
	assert.InDelta(t, 14.2, s.IdleV, 0.001, "nor a current that can't be read")
	in.Wake = unit.ContactOff
	step(1)
	assert.False(t, s.HasIdle)
}

// A lamp's line that is on with nothing asked for hangs on the bank: from 10 min on. Off once, it does
// not.
func TestALampThatTheBankFeeds(t *testing.T) {
	var s feed.Supply
	in := feed.SupplyInput{Wake: unit.ContactOff, Status: feed.Off, Lamp: unit.ContactOn}
	step := func(span time.Duration) {
		for range span / time.Second {
			in.At += time.Second
			s.Step(&in)
		}
	}
	in.Status = feed.Unasked
	step(time.Hour)
	assert.False(t, s.OnBank, "a charger on the stand")
	in.Status = feed.Off
	step(10*time.Minute - 2*time.Second)
	assert.False(t, s.OnBank)
	step(4 * time.Second)
	assert.True(t, s.OnBank)
	in.Wake = unit.ContactOn
	step(time.Minute)
	assert.True(t, s.OnBank)
	in.Wake, in.Lamp = unit.ContactOff, unit.ContactOff
	step(2 * time.Second)
	assert.False(t, s.OnBank)
	assert.NoError(t, s.Check())
	s.IdleV = math.NaN()
	assert.Error(t, s.Check())
}
