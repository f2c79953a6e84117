// Package wiring draws how a board is wired, from its configuration: the bank with its breakers and
// cables, where each channel is taken, and how it gets to its pin.
package wiring

import (
	"fmt"
	"html"
	"slices"
	"strconv"
	"strings"

	"liftbank/agent/config"
	"liftbank/rules/unit"
)

// What is not in a configuration. Common practice, no source; local codes and the makers' manuals
// decide.
const (
	bankCable  = "50 mm² (AWG 1/0)" // links and motor leads, up to 2 m
	feedCable  = "10 mm² (AWG 8)"
	tapWire    = "0.75 mm² (AWG 18)"
	tapFuse    = "1 A"
	feedFuse   = "charge breaker 30 A"
	motorFuse  = "motor breaker 150 A"
	controlled = "15 A or 20 A"
)

// Sizes of the drawing.
const (
	left, batteryW, batteryH, pitch = 270.0, 140.0, 96.0, 200.0
	plusY, postY, minusY            = 100.0, 176.0, 330.0
	middleY, lowY                   = 116.0, 302.0 // of the way from one battery of a string to the next
	rowH                            = 40.0
	leastW                          = 1000.0
)

// drawing collects an SVG.
type drawing struct {
	strings.Builder
	cfg    *config.Config
	layout unit.Layout
	number map[string]int // of each channel and contact, by name
}

// Draw returns the drawing of a valid configuration as an SVG file.
func Draw(cfg *config.Config) string {
	d := &drawing{cfg: cfg, layout: cfg.Bank.Layout.Rules(), number: map[string]int{}}
	for i := range cfg.Board.Channels {
		d.number[cfg.Board.Channels[i].Name()] = len(d.number) + 1
	}
	for _, c := range cfg.Board.Contacts {
		d.number[string(c.Signal)] = len(d.number) + 1
	}
	d.power()
	height := d.terminals(430)
	w := d.width()
	head := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %.0f %.0f" role="img" aria-label="%s">`+"\n"+
		"<style>text{font:14px sans-serif;fill:#111}.s{font-size:12px;fill:#444}.h{font-weight:bold;font-size:16px}"+
		".w{stroke:#111;stroke-width:3;fill:none}.l{stroke:#111;stroke-width:1.2;fill:none}.b{fill:#fff;stroke:#111;stroke-width:1.5}"+
		".d{fill:#111}.n{fill:#fff;font-weight:bold;font-size:13px;text-anchor:middle}.m{text-anchor:middle}.e{text-anchor:end}</style>\n"+
		`<rect width="100%%" height="100%%" fill="#fff"/>`+"\n",
		w, height, html.EscapeString("Wiring of unit "+cfg.Unit.ID))
	return head + d.String() + "</svg>\n"
}

func (d *drawing) width() float64 {
	return max(leastW, left+float64(len(d.cfg.Bank.Batteries))*pitch+230)
}

func (d *drawing) text(class string, x, y float64, text string) {
	fmt.Fprintf(d, `<text class=%q x="%.0f" y="%.0f">%s</text>`+"\n", class, x, y, html.EscapeString(text))
}

// path draws a line through points.
func (d *drawing) path(class string, xy ...float64) {
	fmt.Fprintf(d, `<path class=%q d="M%.0f %.0f`, class, xy[0], xy[1])
	for i := 2; i < len(xy); i += 2 {
		fmt.Fprintf(d, "L%.0f %.0f", xy[i], xy[i+1])
	}
	d.WriteString(`"/>` + "\n")
}

func (d *drawing) box(x, y, w, h float64) {
	fmt.Fprintf(d, `<rect class="b" x="%.0f" y="%.0f" width="%.0f" height="%.0f"/>`+"\n", x, y, w, h)
}

// point marks where a channel is taken, if the unit has it.
func (d *drawing) point(name string, x, y float64) {
	n, have := d.number[name]
	if !have {
		return
	}
	fmt.Fprintf(d, `<circle class="d" cx="%.0f" cy="%.0f" r="11"/>`, x, y)
	d.text("n", x, y+4.5, strconv.Itoa(n))
}

