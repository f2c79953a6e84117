package page

import (
	"context"
	"encoding/json"
	"math"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
)

var runStart = time.Date(2026, 3, 9, 13, 41, 7, 218e6, time.UTC)

// FirstSecond has one run.
func (p past) FirstSecond(_ context.Context, at time.Time) (history.Trace, error) {
	if p.fail != nil || !at.Equal(runStart) {
		return history.Trace{}, p.fail
	}
	tr := history.Trace{Start: runStart, Series: []history.TraceSeries{
		{Figure: "voltage_v", Battery: "a"}, {Figure: "voltage_v", Battery: "b"}, {Figure: "motor_voltage_v"},
		{Figure: "current_a", Battery: "a"}, {Figure: "current_a", Battery: "b"},
	}}
	for k := range 115 {
		s := 0.01*float64(k) - 0.15
		pull := 0.0
		if s >= 0 {
			pull = math.Exp(-s / 0.2)
		}
		tr.TimesS = append(tr.TimesS, s)
		for i, v := range []float64{12.7 - 1.6*pull, 12.6 - 1.8*pull, 12.2 - 3*pull, -160 * pull, -140 * pull} {
			tr.Series[i].Values = append(tr.Series[i].Values, &v)
		}
	}
	return tr, nil
}

func TestFirstSecondOfARun(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	path := func(at string) string { return "/api/v1/history/run?at=" + url.QueryEscape(at) }
	answer := get(s, path("2026-03-09T14:41:07.218+01:00"))
	require.Equal(t, 200, answer.Code)
	var got history.Trace
	require.NoError(t, json.Unmarshal(answer.Body.Bytes(), &got))
	assert.Equal(t, runStart, got.Start)
	assert.Equal(t, 12.7, *got.Series[0].Values[0])
	assert.Equal(t, 404, get(s, path("2026-03-09T12:00:00Z")).Code)
	for _, bad := range []string{"", "yesterday", "1773063667"} {
		assert.Equal(t, 400, get(s, path(bad)).Code, bad)
	}
	s, _, _ = unit(t, sample(t, "healthy"), full(t), brokenHistory)
	assert.Equal(t, 500, get(s, path("2026-03-09T13:41:07.218Z")).Code)
	s, _, _ = unit(t, sample(t, "healthy"))
	assert.Equal(t, 503, get(s, path("2026-03-09T13:41:07.218Z")).Code)
}

// A run of the history leads to its first second, drawn; where none is stored, the page says so.
func TestFirstSecondOfARunIsShown(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	path := "/history/run?at=2026-03-09T13%3A41%3A07.218Z"
	list := get(s, "/history?from=2026-03-09T12:00:00Z&to=2026-03-09T13:42:00Z").Body.String()
	assert.Contains(t, list, `<a href="`+path+`">2026-03-09 13:41:07</a></th><td>9.0</td><td>110</td><td>160</td>`)
	assert.Equal(t, listedRuns, strings.Count(list, `<a href="/history/run?`))
	page := get(s, path)
	require.Equal(t, 200, page.Code)
	text := page.Body.String()
	assert.Equal(t, 2, strings.Count(text, `<svg class="lines"`), "voltage and current")
	assert.Equal(t, 5, strings.Count(text, `<path class="curve c0" d="M0 5H26"/>`)+
		strings.Count(text, `<path class="curve c1" d="M0 5H26"/>`)+
		strings.Count(text, `<path class="curve c2" d="M0 5H26"/>`))
	assert.Contains(t, text, `>0.2</text>`)
	assert.NotContains(t, text, `>−0.0</text>`)
	assert.Contains(t, text, "−160.0")
	none := get(s, "/history/run?at=2026-03-09T12:00:00Z")
	assert.Equal(t, 404, none.Code)
	assert.Contains(t, none.Body.String(), "is not stored")
	assert.Equal(t, 400, get(s, "/history/run?at=yesterday").Code)
	s, _, _ = unit(t, sample(t, "healthy"), full(t), brokenHistory)
	assert.Equal(t, 500, get(s, path).Code)
	s, _, _ = unit(t, sample(t, "healthy"))
	assert.Equal(t, 404, get(s, path).Code)
}
