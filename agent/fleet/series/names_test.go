package series_test

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
)

// agentsOwn are stored messages as an agent sent them, one of each stream.
func agentsOwn(t *testing.T) *store {
	t.Helper()
	s := newStore(db.Unit{ID: "demo"})
	for _, stream := range []string{"readings", "runs", "findings"} {
		body, err := os.ReadFile("../wire/testdata/" + stream + ".json")
		require.NoError(t, err)
		s.put(db.Record{Unit: "demo", Stream: stream, Trusted: true, ReceivedAt: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Body: body})
	}
	return s
}

// Dashboards and rules ask for what units show when they are scraped: the same names are pushed, and
// nothing else but the lowest and highest of each minute.
func TestNamesAreThoseOfAScrape(t *testing.T) {
	scraped := map[string]bool{}
	for _, file := range []string{"healthy", "findings"} {
		text, err := os.ReadFile("../../metrics/testdata/" + file + ".prom")
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`(?m)^# TYPE (\S+) `).FindAllStringSubmatch(string(text), -1) {
			scraped[m[1]] = true
		}
	}
	page, err := os.ReadFile("../../../deploy/series-and-alerts.md")
	require.NoError(t, err)
	r := &receiver{}
	sendAll(t, agentsOwn(t), r, time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC))
	names := map[string]bool{}
	for _, name := range r.names() {
		name, _, _ = strings.Cut(name, "{")
		names[name] = true
		plain := regexp.MustCompile(`_(min|max)_(volts|amperes|celsius|ratio)$`).ReplaceAllString(name, "_$2")
		assert.True(t, scraped[plain], name)
		assert.Contains(t, string(page), "`"+plain+"`", "%s: the page lists it", plain)
	}
	assert.Greater(t, len(names), 25)
}