// breaker draws a breaker or a switch in a vertical or a horizontal lead, over it.
func (d *drawing) breaker(x, y float64, vertical bool) {
	if vertical {
		d.box(x-9, y-14, 18, 28)
		d.path("l", x-5, y+10, x+5, y-10)
		return
	}
	d.box(x-14, y-9, 28, 18)
	d.path("l", x-10, y+5, x+10, y-5)
}

// middleOf returns where the posts of battery i are.
func middleOf(i int) float64 { return left + float64(i)*pitch + batteryW/2 }

// high reports whether the bank is of 24 V.
func (d *drawing) high() bool { return d.layout.Blocks() > 1 }

// power draws the bank, the feed and the motor. The leads of each are on opposite ends: of the batteries, or
// of the strings.
func (d *drawing) power() {
	all := d.cfg.Bank.Batteries
	strings := d.layout.Strings(len(all))
	plus, plusLast := middleOf(d.layout.Highest(0)), middleOf(d.layout.Highest(strings-1))
	first, last := middleOf(d.layout.Lowest(0)), middleOf(d.layout.Lowest(strings-1))
	right := plusLast + 150
	feedFuse, motorFuse := feedFuse, motorFuse
	if d.high() { // half the current for the same power; two strings have a larger motor
		feedFuse, motorFuse = "charge breaker 20 A", "motor breaker 80 A"
		if strings > 1 {
			feedFuse, motorFuse = "charge breaker 30 A", "motor breaker 125 A"
		}
	}
	d.text("h", 20, 30, "Unit "+d.cfg.Unit.ID+": where each signal is taken")

	d.box(20, plusY-34, 130, 68) // feed
	d.text("m", 85, plusY-8, "DC-DC")
	d.text("m", 85, plusY+10, "converter")
	d.text("s", 20, plusY-42, "from the tractor")
	d.point("feed_input", 20, plusY-20)
	if _, have := d.number["ambient_temperature"]; have {
		d.point("ambient_temperature", 36, minusY-20)
		d.text("s", 20, minusY+4, "outside air")
	}
	d.point("wake_line", 20, plusY+22)
	d.text("s", 20, plusY+50, "wake line")
	d.path("w", 150, plusY, plus, plusY)
	d.breaker(215, plusY, false)
	d.text("s m", 222, plusY-16, feedFuse)
	d.point("feed_voltage", 176, plusY)
	d.point("indicator_line", 150, plusY+22)
	d.path("w", 110, plusY+34, 110, minusY+50, last+24, minusY+50, last+24, minusY, last, minusY)
	d.text("s", 117, minusY+44, "feed leads "+feedCable)

	if strings > 1 {
		d.path("w", plus, plusY, plusLast, plusY)
		d.path("w", first, minusY, last, minusY)
		d.text("s", plus+12, plusY-8, "links "+bankCable)
	}
	for i := range all {
		d.battery(i)
	}

	d.path("w", plusLast, plusY, right, plusY, right, minusY+20) // motor
	d.breaker(right-62, plusY, false)
	d.text("s m", right-62, plusY-16, "disconnect")
	d.point("disconnect", right-62, plusY+24)
	d.breaker(right, plusY+40, true)
	d.text("s", right+16, plusY+44, motorFuse)
	d.breaker(right, plusY+90, true)
	d.text("s", right+16, plusY+88, "contactor,")
	d.text("s", right+16, plusY+103, "coil by the control")
	d.text("s", right+16, plusY+118, "("+controlled+")")
	d.point("motor_command", right-26, plusY+90)
	d.point("control_voltage", right-26, plusY+118)
	fmt.Fprintf(d, `<circle class="b" cx="%.0f" cy="%.0f" r="34"/>`+"\n", right, minusY-60)
	d.text("m", right, minusY-63, "pump")
	d.text("m", right, minusY-46, "motor")
	d.point("motor_voltage", right, minusY-100)
	d.point("oil_pressure", right+40, minusY-60)
	d.path("w", right, minusY-26, right, minusY+74, first-24, minusY+74, first-24, minusY, first, minusY)
	d.text("s", first+4, minusY+68, "motor leads "+bankCable)
}

