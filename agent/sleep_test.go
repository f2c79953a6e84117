package agent

import (
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/outlet"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
	"liftbank/agent/trouble"
	"liftbank/rules"
	"liftbank/rules/power"
	"liftbank/rules/unit"
	"liftbank/sensors"
)

// noScans is a board that is not looked at.
type noScans struct{}

func (noScans) Next(ctx context.Context) (*sensors.Scan, error) { <-ctx.Done(); return nil, ctx.Err() }
func (noScans) Stats() *sensors.Stats                           { return &sensors.Stats{} }

// sleepy is an agent whose loop a test plays, on a card in memory.
type sleepy struct {
	*Agent
	t    *testing.T
	card *crash.Disk
	said *fakeOutlet
	out  rules.Output
	end  func()
}

// newSleepy must be called within a synctest bubble.
func newSleepy(t *testing.T) *sleepy {
	path := filepath.Join("..", "deploy", "board-two-batteries.yaml")
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	cfg, err := config.Parse(path, data)
	require.NoError(t, err)
	cfg.MQTT, cfg.Power.WakeBy = nil, config.WakeByBoth
	rc, err := RulesConfig(&cfg)
	require.NoError(t, err)
	core, err := newCore(cfg, rc, noScans{})
	require.NoError(t, err)
	log := slog.New(slog.DiscardHandler)
	s := &sleepy{t: t, card: crash.New("/card"), said: &fakeOutlet{state: outlet.State{Name: "mqtt"}}}
	undo := disk.Use(s.card)
	a := &Agent{core: core, hub: snapshot.NewHub(time.Now), outlets: outlets{s.said}, stopped: make(chan struct{})}
	a.opts = Options{Config: cfg, Now: time.Now, Log: log, RuntimeDir: "/card"}
	a.store, err = OpenStore(cfg, "", "s1", time.Now, log)
	require.NoError(t, err)
	a.state = newStateWriter("/card/learned", &a.troubles, log)
	a.rec = a.newRecorder()
	s.Agent = a
	ctx, cancel := context.WithCancel(context.Background())
	var parts sync.WaitGroup
	parts.Go(func() { assert.NoError(t, a.store.Run(ctx)) })
	parts.Go(func() { assert.NoError(t, a.state.run(ctx)) })
	core.in.At = rules.Moment{Mono: 20 * 24 * time.Hour, Wall: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC), WallTrusted: true}
	core.out = core.engine.Step(&core.in)
	s.out = *core.out
	s.end = func() { a.writers.Wait(); cancel(); parts.Wait(); undo() }
	return s
}

// scan lets a second pass at a level.
func (s *sleepy) scan(l power.Level) {
	time.Sleep(time.Second)
	s.out.Power.Level, s.out.Power.Why = l, unit.Lookup("power.low")
	s.stepSleep(s.t.Context(), &s.out, time.Now())
	synctest.Wait()
}

// request returns what the system is asked, empty for nothing.
func (s *sleepy) request() string {
	text, err := disk.ReadFile("/card/sleep")
	if err != nil {
		require.ErrorIs(s.t, err, os.ErrNotExist)
	}
	return string(text)
}

// saved returns the saved state.
func (s *sleepy) saved() *rules.State {
	text, err := safefile.Load("/card/learned")
	require.NoError(s.t, err)
	var state rules.State
	if text != nil {
		require.NoError(s.t, json.Unmarshal(text, &state))
	}
	return &state
}

func (s *sleepy) trouble() string {
	for _, t := range s.Troubles() {
		if t.Part == trouble.Power {
			return t.Problem
		}
	}
	return ""
}

// First the word is out, then the state is saved that says so, then the system is asked.
func TestFallingAsleepInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSleepy(t)
		defer s.end()
		s.scan(power.Saving)
		require.Nil(t, s.hub.Asleep())
		s.scan(power.Asleep)
		asleep := s.hub.Asleep()
		require.NotNil(t, asleep)
		assert.Equal(t, time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), *asleep.Until)
		assert.True(t, asleep.Line)
		assert.Equal(t, "power.low", asleep.Why.ID)
		assert.Equal(t, 1, s.said.woken)
		for range 30 {
			s.scan(power.Asleep)
		}
		assert.Empty(t, s.request(), "the word is not out")
		assert.False(t, s.saved().Power.Off)
		s.said.state.LastWord = true
		s.scan(power.Asleep)
		s.scan(power.Asleep)
		assert.Equal(t, "for=86400\nhow=power-off\n", s.request())
		assert.True(t, s.saved().Power.Off)
		assert.False(t, s.saved().Power.LateWord)
		assert.Equal(t, 24*time.Hour, s.saved().Power.For)
		assert.Empty(t, s.trouble())
	})
}

