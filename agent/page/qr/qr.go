// Package qr draws a text as a QR code (ISO/IEC 18004), for a sticker, a report or a page.
package qr

import (
	"fmt"
	"html/template"
	"strconv"

	"rsc.io/qr"
)

// Quiet is the white border in modules, at least four by the standard.
const Quiet = 4

// MostBytes is how long a text may be: what is longer makes modules too small for a phone to read off a sticker.
const MostBytes = 512

// Code is a text as a square of modules.
type Code struct{ code *qr.Code }

// New encodes a text so that a seventh of the code may be dirty or torn (level M).
func New(text string) (Code, error) {
	if text == "" || len(text) > MostBytes {
		return Code{}, fmt.Errorf("QR code: a text of %d bytes: want 1 to %d", len(text), MostBytes)
	}
	for _, b := range []byte(text) {
		if b < ' ' || b > '~' { // without a named encoding, readers guess what other bytes mean
			return Code{}, fmt.Errorf("QR code: %.40q: want an address, percent-encoded where it is not ASCII", text)
		}
	}
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return Code{}, fmt.Errorf("QR code: %w", err)
	}
	return Code{c}, nil
}

// Side is how many modules a side has, border included.
func (c Code) Side() int { return c.code.Size + 2*Quiet }

// Path returns the dark modules as the data of an SVG path; a module is one unit and the border is left free.
func (c Code) Path() string {
	var d []byte
	for y := range c.code.Size {
		for x := 0; x < c.code.Size; x++ {
			from := x
			for c.code.Black(x, y) {
				x++
			}
			if n := x - from; n > 0 {
				d = append(d, 'M')
				d = strconv.AppendInt(d, int64(from+Quiet), 10)
				d = append(d, ' ')
				d = strconv.AppendInt(d, int64(y+Quiet), 10)
				d = append(d, 'h')
				d = strconv.AppendInt(d, int64(n), 10)
				d = append(d, "v1h-"...)
				d = strconv.AppendInt(d, int64(n), 10)
				d = append(d, 'z')
			}
		}
	}
	return string(d)
}

// SVG returns the code as a picture with a name for those who don't see it. It is black on white in
// dark surroundings, too: few readers take it reversed.
func (c Code) SVG(name string) template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="qr" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %[1]d %[1]d" `+
		`role="img" aria-label="%[2]s" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h%[1]dv%[1]dH0z"/>`+
		`<path fill="#000" d="%[3]s"/></svg>`, c.Side(), template.HTMLEscapeString(name), c.Path()))
}