// shunt reports whether a battery's current flows through a shunt, and not through a ring.
func (d *drawing) shunt(battery string) bool {
	for i := range d.cfg.Board.Channels {
		if ch := &d.cfg.Board.Channels[i]; ch.Signal == config.BatteryCurrent && ch.Battery == battery {
			return ch.Scale.Kind == config.Shunt
		}
	}
	return false
}

func chemistry(c config.Chemistry) string {
	if c == "agm" {
		return "AGM"
	}
	return string(c)
}

// battery draws a battery between the rails, or between a rail and the next battery of its string, with what
// is measured there.
func (d *drawing) battery(i int) {
	b := d.cfg.Bank.Batteries[i]
	middle, x := middleOf(i), middleOf(i)-batteryW/2
	if i == d.layout.Highest(d.layout.StringOf(i)) {
		d.path("w", middle, plusY, middle, postY)
	} else { // its positive post is the middle of the string, where the next one stands
		turn, up := middle+pitch/2, middleOf(i+1)
		d.path("w", middle, postY, middle, middleY, turn, middleY, turn, lowY, up, lowY, up, postY+batteryH)
		d.text("s", turn+4, lowY+18, "middle: link "+bankCable)
	}
	if _, stands := d.layout.Below(i); !stands {
		d.path("w", middle, postY+batteryH, middle, minusY)
	}
	d.box(x, postY, batteryW, batteryH)
	d.text("h m", middle, postY+38, "Battery "+b.ID)
	d.text("s m", middle, postY+55, chemistry(b.Chemistry))
	d.text("s m", middle, postY+71, fmt.Sprintf("%g Ah, %g A cold", b.RatedAh, b.RatedCCA))
	d.text("h", middle+8, postY+17, "+")
	d.text("h", middle+8, postY+batteryH-5, "−")
	switch {
	case d.number["battery_current_"+b.ID] == 0: // of a string, one sensor is enough
	case d.shunt(b.ID):
		d.box(middle-9, plusY+22, 18, 28)
	default:
		fmt.Fprintf(d, `<ellipse class="b" cx="%.0f" cy="%.0f" rx="17" ry="7"/>`+"\n", middle, plusY+36)
		d.path("w", middle, plusY+30, middle, plusY+42)
	}
	if d.number["battery_current_"+b.ID] != 0 {
		d.path("l", middle+24, plusY+26, middle+24, plusY+46, middle+21, plusY+40, middle+24, plusY+46, middle+27, plusY+40)
	}
	d.point("battery_current_"+b.ID, middle-34, plusY+36)
	d.point("battery_voltage_"+b.ID, middle-20, postY)
	d.point("battery_negative_"+b.ID, middle-20, postY+batteryH)
	d.point("battery_temperature_"+b.ID, x+batteryW, postY+20)
	if b.ID == d.cfg.Bank.Batteries[0].ID { // the board's ground
		y := postY + batteryH + 22
		d.path("l", middle, y, middle-44, y, middle-44, y+8)
		d.path("l", middle-54, y+8, middle-34, y+8)
		d.path("l", middle-50, y+12, middle-38, y+12)
		d.text("s e", middle-60, y+14, "board's ground")
	}
}

