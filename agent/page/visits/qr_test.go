package visits

import (
	"image"
	"image/color"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var qrRun = regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`)

// drawn draws the path of a code as a browser does, each module so many pixels.
func drawn(t *testing.T, v *qrView, pixels int) image.Image {
	img := image.NewGray(image.Rect(0, 0, v.Size*pixels, v.Size*pixels))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	rest := v.Path
	for _, m := range qrRun.FindAllStringSubmatch(v.Path, -1) {
		n := [4]int{}
		for i := range n {
			var err error
			n[i], err = strconv.Atoi(m[i+1])
			require.NoError(t, err)
		}
		require.Equal(t, n[2], n[3])
		for y := range pixels {
			for x := range n[2] * pixels {
				img.Set(n[0]*pixels+x, n[1]*pixels+y, color.Black)
			}
		}
		rest = strings.Replace(rest, m[0], "", 1)
	}
	assert.Empty(t, rest, "nothing else is in the path")
	return img
}

// Another library, a port of ZXing, reads what we draw.
func TestQRCodeIsReadByAnother(t *testing.T) {
	for _, text := range []string{
		"http://192.168.4.1:8080/visits/20260309t183005-f2e1d21dacfbdbd1",
		"https://lift-4017.local/visits/20260309t183005-f2e1d21dacfbdbd1", "http://[fe80::1]/v", "http://a.example/?ñ=á",
	} {
		v := qrOf(text)
		require.NotNil(t, v)
		img, err := gozxing.NewBinaryBitmapFromImage(drawn(t, v, 4))
		require.NoError(t, err)
		got, err := qrcode.NewQRCodeReader().Decode(img, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
		require.NoError(t, err)
		assert.Equal(t, text, got.GetText())
	}
	assert.Nil(t, qrOf(strings.Repeat("x", 5000)), "too long")
}
