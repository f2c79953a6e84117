package agent

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
)

// fakeOutlet runs until it is stopped, or fails at once.
type fakeOutlet struct {
	woken   int
	state   outlet.State
	every   time.Duration
	failure error
	stopped bool
}

func (f *fakeOutlet) Run(ctx context.Context) error {
	if f.failure != nil {
		return f.failure
	}
	<-ctx.Done()
	f.stopped = true
	return nil
}

func (f *fakeOutlet) State() outlet.State          { return f.state }
func (f *fakeOutlet) Wake()                        { f.woken++ }
func (f *fakeOutlet) ReadingsEvery() time.Duration { return f.every }

func TestOutletsTogether(t *testing.T) {
	assert.Zero(t, outlets{}.readingsEvery())
	assert.Zero(t, outlets{}.budgetLevel())
	assert.Nil(t, outlets{}.shown())
	require.NoError(t, outlets{}.run(t.Context()))

	a := &fakeOutlet{state: outlet.State{Name: "a", Connected: true}, every: time.Hour}
	b := &fakeOutlet{state: outlet.State{Name: "b", Problem: "file can't be written", BudgetLevel: 2},
		every: time.Minute}
	none := &fakeOutlet{state: outlet.State{Name: "none", BudgetLevel: 1}}
	all := outlets{a, b, none}
	assert.Equal(t, time.Minute, all.readingsEvery(), "the one that wants them most often")
	assert.Equal(t, 2, all.budgetLevel(), "the scarcest")
	assert.Equal(t, []snapshot.Outlet{
		{Name: "a", Connected: true}, {Name: "b", Problem: "file can't be written"}, {Name: "none"},
	}, all.shown())

	none.failure = errors.New("broken")
	assert.ErrorIs(t, all.run(t.Context()), none.failure, "one that fails stops the others")
	assert.True(t, a.stopped)
	assert.True(t, b.stopped)
}

// Names in the store are those of the configuration, each once.
func TestKindsOfOutlets(t *testing.T) {
	assert.Empty(t, outletNames(&config.Config{}))
	seen := map[string]bool{}
	for _, k := range kinds {
		assert.False(t, seen[k.Name], k.Name)
		seen[k.Name] = true
		assert.False(t, k.Wanted(&config.Config{}))
	}
	with := config.Config{Outlets: config.Outlets{MQTT: &config.MQTT{}}}
	assert.Equal(t, []string{"mqtt"}, outletNames(&with))
}