// terminals draws each pin with the way to it, and returns where it ends.
func (d *drawing) terminals(y float64) float64 {
	d.text("h", 20, y, "How each signal gets to its pin")
	for i := range d.cfg.Board.Chips {
		chip := &d.cfg.Board.Chips[i]
		place := "driven by the kernel"
		if a := chip.Address(); a != 0 {
			place = fmt.Sprintf("at 0x%02x of %s", a, d.cfg.Board.I2CBus)
		}
		top := y + 14
		for k := range d.cfg.Board.Channels {
			if ch := &d.cfg.Board.Channels[k]; ch.Chip == chip.Name {
				y += rowH
				d.channel(ch, y)
			}
		}
		d.box(780, top, 200, y-top+22)
		d.text("h", 850, top+22, chip.Name)
		d.text("s", 850, top+40, chip.Kind)
		d.text("s", 850, top+56, place)
		for k, row := 0, top+rowH-14; k < len(d.cfg.Board.Channels); k++ {
			if ch := &d.cfg.Board.Channels[k]; ch.Chip == chip.Name {
				d.text("", 790, row+5, ch.Input.Name())
				row += rowH
			}
		}
		y += 34
	}
	if len(d.cfg.Board.Contacts) > 0 {
		top := y + 14
		for i := range d.cfg.Board.Contacts {
			y += rowH
			d.contact(&d.cfg.Board.Contacts[i], y)
		}
		d.box(780, top, 200, y-top+22)
		d.text("h", 870, top+22, "GPIO")
		for i, c := range d.cfg.Board.Contacts {
			d.text("", 790, top+rowH-9+float64(i)*rowH, c.Pin)
		}
		y += 34
	}
	notes := []string{
		"Every tap has a fuse of " + tapFuse + " within 150 mm of its post, and wire of " + tapWire + "; taps and their ground in one loom.",
		"The board's ground is joined to the bank at one point only, the negative post of battery " + d.cfg.Bank.Batteries[0].ID + ".",
		"The arrow beside a current sensor is the way of a charge: positive. No pin may see more than its chip's supply.",
		"Short circuit, acid, hydrogen: disconnect and lock out first; cover the posts; insulated tools. Local codes and the makers' manuals decide.",
	}
	if d.high() {
		notes = append(notes, "All taps are over one ground, so what an upper battery has is the difference of two: equal dividers of 0.1 % for both.")
	}
	for _, line := range notes {
		y += 20
		d.text("s", 20, y, line)
	}
	return y + 20
}

// said is where a signal is taken, in words.
var said = map[config.Signal]string{
	config.BatteryVoltage: "positive post of %s", config.BatteryNegative: "negative post of %s",
	config.BatteryCurrent: "current of %s", config.BatteryTemperature: "case of %s",
	config.FeedVoltage: "feed, ahead of its breaker", config.MotorVoltage: "motor terminal",
	config.FeedInput: "converter's input", config.ControlVoltage: "controls, behind breaker",
	config.AmbientTemperature: "outside air", config.OilPressure: "oil pressure at pump",
}

func (d *drawing) channel(ch *config.Channel, y float64) {
	place := said[ch.Signal]
	switch {
	case place == "":
		place = strings.ReplaceAll(string(ch.Signal), "_", " ")
	case ch.Battery != "":
		place = fmt.Sprintf(place, ch.Battery) + d.middle(ch)
	}
	d.point(ch.Name(), 32, y)
	d.text("", 52, y+5, place)
	s := &ch.Scale
	switch s.Kind {
	case config.Divider:
		d.path("l", 250, y, 780, y)
		d.box(276, y-7, 44, 14)
		d.text("s m", 298, y-11, "fuse "+tapFuse)
		if s.TopOhm > 0 {
			d.box(400, y-7, 60, 14)
			d.text("s m", 430, y-11, ohms(s.TopOhm))
			d.path("l", 600, y, 600, y+6)
			d.box(570, y+6, 60, 12)
			d.text("s", 636, y+17, ohms(s.BottomOhm)+" to ground")
		} else {
			d.text("s", 400, y-5, "straight to the chip's input")
		}
	case config.Hall:
		d.path("l", 560, y, 780, y)
		d.box(250, y-13, 310, 26)
		d.text("s", 258, y+4, fmt.Sprintf("sensor: %s at 0 A, %s per A", volts(s.ZeroV), volts(s.VPerA)))
	case config.Shunt:
		d.path("l", 560, y-4, 780, y-4)
		d.path("l", 560, y+4, 780, y+4)
		d.box(250, y-13, 310, 26)
		gain := ", twisted pair, no amplifier"
		if s.Gain != 1 && s.Gain != -1 {
			gain = fmt.Sprintf(", amplifier × %g, %s at 0 A", s.Gain, volts(s.ZeroV))
		}
		d.text("s", 258, y+4, "shunt "+ohms(s.ShuntOhm)+gain)
	case config.NTCBeta, config.NTCSteinhartHart:
		d.path("l", 560, y, 780, y)
		d.box(250, y-13, 310, 26)
		of := "thermistor"
		if s.R25Ohm > 0 {
			of += " " + ohms(s.R25Ohm) + " at 25 °C"
		}
		d.text("s", 258, y+4, of+" to ground")
		d.text("s", 580, y-5, ohms(s.PullupOhm)+" up to "+volts(s.SupplyV))
	case config.Pressure:
		d.path("l", 560, y, 780, y)
		d.box(250, y-13, 310, 26)
		d.text("s", 258, y+4, fmt.Sprintf("transducer: %s at 0, %s at %g bar", volts(s.ZeroV), volts(s.FullScaleV), s.FullScaleBar))
	default:
		d.path("l", 560, y, 780, y)
		d.box(250, y-13, 310, 26)
		d.text("s", 258, y+4, "sensor with a voltage output")
	}
}

