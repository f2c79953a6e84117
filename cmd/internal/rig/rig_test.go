package rig_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/rules/unit"
	"liftbank/sensors"
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

// Each example of a board, in front of a simulated unit: every channel shows what is true within its
// class, a motor run is scanned fast on each kind of chip, and a cut wire, a silent chip and a slow one
// are told on those channels alone.
func TestEachExampleBoard(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, tt := range []struct {
		file  string
		chips int
		fastS float64 // the slowest scan in a run
		unit  string  // the layout of the simulated unit
	}{
		{"board-two-batteries.yaml", 2, 0.010, scenario.Parallel}, {"board-shunts.yaml", 3, 0.010, scenario.Parallel},
		{"board-iio.yaml", 2, 0.015, scenario.Parallel}, {"board-full.yaml", 3, 0.012, scenario.Parallel},
		{"board-series.yaml", 2, 0.010, scenario.Series}, {"board-series-pairs.yaml", 3, 0.012, scenario.SeriesPairs},
	} {
		t.Run(tt.file, func(t *testing.T) {
			if tt.file != "board-two-batteries.yaml" && tt.file != "board-iio.yaml" && tt.file != "board-series.yaml" {
				slowtest.Long(t)
			}
			text, err := os.ReadFile(filepath.Join("..", "..", "..", "deploy", tt.file))
			require.NoError(t, err)
			cfg, err := config.Parse(tt.file, text)
			require.NoError(t, err)
			sc := scenario.DefaultFor(tt.unit)
			sc.Complete()
			for chip := range tt.chips {
				sc.Sensors.Faults = append(sc.Sensors.Faults,
					scenario.SensorFault{Kind: "chip-silent", Chip: chip, At: 10*time.Hour + time.Duration(chip)*2*time.Minute, For: time.Minute},
					scenario.SensorFault{Kind: "chip-slow", Chip: chip, At: 11*time.Hour + time.Duration(chip)*2*time.Minute, For: time.Minute})
			}
			sc.Sensors.Faults = append(sc.Sensors.Faults,
				scenario.SensorFault{Kind: "channel-open", Channel: "current-a", At: 12 * time.Hour, For: time.Minute})
			r, err := rig.New(sc, cfg, true)
			require.NoError(t, err)
			core, err := agent.NewCore(r.Config, r.Parts())
			require.NoError(t, err)
			fast, worst := 0, time.Duration(0)
			silent := map[int]bool{}
			for r.Clock.Now() < 13*time.Hour {
				_, err := core.Next(t.Context())
				require.NoError(t, err)
				s, in, truth, at := core.Scan(), core.Input(), r.Unit.Signals(), r.Clock.Now()
				if s.Fast {
					fast, worst = fast+1, max(worst, s.Took)
				}
				for i := range cfg.Board.Channels {
					ch := &cfg.Board.Channels[i]
					if s.Readings[i].Fault != sensors.None {
						silent[i] = true
						assert.True(t, at > 10*time.Hour && at < 12*time.Hour+time.Minute, "%s at %v: %v", ch.Name(), at, s.Readings[i].Fault)
					}
				}
				if s.Fast || truth.MotorCommand || len(s.Edges) > 0 || at > 10*time.Hour { // it moves on while it is read
					continue
				}
				class := func(name string) sensors.Class {
					i := slices.IndexFunc(cfg.Board.Channels, func(c config.Channel) bool { return c.Name() == name })
					return cfg.Board.Channels[i].Class(sensors.AtRest)
				}
				for k := range cfg.Bank.Batteries {
					id := string("abcd"[k])
					volts := class("battery_voltage_" + id)
					assert.InDelta(t, truth.Battery[k].PositiveV, in.Battery[k].VoltageV.Value, volts.StepSize+0.002, "%v", at)
					if _, stands := cfg.Bank.Layout.Rules().Below(k); stands { // one current sensor a string
						continue
					}
					amps := class("battery_current_" + id)
					assert.InDelta(t, truth.Battery[k].CurrentA, in.Battery[k].CurrentA.Value, amps.StepSize+0.05, "%v", at)
				}
				for i := range cfg.Board.Channels {
					ch := &cfg.Board.Channels[i]
					want, within := 0.0, 0.01
					switch ch.Signal {
					case config.FeedInput:
						want = truth.InputV
					case config.ControlVoltage:
						want = truth.ControlV
					case config.AmbientTemperature:
						want, within = truth.AmbientC, 0.1
					case config.OilPressure:
						want, within = truth.OilBar, 0.2
					default:
						continue
					}
					assert.InDelta(t, want, s.Readings[i].Value, within, "%s at %v", ch.Name(), at)
				}
				if in.Indicator != unit.ContactNotFitted {
					assert.Equal(t, truth.IndicatorLine, in.Indicator == unit.ContactOn, "%v", at)
				}
				if t.Failed() {
					return
				}
			}
			assert.Greater(t, fast, 100, "a motor run was in it")
			assert.Less(t, worst.Seconds(), tt.fastS)
			assert.Len(t, silent, len(cfg.Board.Channels), "each channel was silent with its chip")
		})
	}
}
