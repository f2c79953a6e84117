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
			sh, err := s.sheet(kindNow, readers[0], snap)
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
	assert.Equal(t, 1, strings.Count(page, "<script"), "ours only")
}

// The page without script: the answer first, then findings, then the rest; nothing inline that the
// policy would block.
func TestPage(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"))
	page := get(s, "/").Body.String()
	last := -1
	for _, mark := range []string{
		`id="bar"`, english.W["Question"], "Yes: 1 urgent, 1 to repair, 1 to note", `id="findings"`, `id="bank"`,
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
	for _, caution := range readers[0].list("Cautions") {
		assert.Contains(t, page, caution)
	}
	assert.Equal(t, strings.Count(page, "<section"), strings.Count(page, "</section>"))
}

func TestAnswer(t *testing.T) {
	f := func(want, more string, change func(*snapshot.Snapshot)) {
		t.Helper()
		s := sample(t, "healthy")
		change(s)
		assert.Equal(t, answer{want, more}, readers[0].answerOf(s, false))
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

	assert.Equal(t, english.W["NotYet"], readers[0].answerOf(nil, false).Short)
	assert.Equal(
		t, english.W["NotNow"], readers[0].answerOf(sample(t, "healthy"), true).Short, "old readings answer nothing",
	)
}

func TestOldReadingsAreCalledOld(t *testing.T) {
	s, _, c := unit(t, sample(t, "healthy"))
	fresh := get(s, "/").Body.String()
	assert.Contains(t, fresh, ">Figures 0\u00a0s old<")
	assert.Contains(t, fresh, english.W["No"])
	c.t = c.t.Add(90 * time.Second)
	old := get(s, "/").Body.String()
	assert.Contains(t, old, "class=\"bad\"><span id=\"age\">No new scans. The figures below are 90\u00a0s old.<")
	assert.NotContains(t, old, english.W["No"])
}

func TestFigures(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	assert.Equal(t, "—", figure(nil, 2))
	assert.Equal(t, "12.60", figure(v(12.6), 2))
	assert.Equal(t, "12.653", figure(v(12.653), 2), "digits are never taken away")
	assert.Equal(t, "12", figure(v(12), 0))
	assert.Equal(t, "+3.0", signed(v(3), 1))
	assert.Equal(t, "−3.0", signed(v(-3), 1))
	assert.Equal(t, "0.0", signed(v(0), 1))
	assert.Equal(t, estimated{"92.4", "±\u00a02.1"}, estimate(snapshot.Estimate{Value: v(92.4), Sigma: v(2.1)}, 0))
	assert.Equal(t, estimated{Value: "—"}, estimate(snapshot.Estimate{}, 0))
	for d, want := range map[time.Duration]string{
		0: "0 s", -time.Second: "0 s", 119 * time.Second: "119 s", 2 * time.Minute: "2 min",
		59*time.Minute + 59*time.Second: "59 min",
		time.Hour:                       "1 h 0 min", 26*time.Hour + 5*time.Minute: "1 d 2 h",
	} {
		assert.Equal(t, want, strings.ReplaceAll(span(d), "\u00a0", " "))
	}
	day := time.Date(2026, 3, 9, 23, 0, 0, 0, time.UTC)
	assert.Equal(t, "22:00:00 UTC", timeOfDay(day.Add(-time.Hour), day))
	assert.Equal(t, "2026-03-08 23:00 UTC", timeOfDay(day.Add(-24*time.Hour), day))
	assert.Equal(t, "2025-03-09 23:00 UTC", timeOfDay(day.AddDate(-1, 0, 0), day))
	assert.Equal(t, "—", timeOfDay(time.Time{}, day))
}

// The drawing has each battery with what is measured, each link with its resistance, and says what
// isn't known.
func TestDrawing(t *testing.T) {
	s := sample(t, "findings")
	d := string(readers[0].drawing(s))
	for _, text := range []string{">a<", ">b<", ">11.952 V<", ">11.931 V<", ">−1.9 A<", ">— A<"} {
		assert.Contains(t, d, text)
	}
	assert.Equal(t, 4, strings.Count(d, "wire unsure"), "no lead's place is known")
	one := 0.42
	s.Links = []snapshot.Link{
		{Side: "positive", From: "a", To: "b", ResistanceMohm: snapshot.Estimate{Value: &one}},
		{Side: "negative", From: "a", To: "x"},
	}
	s.Bank.MotorLeadsAt = &snapshot.Leads{Positive: "a", Negative: "b"}
	s.Bank.FeedLeadsAt = &snapshot.Leads{Positive: "b"}
	d = string(readers[0].drawing(s))
	assert.Contains(t, d, ">0.42 mΩ<")
	assert.Equal(t, 1, strings.Count(d, "wire unsure"))
	s.Batteries = nil
	assert.Empty(t, readers[0].drawing(s))
}

// Text and ground of the style sheet, both ways: WCAG 2.1 relative luminance, at least 7 to 1 for
// text (level AAA) and 3 to 1 for the rules of tables.
func TestContrast(t *testing.T) {
	css, err := os.ReadFile(filepath.Join("assets", "sheet.css"))
	require.NoError(t, err)
	sets := regexp.MustCompile(`--paper: (#\w+); --ink: (#\w+); --soft: (#\w+); --rule: (#\w+); --shade: (#\w+);\s+--c0: (#\w+); --c1: (#\w+); --c2: (#\w+); --c3: (#\w+);`).FindAllStringSubmatch(string(css), -1)
	require.Len(t, sets, 3, "light, dark, and printed")
	for _, set := range sets {
		paper, ink, soft, rule, shade := set[1], set[2], set[3], set[4], set[5]
		for _, text := range []string{ink, soft} {
			for _, ground := range []string{paper, shade} {
				assert.GreaterOrEqual(t, contrast(text, ground), 7.0, "%s on %s", text, ground)
			}
		}
		for _, line := range append(set[6:], rule) {
			assert.GreaterOrEqual(t, contrast(line, paper), 3.0, "%s on %s", line, paper)
		}
	}
}

// contrast is the ratio of WCAG 2.1 for two colors like #rgb or #rrggbb.
func contrast(a, b string) float64 {
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(color string) float64 {
	digits := strings.TrimPrefix(color, "#")
	if len(digits) == 3 {
		digits = string([]byte{digits[0], digits[0], digits[1], digits[1], digits[2], digits[2]})
	}
	var r, g, b uint8
	if _, err := fmt.Sscanf(digits, "%02x%02x%02x", &r, &g, &b); err != nil {
		panic(err)
	}
	linear := func(v uint8) float64 {
		c := float64(v) / 255
		if c <= 0.03928 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(r) + 0.7152*linear(g) + 0.0722*linear(b)
}
