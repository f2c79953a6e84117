package view

import (
	"fmt"
	"html/template"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/page/draw"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// Shown is what the template of a finding sees.
type Shown struct {
	W     map[string]string
	To    *words.Reader
	F     Finding
	Full  bool // with its steps open
	Level int  // of its headline
	Acts  bool // something can be done about it here
	// More counts the findings that stand beside it, and MoreAt is where the next one is.
	More, MoreAt string
}

// CurveView is what the template of a curve sees.
type CurveView struct {
	W   map[string]string
	C   *Curve
	Key string
}

// Curve returns the data for the curve of the finding.
func (s Shown) Curve(c *Curve) CurveView { return CurveView{s.W, c, s.F.Key} }

// Finding is a finding as a page shows it.
type Finding struct {
	snapshot.Finding
	Key      string        // of its elements on the page
	No       int           // its number in the list, as the drawing has it; 0: it is alone
	Heading  template.HTML // title, in the reader's language
	Head     template.HTML // what is wrong, in one sentence; empty if the title says it all
	Fact     template.HTML // the same with the figure, its uncertainty and the limit
	Steps    []template.HTML
	Clear    template.HTML
	Word     string // of the severity
	Class    string // of the severity; one of ours, whatever the snapshot says
	Look     string // class of the card: of the severity, or ack, set or over
	When     template.HTML
	Act      string // path of what can be done about it
	Explain  string // path of what it means
	Evidence []Evidence
	Gist     string          // of the evidence
	Curve    *Curve          // of what it rests on; nil: none
	Status   []template.HTML // who acknowledged or shelved it, and until when
	Said     []template.HTML // remarks
	Under    []Finding       // what it explains
	Standing bool            // it holds, and nobody has put it aside
	Urgent   bool            // it is to be acted on now
}

// Curve is the course of what a finding rests on.
type Curve struct {
	draw.Chart
	Title string
}

// Evidence is one figure or text that a finding rests on.
type Evidence struct {
	What, Value, Sigma string
	At                 template.HTML
}

// Findings returns those of a snapshot with their numbers: each that another one explains is under
// its cause.
func Findings(to *words.Reader, s *snapshot.Snapshot) []Finding {
	var out []Finding
	for i := range s.Findings {
		v := FindingOf(to, s.Findings[i], s.At)
		v.No = i + 1
		if !s.ClockTrusted {
			v.When = template.HTML(template.HTMLEscapeString(lasted(to, &v.Finding, s.At)))
		}
		if k := slices.IndexFunc(out, func(c Finding) bool {
			return v.CausedBy != "" && c.Name == v.CausedBy && c.Subject == v.CausedByOf
		}); k >= 0 {
			out[k].Under = append(out[k].Under, v)
			continue
		}
		out = append(out, v)
	}
	return out
}

// FindingOf returns what a page says of f.
func FindingOf(to *words.Reader, f snapshot.Finding, now time.Time) Finding {
	v := Finding{
		Finding: f, Word: to.Label("Severity", f.Severity), Class: "note",
		Heading: to.Said(f.Name, f.Subject, "title", f.Title), Head: to.Said(f.Name, f.Subject, "summary", f.Summary),
		Steps: Steps(to, f.Name, f.NextCheck), Clear: to.Said(f.Name, f.Subject, "clears", f.Clears),
		Act:     "/findings/act?" + url.Values{"name": {f.Name}, "subject": {f.Subject}}.Encode(),
		Explain: "/findings/" + url.PathEscape(f.Name), Key: strings.Join(strings.Fields(f.Name+" "+f.Subject), "-"),
	}
	if f.Severity == "urgent" || f.Severity == "repair" {
		v.Class = f.Severity
	}
	v.Look, v.Standing = v.Class, f.Alarming()
	switch {
	case f.State == "acknowledged":
		v.Look = "ack"
	case f.State == "shelved" || f.State == "out of service":
		v.Look = "set"
	case !f.Alarming():
		v.Look = "over"
	}
	v.Urgent = v.Standing && v.Look == "urgent"
	headlines := []string{f.Name}
	if len(f.Causes) > 0 {
		headlines = append(headlines, f.Causes[0].Cause.ID)
	}
	for _, of := range headlines { // the cause may say it better
		if text, all := fill(to, to.W["Headline."+of], &f); all {
			v.Heading = text
		}
	}
	v.Heading = template.HTML(linkHyphen.ReplaceAllString(string(v.Heading), "$1\u2011$2"))
	if strings.TrimSuffix(string(v.Head), ".") == string(v.Heading) {
		v.Head = "" // the title says it all
	}
	v.Fact = v.Head
	if len(f.Causes) > 0 { // what is most to be said may depend on the cause
		if fact, all := fill(to, to.W["Fact."+f.Causes[0].Cause.ID], &f); all {
			v.Fact = fact
		}
	}
	for i := 0; v.Fact == v.Head; i++ {
		key := "Fact." + f.Name
		if i > 0 {
			key += "." + strconv.Itoa(i)
		}
		text, is := to.W[key]
		if !is {
			break
		}
		if fact, all := fill(to, text, &f); all {
			v.Fact = fact
			break
		}
	}
	v.When = when(to, &f, now)
	v.status(to, now)
	var gist []string
	var last snapshot.Evidence
	for _, e := range f.Evidence {
		value := e.Battery
		switch {
		case e.Words != nil:
			value = to.Plain(*e.Words)
		case value == "":
			if n := len(v.Evidence); strings.HasPrefix(e.What.ID, "evidence.sigma-") && n > 0 && e.Unit == last.Unit {
				v.Evidence[n-1].Sigma = figures.Rounded(snapshot.Estimate{Value: &last.Value, Sigma: &e.Value},
					decimalsOf(last.Value, e.Unit)).Sigma
				continue
			}
			if value = Figure(to, e.Value, e.Unit); e.Unit != "°C" {
				value = strings.TrimSpace(evidenceNumber(&e) + "\u00a0" + to.Label("Unit", e.Unit))
			}
			if last = e; len(gist) < 1 && e.Unit != "" {
				gist = append(gist, value)
			}
		}
		v.Evidence = append(v.Evidence, Evidence{What: to.Plain(e.What), Value: value, At: Time(to, e.At, now)})
	}
	v.Gist = strings.Join(gist, ", ")
	return v
}

// began returns when the episode of a finding began.
func began(f *snapshot.Finding) time.Time {
	if f.RaisedAt != nil {
		return *f.RaisedAt
	}
	return f.Since
}

// lasted says how long a finding has held, or did, without times of day.
func lasted(to *words.Reader, f *snapshot.Finding, now time.Time) string {
	if f.Active || f.State == "shelved" || f.State == "out of service" {
		return words.Fill(to.W["ForSpan"], "span", figures.Rough(now.Sub(began(f))))
	}
	return words.Fill(to.W["Lasted"], "span", figures.Rough(f.Since.Sub(began(f))))
}

// when says since when a finding holds, or from when to when it did.
func when(to *words.Reader, f *snapshot.Finding, now time.Time) template.HTML {
	text := template.HTML(template.HTMLEscapeString(lasted(to, f, now)))
	from := began(f)
	switch {
	case from.IsZero():
		return text
	case f.Active || f.State == "shelved" || f.State == "out of service":
		return text + ", " + fillHTML(to.W["SinceTime"], "time", Time(to, from, now))
	}
	return fillHTML(to.W["FromTo"], "from", Time(to, from, now), "to", Time(to, f.Since, now))
}

// status says who has acknowledged or shelved a finding, and what was written on it.
func (v *Finding) status(to *words.Reader, now time.Time) {
	f := &v.Finding
	at := func(t time.Time) template.HTML { return Time(to, t, now) }
	v.Status, v.Said = Handled(to, f, at), Said(f.Remarks, at)
	if v.Look == "set" {
		key := "StillSo"
		if !f.Active {
			key = "NotSoNow"
		}
		v.Status = append(v.Status, template.HTML(template.HTMLEscapeString(to.W[key])))
	}
}

// Handled says who has acknowledged a finding and who has shelved it, until when; at writes a time.
func Handled(to *words.Reader, f *snapshot.Finding, at func(time.Time) template.HTML) (lines []template.HTML) {
	line := func(key, by string, t *time.Time) {
		if by == "" {
			return
		}
		name := template.HTML(template.HTMLEscapeString(by))
		text := fillHTML(to.W[key], "by", name)
		if t != nil {
			text = fillHTML(to.W[key+".time"], "by", name, "time", at(*t))
		}
		lines = append(lines, text)
	}
	line("AckedBy", f.AckBy, f.AckAt)
	switch f.State {
	case "shelved":
		line("ShelvedBy", f.ShelvedBy, f.ShelvedUntil)
	case "out of service":
		line("OutBy", f.OutBy, nil)
	}
	return lines
}

// Said lists what was written on a finding, by whom and when; at writes a time.
func Said(remarks []snapshot.Remark, at func(time.Time) template.HTML) (lines []template.HTML) {
	for _, r := range remarks {
		lines = append(lines, template.HTML("“"+template.HTMLEscapeString(r.Text)+"” "+template.HTMLEscapeString(r.By)+", ")+at(r.At))
	}
	return lines
}

// Was is what a finding was, in the past tense, once it is over.
func (v Finding) Was(to *words.Reader) string { return to.Label("Was", v.Severity) }

// fill puts the evidence of a finding into a text: {cranking} is the figure that has this name,
// {cranking±sigma-a} the same with another one as its uncertainty. It reports whether all of it was
// there.
func fill(to *words.Reader, text string, f *snapshot.Finding) (out template.HTML, all bool) {
	if text == "" {
		return "", false
	}
	find := func(name string) *snapshot.Evidence {
		for i := range f.Evidence {
			if strings.TrimPrefix(f.Evidence[i].What.ID, "evidence.") == name {
				return &f.Evidence[i]
			}
		}
		return nil
	}
	var b strings.Builder
	for {
		before, rest, more := strings.Cut(text, "{")
		b.WriteString(template.HTMLEscapeString(unitSpace.ReplaceAllString(before, "$1\u00a0$2")))
		if !more {
			return template.HTML(b.String()), true
		}
		name, after, closed := strings.Cut(rest, "}")
		if !closed {
			return "", false
		}
		text = after
		name, sigma, _ := strings.Cut(name, "±")
		if whole, part, is := strings.Cut(name, "%"); is { // {a%b} is a in percent of b
			e, of := find(whole), find(part)
			if e == nil || of == nil || of.Value == 0 {
				return "", false
			}
			pct := 100 * e.Value / of.Value
			b.WriteString(figures.Short(&pct, 0, false))
			continue
		}
		e := find(name)
		switch {
		case e == nil:
			return "", false
		case e.Words != nil:
			b.WriteString(template.HTMLEscapeString(to.Plain(*e.Words)))
			continue
		case e.Battery != "":
			b.WriteString(template.HTMLEscapeString(e.Battery))
			continue
		case e.Unit == "°C":
			b.WriteString(template.HTMLEscapeString(Figure(to, e.Value, e.Unit)))
			continue
		}
		decimals := decimalsOf(e.Value, e.Unit)
		b.WriteString(evidenceNumber(e))
		if s := find(sigma); sigma != "" && s != nil {
			shown := figures.Rounded(snapshot.Estimate{Value: &e.Value, Sigma: &s.Value}, decimals)
			b.WriteString("\u00a0<i>" + shown.Sigma + "</i>")
		}
	}
}

// unitSpace is the space before a unit, which must not break.
var unitSpace = regexp.MustCompile(`(^|\d) (%|mΩ|A\b|Ah\b|V\b|s\b)`)

// evidenceNumber writes the number of a figure of evidence. A limit has all its digits and no more:
// 18 V, 1.5 mΩ.
func evidenceNumber(e *snapshot.Evidence) string {
	name := strings.TrimPrefix(e.What.ID, "evidence.")
	for _, set := range []string{"limit-", "threshold-", "rated-"} {
		if strings.HasPrefix(name, set) && name != "limit-at-temperature" {
			return number(e.Value, "")
		}
	}
	return number(e.Value, e.Unit)
}

// linkHyphen is the one in the name of a link, at which no line breaks.
var linkHyphen = regexp.MustCompile(`\b([a-d])-([a-d])\b`)

// fillHTML is words.Fill with markup.
func fillHTML(text string, pairs ...any) template.HTML {
	list := make([]string, 0, len(pairs))
	for i := 0; i+1 < len(pairs); i += 2 {
		list = append(list, "{"+pairs[i].(string)+"}", string(pairs[i+1].(template.HTML)))
	}
	return template.HTML(strings.NewReplacer(list...).Replace(template.HTMLEscapeString(text)))
}

// Steps returns the steps of a finding's next check.
func Steps(to *words.Reader, name string, english []string) []template.HTML {
	out := make([]template.HTML, len(english))
	for i, step := range english {
		out[i] = to.Said(name, "", fmt.Sprintf("check.%d", i+1), step)
	}
	return out
}
