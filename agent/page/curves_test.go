package page

import (
	"context"
	"errors"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
)

// traced is a past that counts what is asked of it, and has the first second of any run.
type traced struct {
	past
	asked   *[]history.Query
	nothing bool
}

func (p traced) Window(ctx context.Context, q history.Query) (history.Window, error) {
	*p.asked = append(*p.asked, q)
	if p.nothing {
		return history.Window{}, nil
	}
	w, err := p.past.Window(ctx, q)
	for i := range w.Series { // the simulated past has no feed of its own
		if s := &w.Series[i]; s.Figure == "voltage_v" && s.Battery == "a" {
			w.Series = append(w.Series, history.Series{Figure: "feed_voltage_v", Min: s.Min, Mean: s.Mean, Max: s.Max})
			break
		}
	}
	return w, err
}

func (p traced) FirstSecond(ctx context.Context, _ time.Time) (history.Trace, error) {
	if p.nothing {
		return history.Trace{}, p.fail
	}
	return p.past.FirstSecond(ctx, runStart)
}

// each is a unit with one finding.
func each(t *testing.T, name, subject string, evidence ...snapshot.Evidence) *snapshot.Snapshot {
	s := simulated(t, "healthy-four")
	raised := s.At.Add(-50 * time.Hour)
	s.Motor.LastRun = &snapshot.Run{Start: runStart}
	s.Findings = []snapshot.Finding{{
		Name: name, Subject: subject, Severity: "repair", State: "unacknowledged", Active: true, RaisedAt: &raised, Since: raised,
		Title: name, Evidence: append(evidence, snapshot.Evidence{What: snapshot.Text{ID: "evidence.last", English: "last"}, Value: 1, At: s.At}),
	}}
	return s
}

// What a finding rests on is drawn in its evidence, with the limit and the moment it was raised, and is there as a table;
// where a curve tells nothing, there is none.
func TestCurvesOfFindings(t *testing.T) {
	limit := func(name string, v float64, unit string) snapshot.Evidence {
		return snapshot.Evidence{What: snapshot.Text{ID: "evidence." + name, English: name}, Value: v, Unit: unit}
	}
	subjects := map[string]string{
		"hot": "a", "freeze-risk": "a", "reversed": "a", "battery-tired": "b", "sense-fault": "battery b voltage", "link-resistive": "positive link a-b",
	}
	limits := map[string]snapshot.Evidence{
		"hot": limit("limit-c", 50, "°C"), "bank-low": limit("threshold-v", 12.4, "V"), "feed-low": limit("wants-v", 14.2, "V"),
		"motor-hungry": limit("usual-now", 100, "A"),
	}
	none := []string{"clock-unsure", "control-dead", "indicator-dead", "label-mismatch", "link-resistive", "motor-dead", "relief-off", "service-due", "wake-missing"}
	for _, d := range detect.Catalog() {
		var evidence []snapshot.Evidence
		if l, is := limits[d.Name]; is {
			evidence = append(evidence, l)
		}
		var asked []history.Query
		s, _, _ := unit(t, each(t, d.Name, subjects[d.Name], evidence...), full(t), func(o *Options) {
			o.History = traced{past: past{now: o.Now}, asked: &asked}
		})
		for _, path := range []string{"/findings", "/"} {
			text := get(s, path).Body.String()
			figure := regexp.MustCompile(`(?s)<figure class="past small">.*?</table>`).FindString(text)
			if slices.Contains(none, d.Name) {
				assert.Empty(t, figure, d.Name)
				continue
			}
			require.NotEmpty(t, figure, "%s %s", d.Name, path)
			assert.Regexp(t, `<svg class="lines"[^>]* role="img" aria-label="[^"]+, [^"]+ \d`, figure, d.Name)
			assert.Regexp(t, `class="curve c0" d="M`, figure, d.Name)
			assert.GreaterOrEqual(t, strings.Count(figure, "<tr>"), 4, d.Name)
			if _, is := limits[d.Name]; is {
				assert.Contains(t, figure, `<path class="limit" d="M0`, d.Name)
				assert.Regexp(t, `aria-label="[^"]*; Limit `, figure, d.Name)
			} else {
				assert.NotContains(t, figure, `class="limit"`, d.Name)
			}
			if curves[d.Name].span > 0 {
				assert.Regexp(t, `<path class="raised" d="M\d`, figure, d.Name)
				assert.Regexp(t, `aria-label="[^"]*; raised 50.h ago"`, figure, d.Name)
			}
		}
		assert.LessOrEqual(t, len(asked), 1, "%s: the card is read once for both pages", d.Name)
		if curves[d.Name].span > 0 && len(asked) == 1 {
			assert.GreaterOrEqual(t, asked[0].To.Sub(asked[0].From), 55*time.Hour, "%s: what was before it was raised", d.Name)
		}
	}
}

