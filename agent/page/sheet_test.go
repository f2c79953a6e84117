package page

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

var update = flag.Bool("update", false, "renew the golden files")

var nan = math.NaN()

// The parts of the page, as golden fragments.
func TestGoldenParts(t *testing.T) {
	for _, name := range []string{"healthy", "findings", "unknown", "none", "old"} {
		t.Run(name, func(t *testing.T) {
			var snap *snapshot.Snapshot
			switch name {
			case "none":
			case "old":
				snap = sample(t, "healthy")
			default:
				snap = sample(t, name)
			}
			s, _, c := unit(t, snap)
			if name == "old" {
				c.t = c.t.Add(time.Minute)
			}
			sh, err := s.streams.made.of(kindNow, words.Readers[0], snap)
			require.NoError(t, err)
			var b strings.Builder
			for _, p := range sh.parts {
				fmt.Fprintf(&b, "<!-- %s -->\n%s\n", p.ID, p.HTML)
			}
			file := filepath.Join("testdata", name+".html")
			if *update {
				require.NoError(t, os.MkdirAll("testdata", 0o755))
				require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, string(want), b.String())
		})
	}
}

// Whatever a snapshot holds stays text: names come from a configuration, words from anywhere.
func TestHostileText(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>'`
	s := sample(t, "findings")
	s.Unit, s.Feed.Status = evil, evil
	for i := range s.Findings {
		f := &s.Findings[i]
		f.Name, f.Subject, f.Severity, f.State, f.Title, f.Summary, f.Clears = evil, evil, evil, evil, evil, evil, evil
		f.NextCheck, f.CausedBy, f.CausedByOf = []string{evil, evil}, evil, evil
		text := snapshot.Text{ID: evil, English: evil}
		f.Causes = []snapshot.Cause{{Cause: text, Reason: &text}}
		f.Evidence = []snapshot.Evidence{
			{What: text, Unit: evil, Value: 1}, {What: text, Words: &text}, {What: text, Battery: evil},
		}
	}
	for i := range s.Batteries {
		b := &s.Batteries[i]
		b.ID, b.Chemistry, b.Verdict, b.WaitsFor = evil, evil, evil, &snapshot.Text{ID: evil, English: evil}
	}
	for i := range s.Channels {
		c := &s.Channels[i]
		c.Name, c.Unit, c.Quality = evil, evil, snapshot.Text{ID: evil, English: evil}
	}
	for i := range s.Chips {
		s.Chips[i].Name = evil
	}
	s.NotJudged = []snapshot.NotJudged{{Name: evil, Because: snapshot.Text{ID: evil, English: evil}}}
	server, _, _ := unit(t, s)
	page := get(server, "/").Body.String()
	assert.NotContains(t, page, "<script>alert")
	assert.NotContains(t, page, "<img")
	assert.NotRegexp(t, `class="[^"]*alert`, page)
	assert.Equal(t, 2, strings.Count(page, "<script src=\"/assets/s"), "ours: what is live, what is kept")
	assert.Equal(t, 2, strings.Count(page, "<script"), "and no other")
}

// The page without script: the answer first, then findings, then the rest; nothing inline that the
// policy would block.
func TestPage(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"))
	page := get(s, "/").Body.String()
	last := -1
	for _, mark := range []string{
		`id="bar"`, words.English.W["Question"], "Yes: 1 urgent, 1 to repair, 1 to note", `id="findings"`, `id="bank"`,
		`id="feed"`, `id="motor"`, `id="silent"`, `id="sensors"`, `id="before"`,
	} {
		at := strings.Index(page, mark)
		assert.Greater(t, at, last, mark)
		last = at
	}
	assert.Contains(t, page, `<html lang="en">`)
	assert.Contains(t, page, `<meta name="viewport"`)
	assert.Contains(t, page, `<noscript><meta http-equiv="refresh"`)
	assert.Equal(t, 1, strings.Count(page, "aria-live"), "only what is found is read out")
	assert.NotRegexp(t, regexp.MustCompile(`\son\w+=|\sstyle=|<style|javascript:|https?://`), page)
	for _, caution := range words.Readers[0].List("Cautions") {
		assert.Contains(t, page, caution)
	}
	assert.Equal(t, strings.Count(page, "<section"), strings.Count(page, "</section>"))
}

