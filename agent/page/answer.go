package page

import (
	"fmt"
	"slices"
	"strings"

	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// answer is the first line of the page.
type answer struct{ Short, More string }

// answerOf answers the first question: is anything wrong?
func answerOf(to *words.Reader, s *snapshot.Snapshot, old bool) answer {
	if s == nil {
		return answer{to.W["NotYet"], to.W["NotYetMore"]}
	}
	if old {
		return answer{to.W["NotNow"], to.W["NotNowMore"]}
	}
	var silent string
	if names := silentNames(s); names > 0 {
		silent = fmt.Sprintf("%d %s", names, to.W["SilentMore"])
	}
	count := map[string]int{}
	active := 0
	for i := range s.Findings {
		f := &s.Findings[i]
		if f.Alarming() && f.CausedBy == "" { // one that another explains is shown under it
			active++
			count[f.Severity]++
		}
	}
	blind := !slices.ContainsFunc(s.Batteries, func(b snapshot.Battery) bool { return b.VoltageV != nil })
	switch {
	case active == 0 && blind:
		return answer{to.W["NotYet"], strings.TrimSpace(to.W["NoVoltage"] + " " + silent)}
	case active == 0 && len(s.Findings) > 0:
		return answer{to.W["Over"] + " " + listed(to, s.Findings), silent}
	case active == 0 && silent != "":
		return answer{to.W["NoOfJudged"], silent}
	case active == 0:
		return answer{to.W["No"], ""}
	}
	lead := to.W["Yes"]
	if count["note"] == active {
		lead = to.W["Noted"]
	}
	var parts []string
	for _, severity := range []string{"urgent", "repair", "note"} {
		if count[severity] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", count[severity], to.Label("Count", severity)))
			active -= count[severity]
		}
	}
	if active > 0 { // a severity that this page doesn't know
		parts = append(parts, fmt.Sprintf("%d", active))
	}
	return answer{lead + " " + strings.Join(parts, ", "), silent}
}

// listed counts findings of which none calls for anybody, by state: "1 cleared, not acknowledged".
func listed(to *words.Reader, findings []snapshot.Finding) string {
	var order []string
	count := map[string]int{}
	for i := range findings {
		word := to.Label("State", findings[i].State)
		if findings[i].Alarming() {
			word = to.W["Count.explained"]
		}
		if count[word]++; count[word] == 1 {
			order = append(order, word)
		}
	}
	var parts []string
	for _, word := range order {
		parts = append(parts, fmt.Sprintf("%d %s", count[word], word))
	}
	return strings.Join(parts, "; ")
}

func silentNames(s *snapshot.Snapshot) int {
	names := map[string]bool{}
	for _, n := range s.NotJudged {
		names[n.Name] = true
	}
	return len(names)
}
