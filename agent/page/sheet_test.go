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

	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
)

var update = flag.Bool("update", false, "renew the golden files")

var nan = math.NaN()

// The parts of the page, as golden fragments.
func TestGoldenParts(t *testing.T) {
	for _, name := range []string{"healthy", "findings", "unknown", "none", "old", "series", "pairs"} {
		t.Run(name, func(t *testing.T) {
			var snap *snapshot.Snapshot
			switch name {
			case "none":
			case "series", "pairs":
				snap = strung(t, map[string]int{"series": 1, "pairs": 2}[name])
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
		`id="bar"`, `id="answer"`, "<h1 aria-live=\"polite\">No charge reaches the bank</h1>", "and 2 more", `id="bank"`,
		`id="batteries"`, `id="feed"`, `id="motor"`, `id="silent"`, `id="monitor"`, `id="before"`,
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

// The headline is the finding with its subject; what cannot be judged, is over or shelved never makes
// it sound better or worse than it is.
func TestAnswer(t *testing.T) {
	to := words.Readers[0]
	f := func(head, more, count, also string, change func(*snapshot.Snapshot)) {
		t.Helper()
		s := sample(t, "healthy")
		change(s)
		a := answerOf(to, s, false, view.Findings(to, s))
		if got := a.Head; a.Lead != nil {
			assert.Equal(t, head, string(a.Lead.Heading))
			assert.Empty(t, got)
		} else {
			assert.Equal(t, head, got)
		}
		assert.Equal(t, []string{more, count, also}, []string{a.More, a.Count, a.Also})
	}
	finding := func(name, subject, severity, state string) snapshot.Finding {
		d := detect.Lookup(name)
		return snapshot.Finding{Name: name, Subject: subject, Severity: severity, State: state, Title: d.TitleOf(subject),
			Active: state != "normal" && state != "returned to normal unacknowledged"}
	}
	all := 29 // of a unit without the signals that not every unit has
	f("Nothing wrong found", fmt.Sprintf("All %d checks made.", all+2), "", "", func(s *snapshot.Snapshot) {
		s.OptionalFindings = []string{"control-dead", "relief-off"}
	})

	f("Nothing wrong found", fmt.Sprintf("All %d checks made.", all), "", "", func(*snapshot.Snapshot) {})
	f("Nothing wrong found", fmt.Sprintf("%d of %d checks made. 2 checks can’t be judged yet.", all-2, all), "", "",
		func(s *snapshot.Snapshot) {
			s.NotJudged = []snapshot.NotJudged{
				{Name: "feed-lost"}, {Name: "feed-lost", Because: snapshot.Text{ID: "why.another"}}, {Name: "hot"},
			}
		})
	f("Battery b has failed", "", "and 1 more", "", func(s *snapshot.Snapshot) {
		s.Findings = []snapshot.Finding{
			finding("battery-failed", "b", "urgent", "unacknowledged"), finding("feed-lost", "", "urgent", "acknowledged"),
			finding("hot", "a", "note", "normal"),
		}
	})
	f("Battery a works harder", "", "", "Nothing else is wrong.", func(s *snapshot.Snapshot) {
		s.Findings = []snapshot.Finding{finding("share-uneven", "a", "note", "unacknowledged")}
	})
	f("Nothing wrong found", fmt.Sprintf("All %d checks made.", all), "", "", func(s *snapshot.Snapshot) {
		s.Findings = []snapshot.Finding{finding("battery-failed", "b", "urgent", "returned to normal unacknowledged")}
	})
	f("Battery b has failed", "", "", "", func(s *snapshot.Snapshot) { // still so: shelving is no repair
		under := finding("share-uneven", "a", "note", "unacknowledged")
		under.CausedBy, under.CausedByOf = "battery-failed", "b"
		s.Findings = []snapshot.Finding{finding("battery-failed", "b", "urgent", "shelved"), under, under}
	})
	f("Not known yet.", "No battery voltage can be read.", "", "", func(s *snapshot.Snapshot) {
		for i := range s.Batteries {
			s.Batteries[i].VoltageV = nil
		}
	})
	assert.Equal(t, words.English.W["NotYet"], answerOf(to, nil, false, nil).Head)
	assert.Equal(t, words.English.W["NotNow"], answerOf(to, sample(t, "healthy"), true, nil).Head,
		"old readings answer nothing")
}

// The bar says nothing while the data is fresh. Once it is old, each page says so.
func TestOldReadingsAreCalledOld(t *testing.T) {
	paths := []string{"/", "/findings", "/findings/feed-lost", "/history", "/visit", "/visits", "/check", "/visit/report", "/pin"}
	s, _, c := unit(t, sample(t, "healthy"), full(t))
	begin(t, s)
	for _, path := range paths {
		assert.Contains(t, get(s, path).Body.String(), `<span id="age"></span>`, path)
	}
	c.t = c.t.Add(90 * time.Second)
	for _, path := range paths {
		assert.Contains(t, get(s, path).Body.String(), "class=\"bad\"", path)
		assert.Contains(t, get(s, path).Body.String(), ">Not measuring, data 90\u00a0s old<", path)
	}
	assert.NotContains(t, get(s, "/").Body.String(), words.English.W["No"])
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
	assert.Equal(t, "2.74\u00a0±\u00a00.11", rows[1].Learnt)
}