// A curve is read again when the finding is raised again, after some time, and after the unit's time has moved on; not before.
func TestCurvesAreKept(t *testing.T) {
	var asked []history.Query
	first := each(t, "bank-low", "")
	s, hub, clock := unit(t, first, full(t), func(o *Options) { o.History = traced{past: past{now: o.Now}, asked: &asked} })
	seq := first.Seq
	reads := func(want int, why string, change func(*snapshot.Snapshot)) {
		t.Helper()
		next := *hub.Current()
		next.Findings = slices.Clone(next.Findings)
		change(&next)
		seq++
		hub.Publish(numbered(&next, seq))
		get(s, "/")
		get(s, "/findings")
		assert.Len(t, asked, want, why)
	}
	reads(1, "first", func(*snapshot.Snapshot) {})
	reads(1, "at once", func(*snapshot.Snapshot) { clock.t = clock.t.Add(time.Minute) })
	reads(2, "raised again", func(s *snapshot.Snapshot) { at := s.At.Add(-time.Hour); s.Findings[0].RaisedAt = &at })
	reads(3, "after five minutes", func(*snapshot.Snapshot) { clock.t = clock.t.Add(5 * time.Minute) })
	reads(4, "the unit's time", func(s *snapshot.Snapshot) { s.At = s.At.Add(time.Hour) })
}

// Without data, without a true clock, where the past can't be read and once it is over there is no curve, and the page
// is whole; a limit in the reader's unit.
func TestNoCurve(t *testing.T) {
	page := func(s *snapshot.Snapshot, source history.Source, change ...func(*http.Request)) string {
		server, _, _ := unit(t, s, full(t), func(o *Options) { o.History = source })
		answer := get(server, "/findings", change...)
		require.Equal(t, 200, answer.Code)
		return answer.Body.String()
	}
	var asked []history.Query
	has := traced{past: past{now: time.Now}, asked: &asked}
	hot := func() *snapshot.Snapshot {
		return each(t, "hot", "a", snapshot.Evidence{What: snapshot.Text{ID: "evidence.limit-c", English: "limit"}, Value: 50, Unit: "°C"})
	}
	const drawn = `<figure class="past small">`
	assert.Contains(t, page(hot(), has), "Limit 50\u00a0°C")
	assert.Contains(t, page(hot(), has, func(r *http.Request) { r.Header.Set("Cookie", "liftbank_temp=f") }), "Limit 122\u00a0°F")
	assert.NotContains(t, page(hot(), nil), drawn)
	has.nothing = true
	assert.NotContains(t, page(hot(), has), drawn)
	assert.NotContains(t, page(each(t, "battery-tired", "b"), has), drawn)
	has.nothing, has.fail = false, errors.New("the card is gone")
	assert.NotContains(t, page(hot(), has), drawn)
	has.fail = nil
	s := hot()
	s.ClockTrusted = false
	assert.NotContains(t, page(s, has), drawn)
	s = hot()
	s.Findings[0].Active, s.Findings[0].State = false, "returned to normal unacknowledged"
	assert.NotContains(t, page(s, has), drawn)
	s = each(t, "sense-fault", "battery b negative")
	assert.NotContains(t, page(s, has), drawn, "what is not stored")
	s = each(t, "motor-hungry", "")
	s.Motor.LastRun = nil
	assert.Contains(t, page(s, has), drawn, "of the runs of the last days")
}
