package agent_test

import (
	"context"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/readings"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/rules"
	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// bench is an agent on two emulated input chips that see a bank at 12.6 V with 1 A flowing in, in
// real time.
type bench struct {
	agent   *agent.Agent
	options agent.Options
	chips   []*board.Chip
	addr    string
}

// levels are contacts that stay as they are.
type levels []bool

func (l levels) Level(i int) (on, known bool)         { return l[i], true }
func (levels) Take(buf []sensors.Edge) []sensors.Edge { return buf }

func newBench(t *testing.T, change ...func(*agent.Options)) *bench {
	t.Helper()
	path := filepath.Join("..", "deploy", "board-two-batteries.yaml")
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	cfg, err := config.Parse(path, data)
	require.NoError(t, err)
	cfg.MQTT = nil

	clock := sensors.NewRealClock()
	volts, amps := board.NewChip(0x48, clock, board.Options{}), board.NewChip(0x49, clock, board.Options{})
	bank := board.Divider{TopOhm: 100e3, BottomOhm: 10e3}
	for ain, v := range []float64{12.6, 12.65, 0.05, 0} { // a+, b+, b-, motor
		volts.Connect(ain, func(time.Duration) float64 { return bank.PinV(v) })
	}
	hall := board.Hall{ZeroV: 1.65, VPerA: 0.0025}
	ntc := board.NTC{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3}
	for ain := range 2 {
		amps.Connect(ain, func(time.Duration) float64 { return hall.PinV(0.5) })
	}
	amps.Connect(2, func(time.Duration) float64 { return bank.PinV(12.6) })
	amps.Connect(3, func(time.Duration) float64 { return ntc.PinV(21) })
	bus := board.NewBus(clock, volts, amps)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	o := agent.Options{
		Config: cfg, Listener: l, Session: "test", Version: "test", Log: slog.New(slog.DiscardHandler), Now: time.Now,
		Parts: agent.Parts{
			Chips:    []sensors.Chip{ads1115.New(bus, 0x48, clock), ads1115.New(bus, 0x49, clock)},
			Contacts: levels{false, false, true}, Clock: clock, Wall: agent.SystemWall,
		},
	}
	for _, f := range change {
		f(&o)
	}
	a, err := agent.New(o)
	require.NoError(t, err)
	return &bench{agent: a, options: o, chips: []*board.Chip{volts, amps}, addr: "http://" + l.Addr().String()}
}

// start runs the agent and gives what stops it and waits.
func (b *bench) start(t *testing.T) (stop func() error) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- b.agent.Run(ctx) }()
	return func() error {
		cancel()
		select {
		case err := <-done:
			return err
		case <-time.After(20 * time.Second):
			require.Fail(t, "agent did not stop")
			return nil
		}
	}
}

func TestAgentMakesSnapshotsOfTheBoardAndStops(t *testing.T) {
	b := newBench(t)
	stop := b.start(t)
	s, err := b.agent.Hub().Next(t.Context(), 0)
	require.NoError(t, err)
	assert.Equal(t, "lift-1", s.Unit)
	require.Len(t, s.Batteries, 2)
	for _, bat := range s.Batteries {
		assert.InDelta(t, 12.6, *bat.VoltageV, 0.002, "between its own posts; one step of the input chip is 1.4 mV")
		assert.InDelta(t, 0.5, *bat.CurrentA, 0.02)
		assert.Equal(t, "unknown", bat.Verdict)
	}
	assert.InDelta(t, 21, *s.Batteries[0].TempC, 0.1)
	assert.Nil(t, s.Batteries[1].TempC, "it has no thermistor of its own")
	assert.InDelta(t, 1.0, *s.Bank.CurrentA, 0.04)
	assert.False(t, *s.Motor.Command)
	assert.True(t, *s.Feed.DisconnectClosed)
	resp, err := http.Get(b.addr + "/healthz")
	require.NoError(t, err)
	resp.Body.Close()
	assert.Equal(t, http.StatusOK, resp.StatusCode)
	http.DefaultClient.CloseIdleConnections()

	require.NoError(t, stop())
	assert.Greater(t, b.agent.Hub().Current().Seq, s.Seq, "the last word")
	_, err = http.Get(b.addr + "/healthz")
	assert.Error(t, err, "the page is gone")
}

