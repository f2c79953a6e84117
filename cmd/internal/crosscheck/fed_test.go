package crosscheck

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/cmd/slowtest"
	"liftbank/rules/network"
)

// A unit whose engine is left running at stops has the converter on through every run. Links, load
// leads and capability are told all the same.
func TestRunsWithTheFeedOnAreUsed(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, c := range []struct {
		name       string
		load, feed [2]string
		loadWant   network.Arrangement
		link       float64
	}{
		{"both diagonal", [2]string{"a", "b"}, [2]string{"a", "b"}, network.Diagonal, 0.5},
		{"both on one post", [2]string{"a", "a"}, [2]string{"a", "a"}, network.SamePost, 0.5},
		{"apart", [2]string{"a", "a"}, [2]string{"b", "b"}, network.SamePost, 1.0},
	} {
		t.Run(c.name, func(t *testing.T) {
			sc := load(t, "healthy-day")
			sc.Duty.EngineAtStops = true
			sc.Duty.Up = [2]time.Duration{3 * time.Second, 6 * time.Second}
			w := &sc.Bank.Wiring
			w.PositiveLinkMohm, w.NegativeLinkMohm = []float64{c.link}, []float64{c.link}
			w.LoadLeads.PositiveAt, w.LoadLeads.NegativeAt = c.load[0], c.load[1]
			w.FeedLeads.PositiveAt, w.FeedLeads.NegativeAt = c.feed[0], c.feed[1]
			x := watch(t, sc, 3)
			x.until(3 * 24 * time.Hour)
			for _, side := range []network.Side{network.Positive, network.Negative} {
				mohm, sigma, ok := known(x.meter.Link(0, side))
				t.Logf("%v link: %.2f ± %.2f mΩ %v, want %.2f", side, mohm, sigma, ok, c.link)
				if ok {
					assert.LessOrEqual(t, math.Abs(mohm-c.link), max(0.1, 2*sigma), "%v", side)
				}
			}
			l, f := x.meter.Load(), x.meter.Feed()
			t.Logf("load %+v feed %+v", l, f)
			assert.Contains(t, []network.Arrangement{c.loadWant, network.Unknown}, l.Arrangement)
			if c.load == c.feed {
				assert.Equal(t, c.loadWant, l.Arrangement)
			}
		})
	}
}
