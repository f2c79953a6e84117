package visits

import (
	"fmt"
	"strings"

	qr "github.com/piglig/go-qr"
)

// qrView is a QR code as the template draws it.
type qrView struct {
	Text string
	Size int    // of its side, in modules, with the quiet zone
	Path string // of its dark modules
}

// quietZone is how many light modules a code has around it. Source: ISO/IEC 18004.
const quietZone = 4

// qrOf returns the QR code of a text, nil where it is too long for one.
func qrOf(text string) *qrView {
	code, err := qr.EncodeText(text, qr.Medium)
	if err != nil {
		return nil
	}
	var path strings.Builder
	for y := range code.Size() {
		for x := 0; x < code.Size(); x++ {
			from := x
			for x < code.Size() && code.Module(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+quietZone, y+quietZone, x-from, x-from)
			}
		}
	}
	return &qrView{Text: text, Size: code.Size() + 2*quietZone, Path: path.String()}
}
