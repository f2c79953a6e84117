package rig_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

func newRig(t *testing.T, sc scenario.Scenario, throughBus bool) *rig.Rig {
	t.Helper()
	cfg, err := refboard.Config(&sc, "same", refboard.Options{})
	require.NoError(t, err)
	r, err := rig.New(sc, cfg, throughBus)
	require.NoError(t, err)
	return r
}

// Both ways from the pins to the rules give the same scans: byte by byte over the bus through the
// real driver, and reading the same chips directly, which simulate does for speed. Sensor noise and
// a motor run are in it.
func TestBusAndShortcutGiveTheSameScans(t *testing.T) {
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	sc.Sensors.Errors = append(sc.Sensors.Errors,
		scenario.SensorError{Channel: "voltage", Offset: 0.004, NoiseRMS: 0.002},
		scenario.SensorError{Channel: "current", NoiseRMS: 0.1})
	core := func(throughBus bool) *agent.Core {
		r := newRig(t, sc, throughBus)
		c, err := agent.NewCore(r.Config, r.Parts())
		require.NoError(t, err)
		return c
	}
	bus, direct := core(true), core(false)
	fast := 0
	for range 20000 {
		_, err := bus.Next(t.Context())
		require.NoError(t, err)
		_, err = direct.Next(t.Context())
		require.NoError(t, err)
		x, y := bus.Scan(), direct.Scan()
		require.Equal(t, fmt.Sprintf("%+v", *x), fmt.Sprintf("%+v", *y))
		if x.Fast {
			fast++
		}
	}
	assert.Greater(t, fast, 500, "a motor run was in it")
}

// A clock that jumps is wrong for its while, by as much, and right again.
func TestAClockJumps(t *testing.T) {
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	r := newRig(t, sc, false)
	r.JumpClock([]rig.ClockJump{{At: 10 * time.Minute, For: 20 * time.Minute, By: -48 * time.Hour}})
	for _, c := range []struct{ at, off time.Duration }{
		{5 * time.Minute, 0}, {15 * time.Minute, -48 * time.Hour}, {40 * time.Minute, 0},
	} {
		require.NoError(t, r.Clock.WaitUntil(t.Context(), c.at))
		wall, trusted := r.Parts().Wall()
		assert.True(t, trusted)
		assert.Equal(t, sc.Start.Add(c.at+c.off), wall)
	}
}
