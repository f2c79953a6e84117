package page

import (
	"context"
	"encoding/json"
	"errors"
	"net/url"
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
	volts := 11.5
	return history.Trace{
		Start: runStart, TimesS: []float64{0.01},
		Series: []history.TraceSeries{{Figure: "voltage_v", Battery: "a", Values: []*float64{&volts}}},
	}, nil
}

func TestFirstSecondOfARun(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	path := func(at string) string { return "/api/v1/history/run?at=" + url.QueryEscape(at) }
	answer := get(s, path("2026-03-09T14:41:07.218+01:00"))
	require.Equal(t, 200, answer.Code)
	var got history.Trace
	require.NoError(t, json.Unmarshal(answer.Body.Bytes(), &got))
	assert.Equal(t, runStart, got.Start)
	assert.Equal(t, 11.5, *got.Series[0].Values[0])
	assert.Equal(t, 404, get(s, path("2026-03-09T12:00:00Z")).Code)
	for _, bad := range []string{"", "yesterday", "1773063667"} {
		assert.Equal(t, 400, get(s, path(bad)).Code, bad)
	}
	s.opts.History = past{fail: errors.New("disk")}
	assert.Equal(t, 500, get(s, path("2026-03-09T13:41:07.218Z")).Code)
	s.opts.History = nil
	assert.Equal(t, 503, get(s, path("2026-03-09T13:41:07.218Z")).Code)
}
