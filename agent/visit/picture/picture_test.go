package picture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

func of(b []byte) func() (io.ReadCloser, error) {
	return func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(b)), nil }
}

// quarters is a picture whose four quarters have colors of their own: red, green over blue, white.
func quarters(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := [4]color.RGBA{{200, 0, 0, 255}, {0, 200, 0, 255}, {0, 0, 200, 255}, {250, 250, 250, 255}}
			img.SetRGBA(x, y, c[2*(y*2/h)+x*2/w])
		}
	}
	return img
}

func asJPEG(t testing.TB, img image.Image) []byte {
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, &jpeg.Options{Quality: 95}))
	return b.Bytes()
}

func asPNG(t testing.TB, img image.Image) []byte {
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, img))
	return b.Bytes()
}

// turned puts an Exif segment with an orientation, and the place of the photo, behind a JPEG's first
// marker.
func turned(b []byte, turn uint16) []byte {
	exif := []byte("Exif\x00\x00MM\x00\x2a\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01")
	exif = binary.BigEndian.AppendUint16(exif, turn)
	exif = append(exif, "\x00\x00\x00\x00\x00\x00secret place 60.17 N"...)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, binary.BigEndian.AppendUint16(nil, uint16(len(exif)+2))...)
	return append(append(out, exif...), b[2:]...)
}

func name(c color.Color) string {
	r, g, b, _ := c.RGBA()
	switch {
	case r > 0x8000 && g > 0x8000 && b > 0x8000:
		return "white"
	case r > g && r > b:
		return "red"
	case g > b:
		return "green"
	}
	return "blue"
}

// Upright after all eight ways of holding a camera (CIPA DC-008, tag 0x0112: which edge of what is
// stored is up and left in the scene), small, and nothing of what the camera wrote is left.
func TestShrinkMakesUpright(t *testing.T) {
	stored := asJPEG(t, quarters(320, 200))
	for turn, want := range map[uint16]string{
		1: "red green blue white", 2: "green red white blue", 3: "white blue green red", 4: "blue white red green",
		5: "red blue green white", 6: "blue red white green", 7: "white green blue red", 8: "green white red blue",
		0: "red green blue white", 9: "red green blue white",
	} {
		s, err := Shrink(of(turned(stored, turn)))
		require.NoError(t, err)
		img, err := jpeg.Decode(bytes.NewReader(s.JPEG))
		require.NoError(t, err)
		w, h := img.Bounds().Dx(), img.Bounds().Dy()
		assert.Equal(t, 320, max(w, h))
		assert.Equal(t, turn >= 5 && turn <= 8, h > w, turn)
		assert.Equal(t, []int{s.Width, s.Height}, []int{w, h})
		got := fmt.Sprint(name(img.At(w/4, h/4)), " ", name(img.At(3*w/4, h/4)), " ", name(img.At(w/4, 3*h/4)), " ",
			name(img.At(3*w/4, 3*h/4)))
		assert.Equal(t, want, got, turn)
		assert.NotContains(t, string(s.JPEG), "secret")
		assert.NotContains(t, string(s.JPEG), "Exif")
		assert.LessOrEqual(t, len(s.JPEG), MaxBytes)
	}
}

// Kinds of pixels that come: all come out as a small JPEG of the same scene.
func TestShrinkTakesAllKinds(t *testing.T) {
	q := quarters(300, 200)
	gray, nrgba, deep := image.NewGray(q.Rect), image.NewNRGBA(q.Rect), image.NewNRGBA64(q.Rect)
	pal := image.NewPaletted(q.Rect, color.Palette{color.RGBA{200, 0, 0, 255}, color.RGBA{0, 200, 0, 255},
		color.RGBA{0, 0, 200, 255}, color.RGBA{250, 250, 250, 255}})
	for y := range 200 {
		for x := range 300 {
			gray.Set(x, y, q.At(x, y))
			nrgba.Set(x, y, q.At(x, y))
			deep.Set(x, y, q.At(x, y))
			pal.Set(x, y, q.At(x, y))
		}
	}
	for i, b := range [][]byte{
		asJPEG(t, q), asPNG(t, nrgba), asPNG(t, deep), asPNG(t, pal), asPNG(t, q), asJPEG(t, gray), asPNG(t, gray),
	} {
		s, err := Shrink(of(b))
		require.NoError(t, err, i)
		img, err := jpeg.Decode(bytes.NewReader(s.JPEG))
		require.NoError(t, err)
		assert.Equal(t, []int{300, 200}, []int{s.Width, s.Height}, "it is not made larger")
		assert.Equal(t, "white", name(img.At(250, 150)))
		if i < 5 {
			assert.Equal(t, "red", name(img.At(50, 50)), i)
		}
	}
	clear := image.NewNRGBA(image.Rect(0, 0, 50, 50))
	s, err := Shrink(of(asPNG(t, clear)))
	require.NoError(t, err)
	img, _ := jpeg.Decode(bytes.NewReader(s.JPEG))
	assert.Equal(t, "white", name(img.At(25, 25)), "what lets light through is on white")
}

