package draw

import (
	"fmt"
	"html/template"
	"regexp"
	"slices"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// Measures of the drawing in units of its view box, of which one is about a pixel on a narrow phone:
// type keeps the size of the text beside it. The positive side is at the left, the negative one at
// the right; the feed is on top, a rung for each battery below it, the motor at the foot.
const (
	wide      = 358
	boxLeft   = 70
	boxRight  = 288
	plusX     = 52 // posts
	minusX    = 306
	feedMid   = 28  // height of the feed's terminals
	firstPost = 112 // height of the first battery's posts
	pitch     = 82
	gapMore   = 20 // more room where words stand between two batteries
	rungBelow = 68 // of the motor, below the last posts
	footBelow = 54 // of the picture, below the motor's rung

	feedPlusX, feedMinusX   = 38, 320 // lanes of leads that go past the nearest battery
	motorPlusX, motorMinusX = 24, 334

	flowsA   = 1.0   // from which a lead is said to carry current
	openMohm = 100.0 // a link above it passes nothing
	longNote = 22    // letters beside the feed's voltage

	thin = "\u2009" // space, where three figures stand in a row
)

// svgBuilder writes an SVG picture.
type svgBuilder struct{ strings.Builder }

func (d *svgBuilder) put(format string, args ...any) { fmt.Fprintf(&d.Builder, format, args...) }

func (d *svgBuilder) line(class string, x1, y1, x2, y2 float64) {
	d.put(`<path class="%s" d="M%g %gL%g %g"/>`, class, x1, y1, x2, y2)
}

func (d *svgBuilder) box(class string, x, y, w, h float64) {
	d.put(`<rect class="%s" x="%g" y="%g" width="%g" height="%g"/>`, class, x, y, w, h)
}

func (d *svgBuilder) text(class string, x, y float64, text string) {
	d.put(`<text class="%s" x="%g" y="%g">%s</text>`, class, x, y, template.HTMLEscapeString(text))
}

func (d *svgBuilder) path(class, steps string, args ...any) {
	d.put(`<path class="%s" d="%s"/>`, class, fmt.Sprintf(steps, args...))
}

// balloon is the number of a finding, at what it names.
func (d *svgBuilder) balloon(x, y float64, m *mark) {
	class := "bn"
	if m.urgent {
		class = "bn u"
	}
	d.put(`<g class="%s" transform="translate(%g %g)"><circle r="9.5"/><text y="4.7">%d</text></g>`, class, x, y, m.no)
}

// mark is what a finding that holds says of a part.
type mark struct {
	no     int // as on its card
	urgent bool
	name   string
	lead   bool // of the feed: the fault is between converter and bank
}

// marks are what is not right, by the part that a finding names. What another finding explains is
// not marked: it is a consequence.
type marks struct {
	battery, link, post, sensor, tap map[string]*mark
	feed, motor                      *mark
}

func marksOf(s *snapshot.Snapshot) marks {
	none := func() map[string]*mark { return map[string]*mark{} }
	m := marks{battery: none(), link: none(), post: none(), sensor: none(), tap: none()}
	for i := range s.Findings {
		f := &s.Findings[i]
		if !f.Active || f.CausedBy != "" || f.Severity == "note" {
			continue
		}
		k := &mark{no: i + 1, urgent: f.Severity == "urgent", name: f.Name}
		first := func(to map[string]*mark, id string) {
			if to[id] == nil {
				to[id] = k
			}
		}
		switch kind, _, _ := strings.Cut(f.Name, "-"); {
		case f.Name == "sense-fault":
			first(m.sensor, f.Subject)
		case f.Name == "middle-tap-open":
			first(m.tap, f.Subject)
		case linkSubject.MatchString(f.Subject):
			first(m.link, strings.Replace(f.Subject, " link", "", 1))
		case strings.HasPrefix(f.Subject, "positive post ") || strings.HasPrefix(f.Subject, "negative post "):
			first(m.post, strings.Replace(f.Subject, " post", "", 1))
		case f.Subject != "":
			first(m.battery, f.Subject)
		case f.Name == "circulating":
			for _, e := range f.Evidence {
				if e.What.ID == "evidence.into" {
					first(m.battery, e.Battery)
				}
			}
		case (kind == "feed" || f.Name == "wake-missing") && m.feed == nil:
			if m.feed = k; len(f.Causes) > 0 && f.Causes[0].Reason != nil {
				k.lead = slices.Contains([]string{"why.does-not-arrive", "why.does-not-reach-back", "why.lamp-live"}, f.Causes[0].Reason.ID)
			}
		case (kind == "motor" || f.Name == "control-dead" || f.Name == "relief-off") && m.motor == nil:
			m.motor = k
		}
	}
	return m
}

// linkSubject is how the rules name a link.
var linkSubject = regexp.MustCompile(`^(positive|negative|middle) link `)

// drawing is a picture of the bank under way.
type drawing struct {
	svgBuilder
	to      *words.Reader
	s       *snapshot.Snapshot
	marks   marks
	strands []strand    // of batteries in series; none in parallel
	posts   []float64   // heights of the batteries' posts
	joined  map[int]int // in series: the battery whose minus is joined to this one's plus
	doubt   *snapshot.Finding
	volts   map[int]float64 // in series: of the positive posts against the monitor's ground
	charges bool            // current flows in from the feed
	lifts   bool            // and out to the motor
}

// Bank shows the bank as it is wired: the feed above, the batteries between the two sides, the links
// between them, disconnect and motor below, with what is measured at each. What is not right is
// heavy and has the number of its finding. Where it isn't known on which battery a lead sits, it is
// drawn broken, to the nearest one.
func Bank(to *words.Reader, s *snapshot.Snapshot) template.HTML {
	n := len(s.Batteries)
	if n == 0 {
		return ""
	}
	s = s.Believed()
	d := &drawing{to: to, s: s, marks: marksOf(s), doubt: s.Miswired(), joined: map[int]int{}}
	d.readStrings()
	amps := s.Bank.CurrentA
	d.lifts = s.Motor.Running
	d.charges = s.Feed.Status == "present" && amps != nil && *amps >= flowsA
	if d.doubt != nil {
		d.readSeries()
	}
	y, last := float64(firstPost), 0.0
	d.posts = make([]float64, n)
	for _, i := range d.inOrder() {
		d.posts[i], last = y, y
		y += pitch
		if st := d.strandOf(i); d.join(i, i+1) || d.join(i+1, i) || st != nil && i == st.high {
			y += gapMore
		}
	}
	d.put(`<svg class="bank" viewBox="0 0 %d %g" role="img" aria-label="%s">`, wide, last+rungBelow+footBelow,
		template.HTMLEscapeString(d.name()))
	d.feed()
	d.together()
	d.motor(last + rungBelow)
	d.rails()
	for i := range s.Batteries {
		d.battery(i)
	}
	d.put("</svg>")
	return template.HTML(d.String())
}

// name is what a screen reader says of the drawing; the tables have its figures.
func (d *drawing) name() string {
	to := d.to
	parts := append([]string{to.W["DrawName"]}, d.said()...)
	for i := range d.s.Batteries {
		b := &d.s.Batteries[i]
		parts = append(parts, b.ID+" "+to.Label("Verdict", b.Verdict))
	}
	for i := range d.s.Findings {
		if f := &d.s.Findings[i]; f.Active && f.CausedBy == "" && f.Severity != "note" {
			parts = append(parts, fmt.Sprintf("%d: %s", i+1, to.PlainTitle(f.Name, f.Subject, f.Title)))
		}
	}
	now := to.W["Resting"]
	if d.s.Motor.Running {
		now = to.W["Running"]
	}
	parts = append(parts, to.W["DrawFeed"]+" "+to.Label("FeedShort", d.s.Feed.Status), to.W["DrawMotor"]+" "+now)
	return strings.Join(parts, "; ")
}

// readSeries works out from the voltages of the positive posts which battery stands on which: a
// post that is one battery higher than another is joined to that one's plus.
func (d *drawing) readSeries() {
	d.volts = map[int]float64{}
	for _, c := range d.s.Channels {
		if id, is := strings.CutPrefix(c.Name, "battery_voltage_"); is && c.Value != nil {
			if i := d.s.Index(id); i >= 0 {
				d.volts[i] = *c.Value
			}
		}
	}
	if len(d.strands) > 0 || len(d.s.Batteries) != 2 || len(d.volts) != 2 || d.doubt.Name != "series-wired" {
		return // with more of them the posts don't say which cable it is
	}
	const block = 6.0 // less than any 12 V block has, more than any drop over a cable
	switch rise := d.volts[1] - d.volts[0]; {
	case rise > block:
		d.joined[0] = 1
	case rise < -block:
		d.joined[1] = 0
	}
}

// join reports whether the plus of one battery is joined to the minus of the other.
func (d *drawing) join(low, high int) bool {
	over, is := d.joined[low]
	return is && over == high
}

// rails draws the two sides: posts and the links between them.
func (d *drawing) rails() {
	s := d.s
	live := d.lifts || d.charges
	for i := range s.Batteries {
		id, y := s.Batteries[i].ID, d.posts[i]
		carries := live
		if a := d.current(i); a != nil && *a > -flowsA && *a < flowsA {
			carries = false
		}
		for _, side := range []string{"positive", "negative"} {
			from, end, class := float64(plusX), float64(boxLeft), "w"
			if side == "negative" {
				from, end = boxRight, minusX
			}
			if carries {
				class = "w on"
			}
			m := d.marks.post[side+" "+id]
			if m != nil {
				class = "w k"
			}
			d.line(class, from, y, end, y)
			if m != nil {
				x := float64(boxLeft) - 9
				if side == "negative" {
					x = boxRight + 9
				}
				d.balloon(x, y-16, m)
			}
		}
		if r := d.reversed(i); r != nil { // the signs of the posts
			d.path("w k s2", "M57 %gh8M293 %gh8m-4 -4v8", y-11, y-11)
		} else {
			d.path("w", "M57 %gh8m-4 -4v8M293 %gh8", y-11, y-11)
		}
	}
	for k, l := range s.Links {
		from, end := s.Index(l.From), s.Index(l.To)
		if from < 0 || end < 0 || from == end || l.Side == "middle" || len(d.strands) == 1 {
			continue
		}
		d.link(&s.Links[k], min(from, end), max(from, end), live)
	}
	for i := range d.strands {
		d.middle(&d.strands[i], live)
	}
	if len(s.Links) == 0 && d.doubt == nil && len(s.Batteries) > 1 && len(d.strands) == 0 {
		for i := 1; i < len(s.Batteries); i++ { // nothing is known of them but that they are there
			d.path("w", "M%d %gV%gM%d %gV%g", plusX, d.posts[i-1], d.posts[i], minusX, d.posts[i-1], d.posts[i])
		}
	}
	if d.doubt != nil {
		d.series()
	}
	for i := range s.Batteries {
		d.path("p", "M%d %gh0M%d %gh0", plusX, d.posts[i], minusX, d.posts[i])
	}
}

// link draws one patch cable with its resistance.
func (d *drawing) link(l *snapshot.Link, from, end int, live bool) {
	negative := l.Side == "negative"
	w := d.wayOf(l, from, end)
	if d.doubt != nil {
		if len(d.joined) == 0 {
			d.put(`<path class="w q" d="%s"/>`, w.whole)
		}
		return
	}
	middle := w.text
	m := d.marks.link[l.Side+" "+l.From+"-"+l.To]
	if m == nil {
		class := "w"
		if live && (l.CurrentA == nil || *l.CurrentA <= -flowsA || *l.CurrentA >= flowsA) {
			class = "w on"
		}
		d.put(`<path class="%s" d="%s"/>`, class, w.whole)
		if v := l.ResistanceMohm.Value; v != nil {
			text := figures.Short(v, 2, false) + " mΩ"
			if negative {
				d.text("s e", minusX-10, middle, text)
			} else {
				d.text("s", plusX+10, middle, text)
			}
		}
		return
	}
	v := l.ResistanceMohm.Value
	text := d.to.W["DrawBad"]
	switch {
	case v != nil && *v > openMohm:
		text = d.to.W["Open"]
		d.put(`<path class="w k" d="%s"/>`, w.open)
	default:
		d.put(`<path class="w k" d="%s"/>`, w.whole)
		if v != nil {
			e := figures.Rounded(l.ResistanceMohm, 1)
			if text = e.Value; e.Sigma != "" && !d.both(l) {
				text = e.Text()
			}
			text += " mΩ"
		}
	}
	if negative {
		d.balloon(minusX-22, middle-5, m)
		d.text("x e", minusX-38, middle, text)
	} else {
		d.balloon(plusX+22, middle-5, m)
		d.text("x", plusX+38, middle, text)
	}
}

// both reports whether the link at the other side of the same gap is marked, too.
func (d *drawing) both(l *snapshot.Link) bool {
	for i := range d.s.Links {
		o := &d.s.Links[i]
		same := len(d.strands) > 0 || o.From == l.From && o.To == l.To
		if same && o.Side != l.Side && o.Side != "middle" && d.marks.link[o.Side+" "+o.From+"-"+o.To] != nil {
			return true
		}
	}
	return false
}

// series draws the cable that the voltages show to join one battery's plus to the next one's minus.
func (d *drawing) series() {
	for low, high := range d.joined {
		middle := d.posts[min(low, high)] + (pitch+gapMore)/2 + 8
		d.path("w k", "M%d %gV%gH%dV%g", plusX, d.posts[low], middle, minusX, d.posts[high])
		text := words.Fill(d.to.W["DrawJoined"], "from", d.s.Batteries[low].ID, "to", d.s.Batteries[high].ID)
		d.balloon(79, middle-15, d.doubtMark())
		d.text("x", 95, middle-9, text)
	}
}

// current returns what flows through a battery.
func (d *drawing) current(i int) *float64 {
	if st := d.strandOf(i); st != nil {
		return st.CurrentA
	}
	return d.s.Batteries[i].CurrentA
}

func (d *drawing) battery(i int) {
	to, b, y := d.to, &d.s.Batteries[i], d.posts[i]
	m := d.marks.battery[b.ID]
	box, verdict, letter := "bx", "e", float64(80)
	if m != nil {
		box, verdict = "bx k", "e x"
	}
	d.box(box, boxLeft, y-26, boxRight-boxLeft, 52)
	if m != nil {
		d.balloon(89, y-10, m)
		letter = 105
	}
	sensor := func(what string) *mark { return d.marks.sensor["battery "+b.ID+" "+what] }
	for _, what := range []string{"voltage", "negative", "current", "temperature"} {
		if k := sensor(what); k != nil && m == nil {
			d.balloon(89, y-10, k)
			letter = 105
			break
		}
	}
	d.text("b l", letter, y-5, b.ID)
	d.text(verdict, 278, y-5, to.Label("Verdict", b.Verdict))
	class := func(plain string, marked bool) string {
		if marked {
			return strings.TrimSpace(plain + " x")
		}
		return plain
	}
	if d.doubt != nil {
		if v, known := d.volts[i]; known {
			text := figures.Short(&v, 1, false) + " V"
			if low, is := d.under(i); is {
				from := d.volts[low]
				text = words.Fill(to.W["DrawFromTo"], "from", figures.Short(&from, 1, false),
					"to", figures.Short(&v, 1, false)) + " V"
			}
			d.text(class("", d.doubt.Name == "series-wired" && v > d.most(i)), 80, y+16, text)
		} else {
			v := b.VoltageV
			if r := d.reversed(i); r != nil {
				v = r
			}
			d.text(class("", d.reversed(i) != nil), 80, y+16, figures.Short(v, 2, false)+" V")
		}
		return
	}
	d.text(class("", sensor("voltage") != nil || sensor("negative") != nil), 80, y+16,
		figures.Short(b.VoltageV, 2, false)+" V")
	if len(d.strands) == 0 { // in series it is the string's
		d.text(class("m", sensor("current") != nil), 170, y+16, amperes(b.CurrentA)+" A")
	}
	soc := figures.Unknown
	if b.SoCPct.Value != nil {
		e := figures.Rounded(b.SoCPct, 0)
		soc = strings.ReplaceAll(e.Text(), "\u00a0", thin) + thin + "%"
	}
	d.text("e", 278, y+16, soc)
}

// most is above what no positive post of a bank that is wired right is, over the monitor's ground.
func (d *drawing) most(i int) float64 {
	const block = 18 // V: as the rules have it
	if st := d.strandOf(i); st != nil && i == st.high {
		return 2 * block
	}
	return block
}

// reversed returns the voltage at the posts of a battery that is the wrong way around, or nil.
func (d *drawing) reversed(i int) *float64 {
	if d.doubt == nil || d.doubt.Name != "reversed" || d.doubt.Subject != d.s.Batteries[i].ID {
		return nil
	}
	for k := range d.doubt.Evidence {
		if e := &d.doubt.Evidence[k]; e.What.ID == "evidence.posts-v" {
			return &e.Value
		}
	}
	return nil
}

// amperes writes a battery's current: from 100 A on without a decimal.
func amperes(v *float64) string {
	if v != nil && (*v >= 99.95 || *v <= -99.95) {
		return figures.Short(v, 0, true)
	}
	return figures.Short(v, 1, true)
}

// under returns the battery that this one stands on.
func (d *drawing) under(i int) (low int, is bool) {
	for low, high := range d.joined {
		if high == i {
			return low, true
		}
	}
	return 0, false
}

// place returns the battery at which a lead sits, and whether that is known.
func (d *drawing) place(at *snapshot.Leads, negative, motor bool) (battery int, known bool) {
	nearest := d.nearest(negative, motor)
	if len(d.s.Batteries) == 1 || len(d.strands) == 1 { // there is no other place
		return nearest, d.doubt == nil
	}
	if at != nil {
		id := at.Positive
		if negative {
			id = at.Negative
		}
		if i := d.s.Index(id); i >= 0 {
			return i, true
		}
	}
	return nearest, false
}

// feed draws the converter and its two leads. The nearest battery is straight below it; a lead to
// another one has a lane of its own, so that nothing crosses.
func (d *drawing) feed() {
	to, f, m := d.to, &d.s.Feed, d.marks.feed
	x := [2]float64{plusX, minusX}
	start := [2]float64{boxLeft, boxRight}
	for k := range 2 {
		i, known := d.place(d.s.Bank.FeedLeadsAt, k == 1, false)
		class := "w"
		switch {
		case !known:
			class = "w q"
		case d.charges:
			class = "w on"
		}
		via := d.lane(i, k == 1, false)
		if k == 0 && m != nil && m.lead {
			// open somewhere on the way: heavy, with a gap
			d.path("w k", "M%g %dH%gV46M%g 80V%gH%g", start[k], feedMid, via, via, d.posts[i], x[k])
			d.balloon(via+24, 66, m)
			d.text("x", via+40, 71, to.W["DrawLeadOpen"])
			continue
		}
		d.path(class, "M%g %dH%gV%gH%g", start[k], feedMid, via, d.posts[i], x[k])
		if k == 0 {
			d.path("w", "M%g 58l8 8m0 -8l-8 8", via-4)
			d.text("s", via+10, 67, to.W["DrawBreaker"])
		}
	}
	box, state, left := "bx", "e", float64(80)
	if m != nil {
		if f.Status != "unknown" {
			state = "e x"
		}
		if !m.lead {
			box, left = "bx k", 98
		}
	}
	d.box(box, boxLeft, 4, boxRight-boxLeft, 48)
	if m != nil && !m.lead {
		d.balloon(85, 19, m)
	}
	d.text("b", left, 24, to.W["DrawFeedName"])
	d.text(state, 278, 24, to.Label("FeedShort", f.Status))
	volts := ""
	if f.VoltageV != nil && (f.Status != "off" || *f.VoltageV > 1) {
		volts = figures.Short(f.VoltageV, 2, false) + " V"
		class := "e"
		if d.marks.sensor["feed voltage"] != nil {
			class = "e x"
		}
		d.text(class, 278, 43, volts)
	}
	note := to.W["DrawWakeUnknown"]
	if f.WakeLine != nil {
		note = to.W["DrawWakeOff"]
		if *f.WakeLine {
			note = to.W["DrawWakeOn"]
		}
		if *f.WakeLine && f.InputV != nil {
			note = words.Fill(to.W["DrawWakeInput"], "volts", figures.Short(f.InputV, 1, false))
		} else if !f.Since.IsZero() {
			long := words.Fill(to.W["DrawFor"], "what", note, "span", figures.Rough(d.s.At.Sub(f.Since)))
			if volts == "" || len([]rune(long)) <= longNote {
				note = long
			}
		}
	}
	d.text("s", 80, 43, note)
	d.corners()
}

// corners shows beside the feed what few units measure: the air outside of the box, and the charging
// lamp.
func (d *drawing) corners() {
	to := d.to
	if c := to.Temp(d.s.Bank.AmbientC); c != nil {
		d.text("s", 2, 11, to.W["DrawOutside"])
		d.text("s", 2, 25, figures.Short(c, 0, false)+thin+to.TempUnit())
	}
	if lit := d.s.Feed.IndicatorLine; lit != nil {
		d.text("e s", wide-2, 11, to.W["DrawLamp"])
		d.text("e s", wide-2, 25, figures.Contact(lit, to.W["SwitchOn"], to.W["SwitchOff"]))
	}
}

// motor draws the rung at the foot: disconnect, breaker, contactor and motor, as they stand.
func (d *drawing) motor(y float64) {
	to, s, m := d.to, d.s, d.marks.motor
	live := "w"
	if d.lifts {
		live = "w on"
	}
	plus, knownPlus := d.place(s.Bank.MotorLeadsAt, false, true)
	minus, knownMinus := d.place(s.Bank.MotorLeadsAt, true, true)
	class := func(known bool) string {
		if !known {
			return "w q"
		}
		return live
	}
	d.path(class(knownPlus), "M88 %gH%gV%gH%d", y, d.lane(plus, false, true), d.posts[plus], plusX)
	d.path(class(knownMinus), "M283 %gH%gV%gH%d", y, d.lane(minus, true, true), d.posts[minus], minusX)
	rung := live
	if m != nil && m.name == "motor-drop" {
		rung = "w k"
	}
	d.path(rung, "M112 %gH176M200 %gH253", y, y)
	d.blade(88, y, s.Feed.DisconnectClosed, rung)
	d.path("w", "M144 %gl8 8m0 -8l-8 8", y-4)
	d.blade(176, y, s.Motor.Command, rung)
	d.path("p", "M88 %gh0M112 %gh0M176 %gh0M200 %gh0", y, y, y, y)
	circle := "c"
	if m != nil {
		circle = "c k"
	}
	d.put(`<circle class="%s" cx="268" cy="%g" r="15"/>`, circle, y)
	d.text("m b", 268, y+5, "M")
	if m != nil {
		d.balloon(268, y-27, m)
	}
	now, state := to.W["Resting"], "m"
	if s.Motor.Running {
		now = to.W["Running"]
		if s.Motor.OilBar != nil {
			now = figures.Short(s.Motor.OilBar, 0, false) + " bar"
		}
	}
	if m != nil {
		state = "m x"
	}
	for _, t := range []struct {
		x                 float64
		name, said, class string
	}{
		{100, to.W["Disconnect"], contact(s.Feed.DisconnectClosed, to), "m"},
		{188, to.W["DrawContactor"], contact(s.Motor.Command, to), "m"}, {276, to.W["DrawMotorName"], now, state},
	} {
		d.text("m s", t.x, y+31, t.name)
		d.text(t.class, t.x, y+47, t.said)
	}
	d.text("m s", 148, y-10, to.W["DrawBreaker"])
	if v := s.Motor.ControlV; v != nil {
		d.text("m s", 226, y-10, figures.Short(v, 1, false)+thin+"V")
	}
}

func contact(closed *bool, to *words.Reader) string {
	return figures.Contact(closed, to.W["Closed"], to.W["Open"])
}

// blade draws a switch as it stands: in line, up, or broken where that is not known.
func (d *drawing) blade(x, y float64, closed *bool, class string) {
	switch {
	case closed == nil:
		d.path("w q", "M%g %gh24", x, y)
	case *closed:
		d.path(class, "M%g %gh24", x, y)
	default:
		d.path(class, "M%g %gl22 -13", x, y)
	}
}
