package page

import (
	"fmt"
	"html"
	"html/template"
	"regexp"
	"slices"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
)

// answer is the head of the first page: what is wrong, or that nothing is.
type answer struct {
	Lead  *view.Finding // the headline, if it is a finding
	Head  string        // the headline, if it is none
	More  string        // one sentence below it
	Count string        // of further findings beside the headline
	Rest  []view.Finding
	Also  string // what else is to be known: nothing else is wrong, some can't be judged
}

// headline is the answer in one line, without markup.
func (a *answer) headline() string {
	if a.Lead == nil {
		return a.Head
	}
	return plain(a.Lead.Heading)
}

// plain returns text without its markup.
func plain(text template.HTML) string {
	return html.UnescapeString(markup.ReplaceAllString(string(text), ""))
}

var markup = regexp.MustCompile(`<[^>]*>`)

// answerOf answers the first question: what is wrong?
func answerOf(to *words.Reader, s *snapshot.Snapshot, old bool, all []view.Finding) answer {
	if s == nil {
		return answer{Head: to.W["NotYet"], More: to.W["NotYetMore"]}
	}
	if old {
		return answer{Head: to.W["NotNow"], More: to.W["NotNowMore"], Rest: all}
	}
	waits := silentNames(s)
	judged := checksOf(s) - waits
	a := answer{Rest: all}
	if len(all) > 0 && (all[0].Standing || all[0].Look == "set" && all[0].Active) {
		a.Lead, a.Rest = &all[0], all[1:]
	}
	standing := 0
	for _, f := range a.Rest {
		if f.Standing {
			standing++
		}
	}
	blind := !slices.ContainsFunc(s.Batteries, func(b snapshot.Battery) bool { return b.VoltageV != nil })
	var waiting string
	if waits > 0 {
		waiting = number(to, "SilentMore", waits)
	}
	switch {
	case a.Lead != nil:
		if standing > 0 {
			a.Count = number(to, "AndMore", standing)
		} else if a.Lead.Standing {
			a.Also = to.W["NothingElse"]
		}
		a.Also = joinSentences(a.Also, waiting)
	case blind:
		a.Head, a.More = to.W["NotYet"], joinSentences(to.W["NoVoltage"], waiting)
	case waits > 0:
		a.Head = to.W["No"]
		a.More = words.Fill(to.W["ChecksMade"], "n", fmt.Sprint(judged), "all", fmt.Sprint(judged+waits)) + " " + waiting
	default:
		a.Head, a.More = to.W["No"], words.Fill(to.W["AllChecksMade"], "n", fmt.Sprint(judged))
	}
	return a
}

// checksOf returns how many findings a unit is watched for.
func checksOf(s *snapshot.Snapshot) int {
	n := len(s.OptionalFindings)
	for _, d := range detect.Catalog() {
		if !d.Optional {
			n++
		}
	}
	return n
}

// number returns a text with a number in it, in the singular where it is one.
func number(to *words.Reader, key string, n int) string {
	if n == 1 {
		key += ".one"
	}
	return words.Fill(to.W[key], "n", figures.Count(uint64(n)))
}

func joinSentences(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + " " + b
}

func silentNames(s *snapshot.Snapshot) int {
	names := map[string]bool{}
	for _, n := range s.NotJudged {
		names[n.Name] = true
	}
	return len(names)
}

// unjudged is what can't be judged for one reason.
type unjudged struct {
	Because template.HTML
	Count   string // how far it is, such as 12 of 20
	Faster  string // what would speed it up
	Names   []template.HTML
}

// unjudgedOf groups what can't be judged by the reason, in the order of the snapshot.
func unjudgedOf(to *words.Reader, list []snapshot.NotJudged) []unjudged {
	var out []unjudged
	var at []int // first of each group in the list
	for i, n := range list {
		k := slices.IndexFunc(at, func(first int) bool { return list[first].Because.ID == n.Because.ID })
		if k < 0 {
			k, at = len(at), append(at, i)
			out = append(out, unjudged{Because: to.Text(n.Because)})
		}
		title := to.Said(n.Name, n.Subject, "title", titleOf(n))
		if !slices.Contains(out[k].Names, title) {
			out[k].Names = append(out[k].Names, title)
		}
	}
	for k := range out {
		first := list[at[k]]
		least := first
		for _, n := range list {
			if n.Because.ID == first.Because.ID && n.Want > 0 && (least.Want == 0 || n.Have < least.Have) {
				least = n
			}
		}
		missing := 0
		if least.Want > 0 {
			missing = least.Want - least.Have
			out[k].Count = words.Fill(to.W["OfMany"], "n", fmt.Sprint(least.Have), "all", fmt.Sprint(least.Want))
		}
		key := "Faster." + first.Because.ID
		if _, counted := to.W[key+".n"]; counted && missing > 0 {
			out[k].Faster = number(to, key+".n", missing)
		} else {
			out[k].Faster = to.W[key]
		}
	}
	return out
}

// titleOf returns a finding's headline in English, or its name if it is of another version.
func titleOf(n snapshot.NotJudged) string {
	if d := detect.Lookup(n.Name); d != nil {
		return d.TitleOf(n.Subject)
	}
	return n.Name
}