func TestAnswer(t *testing.T) {
	f := func(want, more string, change func(*snapshot.Snapshot)) {
		t.Helper()
		s := sample(t, "healthy")
		change(s)
		assert.Equal(t, answer{want, more}, answerOf(words.Readers[0], s, false))
	}
	finding := func(severity, state string) snapshot.Finding {
		return snapshot.Finding{Severity: severity, State: state}
	}

	f("No. No faults found.", "", func(*snapshot.Snapshot) {})
	f("No faults found in what can be judged.", "2 not judged: see “Not judged” below.", func(s *snapshot.Snapshot) {
		s.NotJudged = []snapshot.NotJudged{
			{Name: "feed-lost"}, {Name: "feed-lost", Because: snapshot.Text{ID: "why.another"}}, {Name: "hot"},
		}
	})
	f("Yes: 2 urgent", "", func(s *snapshot.Snapshot) {
		s.Findings = []snapshot.Finding{
			finding("urgent", "unacknowledged"), finding("urgent", "acknowledged"), finding("note", "normal"),
		}
	})
	f("Yes: 1 to repair, 1 to note", "", func(s *snapshot.Snapshot) {
		s.Findings = []snapshot.Finding{finding("repair", "unacknowledged"), finding("note", "unacknowledged")}
	})
	f(
		"No, only 1 to note", "",
		func(s *snapshot.Snapshot) { s.Findings = []snapshot.Finding{finding("note", "unacknowledged")} },
	)
	f("Nothing active: 1 cleared, not acknowledged", "", func(s *snapshot.Snapshot) {
		s.Findings = []snapshot.Finding{finding("urgent", "returned to normal unacknowledged")}
	})
	f("Nothing active: 1 shelved; 2 explained by another one", "", func(s *snapshot.Snapshot) {
		under := finding("repair", "unacknowledged")
		under.CausedBy = "feed-lost"
		s.Findings = []snapshot.Finding{finding("urgent", "shelved"), under, under}
	})
	f("Not known yet.", "No battery voltage can be read.", func(s *snapshot.Snapshot) {
		for i := range s.Batteries {
			s.Batteries[i].VoltageV = nil
		}
	})
	f(
		"Yes: 1", "",
		func(s *snapshot.Snapshot) { s.Findings = []snapshot.Finding{finding("unheard-of", "unacknowledged")} },
	)

	assert.Equal(t, words.English.W["NotYet"], answerOf(words.Readers[0], nil, false).Short)
	assert.Equal(
		t, words.English.W["NotNow"], answerOf(words.Readers[0], sample(t, "healthy"), true).Short,
		"old readings answer nothing",
	)
}

func TestOldReadingsAreCalledOld(t *testing.T) {
	s, _, c := unit(t, sample(t, "healthy"))
	fresh := get(s, "/").Body.String()
	assert.Contains(t, fresh, ">Figures 0\u00a0s old<")
	assert.Contains(t, fresh, words.English.W["No"])
	c.t = c.t.Add(90 * time.Second)
	old := get(s, "/").Body.String()
	assert.Contains(t, old, "class=\"bad\"><span id=\"age\">The monitor has stopped measuring. The figures below are 90\u00a0s old.<")
	assert.NotContains(t, old, words.English.W["No"])
}

// A joint's row is what the snapshot has of it; what is not known is a dash.
func TestJointRows(t *testing.T) {
	s := rich(t)
	amps := -116.6
	s.Bank.CurrentA = &amps
	rows := jointRows(words.Readers[0], s)
	require.Len(t, rows, 4)
	for i, want := range []jointView{
		{Drop: "−0.4", Current: "−0.9", Mohm: "—"}, {Drop: "−160.2", Current: "−58.4", Mohm: "2.74"},
		{Drop: "—", Current: "—", Mohm: "—"}, {Drop: "561.0", Current: "−116.6", Mohm: "4.81"},
	} {
		want.Name, want.Learnt = rows[i].Name, rows[i].Learnt
		assert.Equal(t, want, rows[i])
	}
	assert.Equal(t, "2.74 ±\u00a00.11", rows[1].Learnt)
}
