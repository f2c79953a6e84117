package draw

import (
	"fmt"
	"html/template"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// The drawing's own measures, in units of its view box. It is 360 wide, so that on a narrow phone
// one unit is about one pixel and text keeps its size.
const (
	drawWidth  = 360
	drawPlus   = 132 // height of the positive rail
	drawMinus  = 262 // and the negative one
	drawHeight = 300
	drawMargin = 40 // room at both sides for the leads to the negative rail
	leadShift  = 8  // from a post to the leads of the feed at its left and of the motor at its right
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

// Bank shows the bank as it is wired: feed and motor above, the two rails with their links, the
// batteries between them, and what is measured at each. Where it isn't known on which battery a
// lead sits, it is drawn broken, to the end of the rail.
func Bank(to *words.Reader, s *snapshot.Snapshot) template.HTML {
	n := len(s.Batteries)
	if n == 0 {
		return ""
	}
	d := &svgBuilder{}
	d.put(
		`<svg class="bank" viewBox="0 0 %d %d" role="img" aria-label="%s">`, drawWidth, drawHeight,
		template.HTMLEscapeString(to.W["Wiring"]),
	)
	column := func(i int) float64 {
		return drawMargin + (drawWidth-2*drawMargin)*(2*float64(i)+1)/(2*float64(n))
	}
	d.rails(column, n)
	for _, l := range s.Links {
		drawLink(to, d, s, l, column)
	}
	for i := range s.Batteries {
		drawBattery(to, d, &s.Batteries[i], column(i), n)
	}
	drawFeed(to, d, s, column)
	drawMotor(to, d, s, column)
	d.put("</svg>")
	return template.HTML(d.String())
}

func (d *svgBuilder) rails(column func(int) float64, n int) {
	for i := range n {
		d.line("wire", column(i), drawPlus, column(i), drawPlus+16)
		d.line("wire", column(i), drawMinus-16, column(i), drawMinus)
		d.line("wire", column(i)-leadShift, drawPlus, column(i)+leadShift, drawPlus)
		d.line("wire", column(i)-leadShift, drawMinus, column(i)+leadShift, drawMinus)
	}
	d.text("sign", 12, drawPlus+5, "+")
	d.text("sign", 12, drawMinus+5, "−")
}

// drawLink draws one patch cable with its resistance; one that the snapshot knows nothing of is a
// plain line.
func drawLink(to *words.Reader, d *svgBuilder, s *snapshot.Snapshot, l snapshot.Link, column func(int) float64) {
	from, end := s.Index(l.From), s.Index(l.To)
	if from < 0 || end < 0 {
		return
	}
	y, textY := float64(drawPlus), float64(drawPlus-7)
	if l.Side == "negative" {
		y, textY = drawMinus, drawMinus+16
	}
	d.line("wire", column(from), y, column(end), y)
	if l.ResistanceMohm.Value != nil {
		d.text("middle", (column(from)+column(end))/2, textY, fmt.Sprintf("%.2f mΩ", *l.ResistanceMohm.Value))
	}
}

func drawBattery(to *words.Reader, d *svgBuilder, b *snapshot.Battery, x float64, n int) {
	width := min(112, (drawWidth-2*drawMargin)/float64(n)-6)
	d.put(`<g class="battery">`)
	d.box("block", x-width/2, drawPlus+16, width, drawMinus-drawPlus-32)
	d.text("name", x, drawPlus+35, b.ID)
	d.text("middle", x, drawPlus+53, figures.Of(b.VoltageV, 2)+" V")
	d.text("middle", x, drawPlus+70, figures.Short(b.CurrentA, 1, true)+" A")
	soc := figures.Unknown
	if b.SoCPct.Value != nil {
		soc = fmt.Sprintf("%.0f %%", *b.SoCPct.Value)
		if b.SoCPct.Sigma != nil {
			soc = fmt.Sprintf("%.0f±%.0f %%", *b.SoCPct.Value, max(*b.SoCPct.Sigma, 1))
		}
	}
	d.text("middle", x, drawPlus+87, soc)
	d.text("middle", x, drawPlus+105, to.Label("Verdict", b.Verdict))
	d.put("</g>")
}

// lead draws the two leads of the feed (left) or the motor (right) from the height of their box.
func (d *svgBuilder) lead(
	s *snapshot.Snapshot, at *snapshot.Leads, left bool, fromX, outX, fromY float64, column func(int) float64,
) {
	ends := [2]int{0, 0} // positive, negative: where they are drawn while unknown
	if !left {
		ends = [2]int{len(s.Batteries) - 1, len(s.Batteries) - 1}
	}
	class := [2]string{"wire unsure", "wire unsure"}
	if at != nil {
		for k, id := range []string{at.Positive, at.Negative} {
			if i := s.Index(id); i >= 0 {
				ends[k], class[k] = i, "wire"
			}
		}
	}
	// The positive leads of feed and motor may sit on one post: the feed's comes down a little to
	// its left.
	shift := float64(leadShift)
	if left {
		shift = -leadShift
	}
	x := column(ends[0]) + shift
	y := float64(drawPlus - 24)
	if !left {
		y = drawPlus - 36
	}
	d.put(`<path class="%s" d="M%g %gV%gH%gV%g"/>`, class[0], fromX, fromY, y, x, float64(drawPlus))
	d.put(`<circle class="post" cx="%g" cy="%d" r="3.5"/>`, x, drawPlus)
	x = column(ends[1]) + shift
	low := float64(drawMinus + 24)
	if !left {
		low = drawMinus + 32
	}
	d.put(`<path class="%s" d="M%g %gV%gH%gV%g"/>`, class[1], outX, fromY, low, x, float64(drawMinus))
	d.put(`<circle class="post" cx="%g" cy="%d" r="3.5"/>`, x, drawMinus)
}

func drawFeed(to *words.Reader, d *svgBuilder, s *snapshot.Snapshot, column func(int) float64) {
	const bottom = 62
	d.lead(s, s.Bank.FeedLeadsAt, true, 60, 24, bottom, column)
	d.box("block", 4, 4, 148, bottom-4)
	d.text("label", 12, 21, to.W["DrawFeed"]+": "+to.Label("FeedShort", s.Feed.Status))
	d.text("label", 12, 38, figures.Short(s.Feed.VoltageV, 2, false)+" V")
	d.text("label", 12, 55, to.W["DrawWake"]+": "+figures.Contact(s.Feed.WakeLine, to.W["SwitchOn"], to.W["SwitchOff"]))
}

func drawMotor(to *words.Reader, d *svgBuilder, s *snapshot.Snapshot, column func(int) float64) {
	const bottom = 62
	d.lead(s, s.Bank.MotorLeadsAt, false, 300, 336, bottom+22, column)
	d.line("wire", 336, bottom, 336, bottom+22)
	d.box("block", 208, 4, 148, bottom-4)
	now := to.W["Resting"]
	if s.Motor.Running {
		now = to.W["Running"]
	}
	d.text("label", 216, 21, to.W["DrawMotor"]+": "+now)
	d.text("label", 216, 38, figures.Short(s.Motor.VoltageV, 2, false)+" V")
	d.text("label", 216, 55, to.W["DrawCoil"]+": "+figures.Contact(s.Motor.Command, to.W["SwitchOn"], to.W["SwitchOff"]))
	// The disconnect, as a switch in the positive lead: its blade lies over the gap when it is
	// closed.
	const x, top, end = 300, bottom, bottom + 22
	d.line("wire", x, top, x, top+3)
	blade := "wire blade"
	tip := 12.0
	switch on := s.Feed.DisconnectClosed; {
	case on == nil:
		blade, tip = "wire unsure", 0
	case *on:
		tip = 0
	}
	d.line(blade, x, end-1, x-tip, top+3)
	d.put(
		`<circle class="post" cx="%d" cy="%d" r="2.5"/><circle class="post" cx="%d" cy="%d" r="2.5"/>`, x, top+3, x,
		end-1,
	)
	state := figures.Contact(s.Feed.DisconnectClosed, to.W["Closed"], to.W["Open"])
	d.text("end", x-18, end-4, to.W["Disconnect"]+": "+state)
}
