package contact_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"liftbank/sensors/contact"
)

const ms = time.Millisecond

type change struct {
	at time.Duration
	on bool
}

// debounced samples a contact every millisecond that starts off and changes as given, and gives the
// edges found.
func debounced(hold, until time.Duration, changes ...change) []change {
	d := contact.NewDebouncer(hold)
	var edges []change
	level := false
	for now := time.Duration(0); now <= until; now += ms {
		for len(changes) > 0 && changes[0].at <= now {
			level, changes = changes[0].on, changes[1:]
		}
		if edge, on, at := d.Sample(level, now); edge {
			edges = append(edges, change{at, on})
		}
	}
	return edges
}

func TestDebounce(t *testing.T) {
	for _, tt := range []struct {
		name    string
		changes []change
		want    []change
	}{
		{
			"clean on and off", []change{{100 * ms, true}, {400 * ms, false}},
			[]change{{100 * ms, true}, {400 * ms, false}},
		},
		{
			"bounces on closing: dated to the first touch",
			[]change{{100 * ms, true}, {102 * ms, false}, {103 * ms, true}, {106 * ms, false}, {107 * ms, true}},
			[]change{{100 * ms, true}},
		},
		{
			"pulse just long enough", []change{{100 * ms, true}, {121 * ms, false}},
			[]change{{100 * ms, true}, {121 * ms, false}},
		},
		{"pulse too short", []change{{100 * ms, true}, {119 * ms, false}}, nil},
		{
			"burst that ends where it began",
			[]change{{100 * ms, true}, {101 * ms, false}, {110 * ms, true}, {111 * ms, false}},
			nil,
		},
		{
			"short gap in a long command",
			[]change{{100 * ms, true}, {200 * ms, false}, {205 * ms, true}, {300 * ms, false}},
			[]change{{100 * ms, true}, {300 * ms, false}},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			assert.Equal(t, tt.want, debounced(20*ms, 600*ms, tt.changes...))
		})
	}
}

func TestFirstSampleIsTheStateAndNoEdge(t *testing.T) {
	d := contact.NewDebouncer(20 * ms)
	_, known := d.State(0)
	assert.False(t, known)
	edge, _, _ := d.Sample(true, 0)
	assert.False(t, edge)
	on, known := d.State(0)
	assert.True(t, on)
	assert.True(t, known)
	_, pending := d.Due()
	assert.False(t, pending)
}

// A contact that never holds still has no state; once it does, it has one again.
func TestChatterIsUnknown(t *testing.T) {
	d := contact.NewDebouncer(20 * ms)
	level := false
	now := time.Duration(0)
	for ; now < 3*time.Second; now += 5 * ms {
		d.Sample(level, now)
		level = !level
		_, known := d.State(now)
		assert.Equal(t, now <= 1005*ms, known, now)
	}
	d.Sample(true, now)
	edge, on, at := d.Sample(true, now+20*ms)
	assert.True(t, edge)
	assert.True(t, on)
	assert.Equal(t, 5*ms, at)
	_, known := d.State(now + 20*ms)
	assert.True(t, known)
}

// settles is debouncing done slowly, with the whole record at hand: a level counts where it holds
// for the time, and the change to it is dated to the first change since the level before was left.
func settles(levels []bool, hold int) []change {
	var edges []change
	state, left := levels[0], -1
	run := 1
	for i := 1; i < len(levels); i++ {
		if levels[i] != levels[i-1] {
			run = 0
			if left < 0 {
				left = i
			}
		}
		run++
		if left >= 0 && run > hold {
			if levels[i] != state {
				state = levels[i]
				edges = append(edges, change{time.Duration(left) * ms, state})
			}
			left = -1
		}
	}
	return edges
}

func TestDebounceAsWithTheWholeRecord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hold := rapid.IntRange(0, 8).Draw(t, "hold")
		var levels []bool
		for _, n := range rapid.SliceOfN(rapid.IntRange(1, 15), 1, 40).Draw(t, "lengths") {
			levels = append(levels, slices.Repeat([]bool{len(levels) > 0 && !levels[len(levels)-1]}, n)...)
		}
		d := contact.NewDebouncer(time.Duration(hold) * ms)
		var got []change
		last := change{at: -1}
		for i, level := range levels {
			if edge, on, at := d.Sample(level, time.Duration(i)*ms); edge {
				got = append(got, change{at, on})
				if at < last.at || on == last.on && last.at >= 0 {
					t.Fatalf("edge %v after %v: want them in order and in turn", got[len(got)-1], last)
				}
				last = change{at, on}
			}
		}
		want := settles(levels, hold)
		if !slices.Equal(got, want) {
			t.Fatalf("levels %v, hold %d: got %v, want %v", levels, hold, got, want)
		}
	})
}
