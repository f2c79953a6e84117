package suite_test

import (
	"bytes"
	"context"
	"errors"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/suite"
)

// What had ended when a suite is stopped is returned, in order, and nothing of what had not.
func TestStoppedSuiteReturnsWhatHasEnded(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	got, err := suite.Each(ctx, &suite.Options{Workers: 1}, 50, func(ctx context.Context, k int) (int, error) {
		if k == 2 {
			stop()
		}
		return k, ctx.Err()
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, []int{0, 1}, got)

	got, err = suite.Each(ctx, &suite.Options{Workers: 4}, 50,
		func(ctx context.Context, k int) (int, error) { return k, nil })
	require.ErrorIs(t, err, context.Canceled)
	assert.Empty(t, got)
}

func TestAFailedRunStopsTheSuite(t *testing.T) {
	broken := errors.New("broken")
	got, err := suite.Each(t.Context(), &suite.Options{Workers: 1}, 50, func(_ context.Context, k int) (int, error) {
		if k == 3 {
			return 0, broken
		}
		return k, nil
	})
	require.ErrorIs(t, err, broken)
	assert.Equal(t, []int{0, 1, 2}, got)
}

// Progress shows at once, then from time to time, with a last line at the end. On a terminal a line
// overwrites the one before, and notes stay.
func TestProgress(t *testing.T) {
	play := func(terminal bool) string {
		var w bytes.Buffer
		synctest.Test(t, func(t *testing.T) {
			o := &suite.Options{Workers: 1, Progress: suite.NewProgress(&w, "wiring", terminal)}
			_, err := suite.Each(t.Context(), o, 2, func(_ context.Context, k int) (int, error) {
				time.Sleep(50 * time.Second)
				o.Progress.Moved(36 * time.Hour)
				o.Progress.Note("unit done")
				return k, nil
			})
			require.NoError(t, err)
		})
		return w.String()
	}
	file := play(false)
	assert.Equal(t, "wiring: 0 of 2 runs, 0.0 days simulated, 0s\nunit done\n"+
		"wiring: 1 of 2 runs, 1.5 days simulated, 1m0s\nunit done\nwiring: 2 of 2 runs, 3.0 days simulated, 1m40s\n",
		file)
	terminal := play(true)
	assert.True(t, strings.HasPrefix(terminal, "wiring: 0 of 2 runs, 0.0 days simulated, 0s\r\x1b[K"), "%q", terminal)
	assert.Contains(t, terminal, "\r\x1b[Kwiring: 0 of 2 runs, 0.0 days simulated, 10s\r")
	assert.Contains(t, terminal, "\x1b[Kunit done\n")
	assert.True(t, strings.HasSuffix(terminal, "wiring: 2 of 2 runs, 3.0 days simulated, 1m40s\n"))
}

func TestOnly(t *testing.T) {
	o := suite.Options{Seeds: 5, First: 3, Only: regexp.MustCompile(`^(healthy-single|post-res)`)}
	names, err := o.Scenarios()
	require.NoError(t, err)
	assert.Equal(t, []string{"healthy-single", "post-resistive"}, names)
	parity := func(seed uint64) string { return []string{"even", "odd"}[seed%2] }
	o.Only = regexp.MustCompile("odd")
	seeds, err := o.Units(parity)
	require.NoError(t, err)
	assert.Equal(t, []uint64{3, 5, 7}, seeds)
	o.Only = regexp.MustCompile("neither")
	_, err = o.Units(parity)
	assert.ErrorContains(t, err, "no unit's description matches")
}

// A suite plays units that are built for one layout; one that is wired otherwise counts with what it is
// built for.
func TestScenariosOfALayout(t *testing.T) {
	o := suite.Options{Only: regexp.MustCompile(`^(healthy-day|pairs-healthy|series-(healthy|wired|parallel-wired))$`)}
	for layout, want := range map[string][]string{
		"": {"healthy-day", "series-wired"}, "series": {"series-healthy", "series-parallel-wired"},
		"series-pairs": {"pairs-healthy"},
	} {
		o.Layout = layout
		names, err := o.Scenarios()
		require.NoError(t, err)
		assert.Equal(t, want, names, layout)
	}
	o.Layout, o.Only = "series-pairs", regexp.MustCompile("healthy-day")
	_, err := o.Scenarios()
	assert.ErrorContains(t, err, "of a unit built for series-pairs (--layout)")
}