// middle says of a tap that it is in the middle of a string.
func (d *drawing) middle(ch *config.Channel) string {
	i := slices.IndexFunc(d.cfg.Bank.Batteries, func(b config.Battery) bool { return b.ID == ch.Battery })
	_, stands := d.layout.Below(max(i, 0))
	lower := i >= 0 && i != d.layout.Highest(d.layout.StringOf(i))
	if ch.Signal == config.BatteryVoltage && lower || ch.Signal == config.BatteryNegative && stands {
		return " (middle)"
	}
	return ""
}

// contacts are where each contact is taken.
var contacts = map[config.ContactSignal]string{
	config.WakeLine: "wake line (ignition)", config.MotorCommand: "contactor's coil", config.Disconnect: "disconnect's own contact",
	config.IndicatorLine: "charging lamp's line",
}

func (d *drawing) contact(c *config.Contact, y float64) {
	place := contacts[c.Signal]
	line := "12 V line"
	switch {
	case d.high() && c.Signal == config.WakeLine: // the tractor's
		line = "12 V or 24 V line"
	case d.high():
		line = "24 V line"
	}
	how := line + ": through an optocoupler, fuse " + tapFuse
	switch {
	case place == "":
		place = strings.ReplaceAll(string(c.Signal), "_", " ")
	case c.Signal == config.Disconnect:
		how = "dry contact to ground"
	case c.Signal == config.IndicatorLine:
		how = line + " behind the lamp's fuse 2 A: through an optocoupler"
	}
	d.point(string(c.Signal), 32, y)
	d.text("", 52, y+5, place)
	d.path("l", 560, y, 780, y)
	d.box(250, y-13, 310, 26)
	d.text("s", 258, y+4, how)
	level := "on when low"
	if !c.ActiveLow {
		level = "on when high"
	}
	pull := map[config.Pull]string{config.PullUp: ", pulled up", config.PullDown: ", pulled down"}[c.Pull]
	d.text("s", 580, y-5, level+pull)
}

// ohms writes a resistance with its prefix.
func ohms(v float64) string {
	return prefixed(v, "Ω")
}

func volts(v float64) string { return prefixed(v, "V") }

func prefixed(v float64, unit string) string {
	for _, p := range []struct {
		from, by float64
		prefix   string
	}{{1e6, 1e-6, "M"}, {1e3, 1e-3, "k"}, {1, 1, ""}, {0, 1e3, "m"}} {
		if size := max(v, -v); size >= p.from {
			return strconv.FormatFloat(v*p.by, 'g', 4, 64) + " " + p.prefix + unit
		}
	}
	return strconv.FormatFloat(v, 'g', 4, 64) + " " + unit
}
