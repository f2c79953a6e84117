package page

import (
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
)

// titled returns the title of a page.
func titled(t *testing.T, s *Server, path string, change ...func(*http.Request)) string {
	t.Helper()
	m := regexp.MustCompile(`<title>([^<]*)</title>`).FindStringSubmatch(get(s, path, change...).Body.String())
	require.NotNil(t, m, path)
	return html.UnescapeString(m[1])
}

// The title begins with the answer, as plain text, then the unit; that of other pages with what they are.
func TestTitleBeginsWithTheHeadline(t *testing.T) {
	spanish := func(r *http.Request) { r.Header.Set("Accept-Language", "es") }
	for _, u := range unitsFound {
		snap := simulated(t, u.name)
		snap.Unit = `lift <7> & "co"`
		s, _, _ := unit(t, snap, full(t))
		assert.Equal(t, u.head+" · "+snap.Unit, titled(t, s, "/"), u.name)
		assert.NotContains(t, titled(t, s, "/", spanish), "<span", u.name)
		assert.NotContains(t, titled(t, s, "/", spanish), u.head, u.name)
	}
	s, hub, clock := unit(t, simulated(t, "battery-tired"), full(t))
	name := " · " + hub.Current().Unit
	assert.Equal(t, "Findings"+name, titled(t, s, "/findings"))
	assert.Equal(t, "No charge reaches the bank"+name, titled(t, s, "/findings/feed-lost"))
	assert.Equal(t, "Battery b is weak"+name, titled(t, s, "/findings/act?name=battery-tired&subject=b", session(s)))
	clock.t = clock.t.Add(time.Hour)
	assert.NotContains(t, titled(t, s, "/"), "Battery b", "nothing is said of now when the data is old")
	s, _, _ = unit(t, nil)
	assert.NotContains(t, titled(t, s, "/"), "·", "no unit is known before the first snapshot")
}

// The title follows as the page does, and says so when there is no connection.
func TestPageTitleFollows(t *testing.T) {
	b := newBench(t)
	tab := b.browse(phone)
	tab.open("/")
	title := func() string { return strings.ReplaceAll(eval[string](tab, `document.title`), "\u2011", "-") }
	assert.True(t, strings.HasPrefix(title(), "No charge reaches the bank · "), title())
	next := *rich(t)
	next.Findings = append([]snapshot.Finding(nil), next.Findings[1:]...)
	b.hub.Publish(numbered(&next, b.hub.Current().Seq+1))
	tab.until(`document.title.startsWith('Battery b is weak · ')`)
	next.Findings = nil
	b.hub.Publish(numbered(&next, b.hub.Current().Seq+1))
	tab.until(`document.title.startsWith('Nothing wrong found · ')`)
	b.kill()
	tab.until(`document.title.startsWith('No connection, data ')`)
	assert.Contains(t, title(), "Nothing wrong found")
}