// A broker that is away is waited for, for a bounded time; what wakes up knows that the word comes late.
func TestFallingAsleepWithoutABroker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSleepy(t)
		defer s.end()
		begun := time.Now()
		for s.request() == "" {
			s.scan(power.Asleep)
			require.Less(t, time.Since(begun), 5*time.Minute)
		}
		assert.Greater(t, time.Since(begun), wordFor)
		assert.True(t, s.saved().Power.LateWord)
	})
}

// Whatever moves while it falls asleep calls it off, with nothing left of it: after any number of scans.
func TestASleepIsCalledOffAtAnyTime(t *testing.T) {
	for after := range 8 {
		synctest.Test(t, func(t *testing.T) {
			s := newSleepy(t)
			defer s.end()
			for i := range after {
				s.said.state.LastWord = i >= 2
				s.scan(power.Asleep)
			}
			s.scan(power.Awake)
			assert.Empty(t, s.request(), after)
			assert.Nil(t, s.hub.Asleep())
			s.core.engine.Step(&s.core.in) // of the same instant: it says what the rules know
			assert.Equal(t, up, s.falling.phase)
			for range 300 {
				s.scan(power.Awake)
			}
			assert.Empty(t, s.request())
		})
	}
}

// A system that does not switch off: it is said, and the request is taken back.
func TestASystemThatDoesNotSwitchOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSleepy(t)
		defer s.end()
		s.said.state.LastWord = true
		for range int(offFor/time.Second) + 4 {
			if s.trouble() == "" {
				s.scan(power.Asleep)
			}
		}
		assert.Contains(t, s.trouble(), "liftbank-sleep.path")
		assert.Empty(t, s.request())
		assert.Nil(t, s.hub.Asleep())
		assert.False(t, s.saved().Power.Off)
		assert.Equal(t, power.Saving, s.core.engine.State().Power.Level)
	})
}

// Without a place for the request, or for what was learned, it stays awake and says so.
func TestNoSleepWithoutAPlaceForIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSleepy(t)
		defer s.end()
		s.opts.RuntimeDir = ""
		s.scan(power.Asleep)
		assert.Contains(t, s.trouble(), "RuntimeDirectory")
		assert.Nil(t, s.hub.Asleep())
	})
}

// Each file operation on the way fails once: either the system is asked, with a saved state that knows of
// the sleep, or it is not, and the page says why.
func TestEachFileOperationFailsBeforeASleep(t *testing.T) {
	play := func(t *testing.T, fail int) (operations int) {
		synctest.Test(t, func(t *testing.T) {
			s := newSleepy(t)
			defer s.end()
			s.said.state.LastWord = true
			from := s.card.Operations()
			s.card.FailWith(func(n int, _, _ string) error {
				if n-from == fail {
					return syscall.EIO
				}
				return nil
			})
			for range 5 {
				s.scan(power.Asleep)
				if s.trouble() != "" {
					break
				}
			}
			operations = s.card.Operations() - from
			s.card.FailWith(nil)
			if why := s.trouble(); why != "" {
				assert.Empty(t, s.request(), fail)
				assert.Contains(t, why, "not switched off")
				assert.Nil(t, s.hub.Asleep())
				return
			}
			assert.Equal(t, "for=86400\nhow=power-off\n", s.request(), fail)
			assert.True(t, s.saved().Power.Off, fail)
		})
		return operations
	}
	all := play(t, -1)
	require.Greater(t, all, 8)
	for n := range all + 1 {
		play(t, n)
	}
}

// A page that somebody has open, and one that was answered half a minute ago.
func TestWhoLooks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSleepy(t)
		defer s.end()
		level := func() power.Level {
			s.noteLooks(time.Now())
			s.core.in.At.Mono += 4 * time.Hour
			return s.core.engine.Step(&s.core.in).Power.Level
		}
		s.core.in.At.Mono += 10 * 24 * time.Hour
		require.Equal(t, power.Saving, level())
		s.look(true)
		time.Sleep(time.Hour)
		assert.Equal(t, power.Awake, level(), "a stream that is open")
		s.look(false)
		time.Sleep(lookFor / 2)
		assert.Equal(t, power.Awake, level())
		time.Sleep(lookFor)
		assert.Equal(t, power.Saving, level())
	})
}