// A chip that goes silent silences its channels: no figure stays behind, and the agent goes on.
func TestASilentChipLeavesNoFiguresBehind(t *testing.T) {
	t.Parallel() // waits more than it computes
	b := newBench(t)
	stop := b.start(t)
	s, err := b.agent.Hub().Next(t.Context(), 0)
	require.NoError(t, err)
	b.chips[1].Absent(true)
	for s.Batteries[0].CurrentA != nil {
		s, err = b.agent.Hub().Next(t.Context(), s.Seq)
		require.NoError(t, err)
	}
	assert.Nil(t, s.Bank.CurrentA)
	assert.Nil(t, s.Batteries[0].TempC)
	assert.NotNil(t, s.Batteries[0].VoltageV, "the other chip still answers")
	assert.False(t, s.Chips[1].Answering)
	assert.Positive(t, s.Chips[1].Errors)
	for _, ch := range s.Channels {
		if ch.Name == "battery_current_a" {
			assert.Equal(t, "no answer on the bus", ch.Quality.English)
		}
	}
	require.NoError(t, stop())
}

// What was learned outlives the agent, and the time between is made up for when the wall clock,
// which a board loses with its power, is set again.
func TestAnAgentGoesOnFromWhatTheOneBeforeItLearnt(t *testing.T) {
	inBubble(t, func(t *testing.T, w *wire) {
		file := filepath.Join(t.TempDir(), "state")
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		trusted := true
		wall := func() (time.Time, bool) { return now, trusted }
		live := func() *rules.Output {
			b := newBench(t, w.listen, func(o *agent.Options) { o.StateFile, o.Parts.Wall = file, wall })
			stop := b.start(t)
			_, err := b.agent.Hub().Next(t.Context(), 0)
			require.NoError(t, err)
			require.NoError(t, stop())
			return b.agent.Core().Output()
		}
		first := live()
		assert.FileExists(t, file)

		now = now.Add(5 * time.Hour)
		second := live()
		assert.InDelta(t, 5*time.Hour, second.At.Mono-first.At.Mono, float64(time.Minute), "the wall clock tells the gap")

		now, trusted = time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC), false
		third := live()
		assert.Less(t, third.At.Mono-second.At.Mono, time.Minute, "nobody knows how long")
		assert.Greater(t, third.At.Mono, second.At.Mono, "but later it is")

		require.NoError(t, os.WriteFile(file, []byte("rot"), 0o600))
		require.NoError(t, os.Remove(file+".previous"))
		fourth := live()
		assert.Less(t, fourth.At.Mono, first.At.Mono+time.Minute, "begins anew")
		assert.FileExists(t, file+".damaged")
	})
}

// An outlet that is configured has its place in the store, and the snapshot says how it does.
func TestOutletsAreShown(t *testing.T) {
	b := newBench(t, withMQTT)
	stop := b.start(t)
	s, err := b.agent.Hub().Next(t.Context(), 0)
	require.NoError(t, err)
	for len(s.Outlets) == 0 || s.Outlets[0].Problem == "" {
		s, err = b.agent.Hub().Next(t.Context(), s.Seq)
		require.NoError(t, err)
	}
	assert.Equal(t, []snapshot.Outlet{{Name: "mqtt", Problem: "broker unreachable"}}, s.Outlets)
	assert.Equal(t, "mqtt", b.agent.Outlets()[0].Name)
	assert.NotNil(t, b.agent.Store().Outlet("mqtt"))
	require.NoError(t, stop())
}

// withMQTT has an agent send to a broker that isn't there.
func withMQTT(o *agent.Options) {
	o.Config.MQTT = &config.MQTT{Broker: "mqtt://127.0.0.1:9", Prefix: "liftbank", KeepAlive: time.Minute}
}

// A store that was opened for another configuration has no place for the outlet.
func TestAStoreWithoutTheOutletIsRefused(t *testing.T) {
	kept, err := store.Open(store.Options{Session: "s", Layout: readings.LayoutOf([]string{"a"}), Now: time.Now})
	require.NoError(t, err)
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, kept.Run(stopped))
	b := newBench(t)
	o := b.options
	withMQTT(&o)
	o.Store = kept
	_, err = agent.New(o)
	assert.ErrorContains(t, err, "outlet mqtt: the store was opened without it")
	require.NoError(t, b.start(t)())
}
