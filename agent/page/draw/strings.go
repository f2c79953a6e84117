package draw

import (
	"fmt"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// Batteries in series are drawn as they stand: the plus end of a string above, its minus end below, the
// cable of the middle in the gap between them. A second string follows below the first, joined to it past
// the posts of the middle.
const (
	outerPlusX, outerMinusX = 10, 348 // lanes of the feed's leads to the second string
	tapX                    = 179     // of the middle's tap on its cable
	bold                    = 9       // width of a bold figure, about
)

// strand is one string under way.
type strand struct {
	*snapshot.String
	low, high int // batteries
}

// readStrings finds the batteries of each string; a snapshot that names others has none.
func (d *drawing) readStrings() {
	for i := range d.s.Strings {
		st := &d.s.Strings[i]
		low, high := d.s.Index(st.From), d.s.Index(st.To)
		if low < 0 || high != low+1 {
			d.strands = nil
			return
		}
		d.strands = append(d.strands, strand{st, low, high})
	}
	if 2*len(d.strands) != len(d.s.Batteries) {
		d.strands = nil
	}
}

// inOrder returns the batteries from the top of the drawing to its foot.
func (d *drawing) inOrder() (order []int) {
	for _, st := range d.strands {
		order = append(order, st.high, st.low)
	}
	if order == nil {
		for i := range d.s.Batteries {
			order = append(order, i)
		}
	}
	return order
}

// strandOf returns the string of a battery; nil in parallel.
func (d *drawing) strandOf(battery int) *strand {
	for i := range d.strands {
		if st := &d.strands[i]; battery == st.low || battery == st.high {
			return st
		}
	}
	return nil
}

// nearest returns the battery that the feed's lead or the motor's is closest to.
func (d *drawing) nearest(negative, motor bool) int {
	if len(d.strands) == 0 {
		if motor {
			return len(d.s.Batteries) - 1
		}
		return 0
	}
	st := &d.strands[0]
	if motor {
		st = &d.strands[len(d.strands)-1]
	}
	if negative {
		return st.low
	}
	return st.high
}

// lane returns how far out a lead runs to a battery: straight to the nearest, past the others.
func (d *drawing) lane(battery int, negative, motor bool) float64 {
	side := func(plus, minus float64) float64 {
		if negative {
			return minus
		}
		return plus
	}
	near := battery == d.nearest(negative, motor)
	switch {
	case near && len(d.strands) > 0 && motor != negative: // straight, but for what stands between
		return side(feedPlusX, feedMinusX)
	case near:
		return side(plusX, minusX)
	case motor:
		return side(motorPlusX, motorMinusX)
	case len(d.strands) > 0:
		return side(outerPlusX, outerMinusX)
	}
	return side(feedPlusX, feedMinusX)
}

// way is how a link runs.
type way struct {
	whole, open string  // its path, and the same with a gap
	text        float64 // height of what is written on it
}

func (d *drawing) wayOf(l *snapshot.Link, from, end int) way {
	x, lane := float64(plusX), float64(feedPlusX)
	if l.Side == "negative" {
		x, lane = minusX, feedMinusX
	}
	y1, y2 := d.posts[from], d.posts[end]
	if len(d.strands) == 0 {
		return way{
			fmt.Sprintf("M%g %gL%g %g", x, y1, x, y2), fmt.Sprintf("M%g %gV%gM%g %gV%g", x, y1, y1+32, x, y2-32, y2),
			(y1+y2)/2 + 5,
		}
	}
	gap := (d.posts[d.strands[0].low] + d.posts[d.strands[1].high]) / 2
	return way{
		fmt.Sprintf("M%g %gH%gV%gH%g", x, y1, lane, y2, x),
		fmt.Sprintf("M%g %gH%gV%gM%g %gV%gH%g", x, y1, lane, gap-9, lane, gap+9, y2, x), gap + 5,
	}
}

// middle draws what joins the two batteries of a string, with its tap and the string's current.
func (d *drawing) middle(st *strand, live bool) {
	top, foot := d.posts[st.high], d.posts[st.low]
	y := (top + foot) / 2
	if d.doubt != nil {
		d.doubtful(st, y)
		return
	}
	amps := st.CurrentA
	class := "w"
	if live && (amps == nil || *amps <= -flowsA || *amps >= flowsA) {
		class = "w on"
	}
	whole := fmt.Sprintf("M%d %gV%gH%dV%g", minusX, top, y, plusX, foot)
	m := d.marks.link["middle "+st.From+"-"+st.To]
	mohm := snapshot.Estimate{}
	for i := range d.s.Links {
		if l := &d.s.Links[i]; l.Side == "middle" && l.From == st.From && l.To == st.To {
			mohm = l.ResistanceMohm
		}
	}
	switch v := mohm.Value; {
	case m == nil:
		d.put(`<path class="%s" d="%s"/>`, class, whole)
		if v != nil {
			d.text("s", plusX+10, y-8, figures.Short(v, 2, false)+" mΩ")
		}
	default:
		text := d.to.W["DrawBad"]
		if v != nil && *v > openMohm {
			text = d.to.W["Open"]
			whole = fmt.Sprintf("M%d %gV%gH%dM%d %gH%dV%g", minusX, top, y, tapX+46, tapX+20, y, plusX, foot)
		} else if v != nil {
			e := figures.Rounded(mohm, 1)
			text = e.Text() + " mΩ"
		}
		d.put(`<path class="w k" d="%s"/>`, whole)
		d.balloon(plusX+22, y-13, m)
		d.text("x", plusX+38, y-8, text)
	}
	d.tap(st, y)
	text := amperes(amps) + " A"
	if k := d.marks.battery[st.From+"-"+st.To]; k != nil {
		d.text("e x", minusX-10, y-8, text)
		d.balloon(minusX-24-bold*float64(len([]rune(text))), y-13, k)
		return
	}
	class = "e"
	if d.marks.sensor["battery "+st.From+" current"] != nil || d.marks.sensor["battery "+st.To+" current"] != nil {
		class = "e x"
	}
	d.text(class, minusX-10, y-8, text)
}

// tap draws where the middle is measured: at the lower battery's plus.
func (d *drawing) tap(st *strand, y float64) {
	m := d.marks.tap[st.From]
	if m == nil {
		d.put(`<circle class="c" cx="%d" cy="%g" r="4"/>`, tapX, y)
		d.text("m s", tapX, y+18, d.to.W["DrawMiddle"])
		return
	}
	x := float64(plusX) + 24
	d.path("w q", "M%g %gv9", x, y)
	d.put(`<circle class="c k" cx="%g" cy="%g" r="5"/>`, x, y+14)
	d.balloon(x+20, y+13, m)
	d.text("x", x+36, y+18, d.to.W["DrawTapOpen"])
}

// doubtful draws the batteries of a string where the bank is not wired as it should be: side by side where
// the voltages show that, and otherwise joined by nobody knows what.
func (d *drawing) doubtful(st *strand, y float64) {
	top, foot := d.posts[st.high], d.posts[st.low]
	if d.doubt.Name != "parallel-wired" {
		d.path("w q", "M%d %gV%gH%dV%g", minusX, top, y, plusX, foot)
		return
	}
	d.path("w k", "M%d %gV%gM%d %gV%g", plusX, top, foot, minusX, top, foot)
	d.balloon(plusX+22, y, d.doubtMark())
	d.text("x", plusX+38, y+5, d.to.W["DrawParallel"])
}

// doubtMark is the number of the finding that says that the bank is not wired as it should be.
func (d *drawing) doubtMark() *mark {
	for i := range d.s.Findings {
		if &d.s.Findings[i] == d.doubt {
			return &mark{no: i + 1, urgent: d.doubt.Severity == "urgent"}
		}
	}
	return &mark{}
}

// together writes what the batteries of a string have together, between the feed's leads.
func (d *drawing) together() {
	m := d.marks.feed
	if len(d.strands) == 0 || d.s.Bank.VoltageV == nil || m != nil && m.lead {
		return
	}
	d.text("e", boxRight, 71, words.Fill(d.to.W["DrawBank"], "volts", figures.Short(d.s.Bank.VoltageV, 2, false)))
}

// said names the strings for who does not see the drawing.
func (d *drawing) said() (parts []string) {
	for _, st := range d.strands {
		parts = append(parts, strings.TrimSpace(words.Fill(d.to.W["DrawSeries"], "lower", st.From, "upper", st.To)))
	}
	return parts
}
