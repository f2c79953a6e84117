package qr

import (
	"bytes"
	"encoding/xml"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/outside"
)

// drawn reads the picture back from the SVG, four pixels a module.
func drawn(t *testing.T, svg string) *image.Gray {
	t.Helper()
	var doc struct {
		ViewBox string `xml:"viewBox,attr"`
		Paths   []struct {
			D string `xml:"d,attr"`
		} `xml:"path"`
	}
	require.NoError(t, xml.Unmarshal([]byte(svg), &doc))
	require.Len(t, doc.Paths, 2)
	side, err := strconv.Atoi(strings.Fields(doc.ViewBox)[2])
	require.NoError(t, err)
	const px = 4
	img := image.NewGray(image.Rect(0, 0, px*side, px*side))
	for i := range img.Pix {
		img.Pix[i] = 0xff
	}
	bars := regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`)
	all := bars.FindAllStringSubmatch(doc.Paths[1].D, -1)
	assert.Empty(t, bars.ReplaceAllString(doc.Paths[1].D, ""), "nothing else is in the path")
	for _, m := range all {
		var n [4]int
		for i := range n {
			n[i], _ = strconv.Atoi(m[i+1])
		}
		require.Equal(t, n[2], n[3])
		for y := px * n[1]; y < px*(n[1]+1); y++ {
			for x := px * n[0]; x < px*(n[0]+n[2]); x++ {
				img.SetGray(x, y, color.Gray{})
			}
		}
	}
	return img
}

// An independent reader, ZBar's zbarimg, takes from the picture what went in.
func TestAReaderReadsIt(t *testing.T) {
	reader := outside.Program(t, "zbarimg", "zbar-tools")
	for name, text := range map[string]string{
		"short":    "http://lift-7.local:8480/",
		"capitals": "HTTP://LIFT-7.LOCAL/",
		"digits":   "4017",
		"TLS":      "https://unit-4017.yard.example:8443/visits/20261008T093000Z-1/report?lang=es",
		"network":  `WIFI:T:WPA;S:lift-7;P:correct\;horse;;`,
		"longest":  "http://lift-7.local/" + strings.Repeat("abcdefghi/", 49) + "xy",
	} {
		t.Run(name, func(t *testing.T) {
			c, err := New(text)
			require.NoError(t, err)
			file := filepath.Join(t.TempDir(), "code.png")
			var b bytes.Buffer
			require.NoError(t, png.Encode(&b, drawn(t, string(c.SVG("a code")))))
			require.NoError(t, os.WriteFile(file, b.Bytes(), 0o600))
			out, err := exec.Command(reader, "--quiet", "--nodbus", "--raw", "-Sdisable", "-Sqrcode.enable", file).Output()
			require.NoError(t, err)
			assert.Equal(t, text, strings.TrimSuffix(string(out), "\n"))
		})
	}
}

// ISO/IEC 18004: a side has 17 + 4 v modules, three finder patterns of 1:1:3:1:1 stand in its corners, and four
// modules around it are white.
func TestShape(t *testing.T) {
	c, err := New("http://lift-7.local:8480/")
	require.NoError(t, err)
	side := c.Side() - 2*Quiet
	assert.Zero(t, (side-17)%4)
	img := drawn(t, string(c.SVG("")))
	dark := func(x, y int) bool { return img.GrayAt(4*(x+Quiet)+1, 4*(y+Quiet)+1).Y == 0 }
	for _, corner := range [][2]int{{0, 0}, {side - 7, 0}, {0, side - 7}} {
		var row, column string
		for i := range 7 {
			row += map[bool]string{true: "#", false: "."}[dark(corner[0]+i, corner[1]+3)]
			column += map[bool]string{true: "#", false: "."}[dark(corner[0]+3, corner[1]+i)]
		}
		assert.Equal(t, "#.###.#", row)
		assert.Equal(t, "#.###.#", column)
	}
	assert.False(t, dark(side-4, side-4) && dark(side-7, side-7) && dark(side-1, side-1), "no finder in the fourth corner")
	for i := -Quiet; i < side+Quiet; i++ {
		for b := 1; b <= Quiet; b++ {
			assert.False(t, dark(i, -b) || dark(i, side-1+b) || dark(-b, i) || dark(side-1+b, i), "white border")
		}
	}
}

func TestRefused(t *testing.T) {
	for _, text := range []string{"", strings.Repeat("x", MostBytes+1)} {
		_, err := New(text)
		require.ErrorContains(t, err, "want 1 to 512")
	}
	for _, text := range []string{"grúa", "a\nb", "\x00"} {
		_, err := New(text)
		require.ErrorContains(t, err, "percent-encoded", text)
	}
}

func TestTheNameIsText(t *testing.T) {
	c, err := New("4017")
	require.NoError(t, err)
	assert.NotContains(t, string(c.SVG(`"><script>`)), "<script>")
}