// noise can't be packed: its quality and then its size go down until it fits.
func noise(w, h int) *image.YCbCr {
	img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	r := rand.NewChaCha8([32]byte{1})
	_, _ = r.Read(img.Y)
	_, _ = r.Read(img.Cb)
	_, _ = r.Read(img.Cr)
	return img
}

func TestShrinkFitsItsBound(t *testing.T) {
	slowtest.SkipUnderRace(t)
	s, err := Shrink(of(asJPEG(t, quarters(1600, 1000))))
	require.NoError(t, err)
	assert.Equal(t, []int{MaxSide, 800}, []int{s.Width, s.Height})
	s, err = Shrink(of(asJPEG(t, noise(900, 900))))
	require.NoError(t, err)
	assert.LessOrEqual(t, len(s.JPEG), MaxBytes)
	assert.Less(t, s.Width, 900)
}

// pngHead is a PNG that says it has that many pixels.
func pngHead(w, h uint32, depth, kind, laced byte) []byte {
	b := []byte(pngMark + "\x00\x00\x00\x0dIHDR")
	b = binary.BigEndian.AppendUint32(b, w)
	b = binary.BigEndian.AppendUint32(b, h)
	b = append(b, depth, kind, 0, 0, laced)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[12:]))
}

// jpegHead is a JPEG that says it has that many pixels.
func jpegHead(w, h uint16, marker byte, shares ...byte) []byte {
	b := []byte{0xff, 0xd8, 0xff, marker, 0, byte(8 + 3*len(shares)), 8, byte(h >> 8), byte(h), byte(w >> 8), byte(w),
		byte(len(shares))}
	for i, s := range shares {
		b = append(b, byte(i+1), s, 0)
	}
	return append(b, 0xff, 0xda, 0, 2)
}

// What says that it is huge is refused by its head, in little memory; what is no picture, too.
func TestShrinkRefuses(t *testing.T) {
	good := asJPEG(t, quarters(200, 200))
	for what, b := range map[string][]byte{
		"a PNG bomb": pngHead(65535, 65535, 8, 2, 0), "more than there are": pngHead(1<<31-1, 1<<31-1, 16, 6, 1),
		"a JPEG bomb": jpegHead(65535, 65535, 0xc0, 0x22, 0x11, 0x11), "a long one": pngHead(60000, 8, 8, 0, 0),
		"a progressive one of 12 million": jpegHead(4032, 3024, 0xc2, 0x22, 0x11, 0x11),
		"one of 50 million":               jpegHead(8160, 6120, 0xc0, 0x22, 0x11, 0x11),
		"full colors, 12 million":         jpegHead(4032, 3024, 0xc0, 0x11, 0x11, 0x11),
		"odd shares":                      jpegHead(3000, 3000, 0xc0, 0x11, 0x22, 0x22),
	} {
		allocated := testing.AllocsPerRun(1, func() {
			_, err := Shrink(of(b))
			_, large := errors.AsType[*TooLargeError](err)
			assert.True(t, large, "%s: %v", what, err)
		})
		assert.Less(t, allocated, 200.0, what)
	}
	for what, b := range map[string][]byte{
		"nothing": {}, "text": []byte("not a picture at all"), "a GIF": []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"),
		"a page": []byte("<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>"),
		"HEIC":   []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), "half a JPEG": good[:len(good)/2],
		"a head alone": good[:20], "a JPEG's mark": good[:3], "no pixels": pngHead(0, 0, 8, 2, 0),
		"a PNG's head": pngHead(100, 100, 8, 2, 0), "a PNG's mark": []byte(pngMark), "a dot": asPNG(t, quarters(2, 2)),
		"two frames": append(jpegHead(100, 100, 0xc0, 0x11)[:13], jpegHead(100, 100, 0xc0, 0x11)[2:]...),
		"no size":    {0xff, 0xd8, 0xff, 0xe1, 0, 0}, "12 bits": append([]byte{0xff, 0xd8, 0xff, 0xc0, 0, 11, 12}, make([]byte, 8)...),
		"a long note": append([]byte{0xff, 0xd8, 0xff}, bytes.Repeat([]byte{0xfe, 0xff, 0xff, 0xff}, 1<<18)...),
	} {
		_, err := Shrink(of(b))
		assert.ErrorIs(t, err, ErrNoPicture, what)
	}
	for brand, is := range map[string]bool{"heic": true, "heix": true, "mif1": true, "avif": true, "isom": false, "mp42": false, "heif": false} {
		_, err := Shrink(of([]byte("\x00\x00\x00\x18ftyp" + brand + "\x00\x00\x00\x00mif1heic")))
		assert.Equal(t, is, errors.Is(err, ErrHEIC), brand)
		assert.ErrorIs(t, err, ErrNoPicture, brand)
	}
	for _, short := range []string{"\x00\x00\x00\x18ftyp", "\x00\x00\x00\x18ftyphei"} {
		_, err := Shrink(of([]byte(short)))
		assert.ErrorIs(t, err, ErrNoPicture)
		assert.NotErrorIs(t, err, ErrHEIC)
	}
	_, err := Shrink(func() (io.ReadCloser, error) { return nil, os.ErrPermission })
	assert.ErrorIs(t, err, os.ErrPermission)
}

