package publish

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
)

// A unit that measures nothing says so at once, and again when it measures; a connection that comes up
// meanwhile says it first.
func TestAUnitThatMeasuresNothingSaysSo(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) {
		c.connack(0)
		c.serve(everything)
	})
	opts := options(t, b.url())
	opts.Hub.Stall(true)
	p, stop := start(t, opts)
	defer stop()
	c := receive(t, b.accepted, "a connection")
	told := func() string {
		var s records.Status
		m := c.nextPublish("status")
		require.NoError(t, json.Unmarshal(m.Payload, &s))
		assert.True(t, m.Retain)
		return s.Status
	}
	assert.Equal(t, "stalled", told())
	opts.Hub.Stall(false)
	p.Wake()
	assert.Equal(t, "online", told())
	opts.Hub.Stall(true)
	p.Wake()
	assert.Equal(t, "stalled", told())
}