// childPhoto names the photo that the test below has another process read.
const childPhoto = "LIFTBANK_TEST_PHOTO"

// The largest photo that is taken, a usual one of 12 million pixels, leaves the service within its
// memory: 64 MiB in all, of which the rest uses 38 at most. It is read by a process of its own with the
// service's limits, whose peak the system tells.
func TestPeakOfMemory(t *testing.T) {
	if path := os.Getenv(childPhoto); path != "" {
		s, err := Shrink(func() (io.ReadCloser, error) { return os.Open(path) })
		if err != nil || s.Width != MaxSide {
			t.Fatal(s, err)
		}
		status, err := os.ReadFile("/proc/self/status")
		require.NoError(t, err)
		fmt.Printf("peak %s kB\n", regexp.MustCompile(`VmHWM:\s*(\d+)`).FindSubmatch(status)[1])
		return
	}
	slowtest.SkipUnderRace(t) // it takes memory of its own
	if _, err := os.Stat("/proc/self/status"); err != nil {
		t.Skip("no /proc: the peak of a process's memory is read from Linux")
	}
	peak := func(w, h int) int {
		img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
		for i := range img.Y {
			img.Y[i] = uint8(i / w)
		}
		path := filepath.Join(t.TempDir(), "photo.jpg")
		require.NoError(t, os.WriteFile(path, asJPEG(t, img), 0o600))
		cmd := exec.Command(os.Args[0], "-test.run=^TestPeakOfMemory$")
		cmd.Env = append(os.Environ(), childPhoto+"="+path, "GOMEMLIMIT=48MiB")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		m := regexp.MustCompile(`peak (\d+) kB`).FindSubmatch(out)
		require.NotNil(t, m, string(out))
		kB, err := strconv.Atoi(string(m[1]))
		require.NoError(t, err)
		return kB
	}
	small, large := peak(1300, 1000), peak(4032, 3024)
	t.Logf("peak of a process: %d kB with a small photo, %d kB with the largest", small, large)
	assert.Less(t, large-small, (64-38)<<10, "more than the service has left")
}

func FuzzShrink(f *testing.F) {
	f.Add(asJPEG(f, quarters(40, 30)))
	f.Add(turned(asJPEG(f, quarters(40, 30)), 6))
	f.Add(asPNG(f, quarters(40, 30)))
	f.Add(pngHead(65535, 65535, 8, 2, 1))
	f.Add(jpegHead(4032, 3024, 0xc2, 0x22, 0x11, 0x11))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00II*\x00\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Shrink(of(b))
		if err != nil {
			_, large := errors.AsType[*TooLargeError](err)
			require.True(t, large || errors.Is(err, ErrNoPicture), err)
			return
		}
		img, err := jpeg.Decode(bytes.NewReader(s.JPEG))
		require.NoError(t, err)
		require.LessOrEqual(t, max(img.Bounds().Dx(), img.Bounds().Dy()), MaxSide)
		require.LessOrEqual(t, len(s.JPEG), MaxBytes)
	})
}
