// Package picture makes a photo small: whatever camera it comes from, what is kept is a JPEG of at
// most [MaxSide] pixels a side and [MaxBytes], upright and without what the camera wrote about place
// and time. What would take more memory than [MaxMemory] to read is refused before it is read.
package picture

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
)

// Bounds; our choice. The service has 64 MiB for everything, of which it uses 38 at most otherwise.
// A usual photo of 12 million pixels (baseline JPEG with halved colors) takes 17.4 MiB to read.
const (
	MaxSide   = 1280      // pixels of what is kept
	MaxBytes  = 200_000   // of what is kept
	MaxMemory = 20 << 20  // bytes that reading may take
	maxEdge   = 20_000    // pixels of what is sent, a side
	minEdge   = 8         // pixels: below, there is nothing to see
	headBytes = 512 << 10 // before the pixels: notes of the camera, its own small picture
)

// ErrNoPicture is a file that is no JPEG or PNG, or a damaged one.
var ErrNoPicture = errors.New("picture: want a JPEG or PNG photo")

// ErrHEIC is a photo as phones keep it unless they are told otherwise. It is not read: a decoder of HEVC in pure Go that has
// proved itself does not exist, and a photo of 12 million pixels would take more than [MaxMemory]. The phone makes a
// JPEG of it when asked to. It is an [ErrNoPicture], too.
var ErrHEIC = fmt.Errorf("%w: this one is HEIC", ErrNoPicture)

// TooLargeError is a picture with more pixels than there is memory for.
type TooLargeError struct {
	Width, Height int
	Memory        int64 // bytes that reading it takes
}

func (e *TooLargeError) Error() string {
	return fmt.Sprintf("picture: %d x %d pixels take %d MiB to read: want at most %d",
		e.Width, e.Height, e.Memory>>20, MaxMemory>>20)
}

// Small is a picture as it is kept.
type Small struct {
	JPEG          []byte
	Width, Height int
}

// Shrink reads the picture that open gives (twice: its head is looked at first) and returns it small.
func Shrink(open func() (io.ReadCloser, error)) (*Small, error) {
	h, err := look(open)
	if err != nil {
		return nil, err
	}
	in, err := open()
	if err != nil {
		return nil, fmt.Errorf("picture: %w", err)
	}
	defer in.Close()
	decode := jpeg.Decode
	if h.png {
		decode = png.Decode
	}
	img, err := decode(bufio.NewReader(in))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoPicture, err)
	}
	if b := img.Bounds(); b.Dx() != h.width || b.Dy() != h.height {
		return nil, fmt.Errorf("%w: its head says another size", ErrNoPicture)
	}
	return encode(img, h.turn)
}

// encode makes a picture small enough, first by its quality, then by its size.
func encode(img image.Image, turn int) (*Small, error) {
	for side := MaxSide; side >= minEdge; side = side * 3 / 4 {
		small := upright(shrink(img, side), turn)
		for quality := 82; quality >= 42; quality -= 10 {
			var b bytes.Buffer
			if err := jpeg.Encode(&b, small, &jpeg.Options{Quality: quality}); err != nil {
				return nil, fmt.Errorf("picture: %w", err)
			}
			if b.Len() <= MaxBytes {
				r := small.Bounds()
				return &Small{JPEG: b.Bytes(), Width: r.Dx(), Height: r.Dy()}, nil
			}
		}
	}
	return nil, ErrNoPicture
}

// shrink returns a picture of at most side pixels a side; each is the mean of those it stands for.
func shrink(img image.Image, side int) *image.RGBA {
	r := img.Bounds()
	w, h := r.Dx(), r.Dy()
	to := image.Pt(w, h)
	if long := max(w, h); long > side {
		to = image.Pt(max(1, w*side/long), max(1, h*side/long))
	}
	out := image.NewRGBA(image.Rectangle{Max: to})
	at := meanOf(img)
	for y := range to.Y {
		y0, y1 := r.Min.Y+y*h/to.Y, r.Min.Y+max((y+1)*h/to.Y, y*h/to.Y+1)
		for x := range to.X {
			x0, x1 := r.Min.X+x*w/to.X, r.Min.X+max((x+1)*w/to.X, x*w/to.X+1)
			out.SetRGBA(x, y, at(x0, y0, x1, y1))
		}
	}
	return out
}

// meanOf returns what gives the mean color of a rectangle of a picture, on white where it lets light
// through.
func meanOf(img image.Image) func(x0, y0, x1, y1 int) color.RGBA {
	if p, is := img.(*image.YCbCr); is { // nearly every photo
		return func(x0, y0, x1, y1 int) color.RGBA {
			var luma, blue, red, n int
			for y := y0; y < y1; y++ {
				for x := x0; x < x1; x++ {
					c := p.COffset(x, y)
					luma, blue, red = luma+int(p.Y[p.YOffset(x, y)]), blue+int(p.Cb[c]), red+int(p.Cr[c])
					n++
				}
			}
			r, g, b := color.YCbCrToRGB(uint8((luma+n/2)/n), uint8((blue+n/2)/n), uint8((red+n/2)/n))
			return color.RGBA{r, g, b, 255}
		}
	}
	at := func(x, y int) color.RGBA64 { return color.RGBA64Model.Convert(img.At(x, y)).(color.RGBA64) }
	if p, is := img.(image.RGBA64Image); is {
		at = p.RGBA64At
	}
	return func(x0, y0, x1, y1 int) color.RGBA {
		var r, g, b, n uint64
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				c := at(x, y)
				paper := 0xffff - uint64(c.A)
				r, g, b = r+uint64(c.R)+paper, g+uint64(c.G)+paper, b+uint64(c.B)+paper
				n++
			}
		}
		return color.RGBA{uint8(r / n >> 8), uint8(g / n >> 8), uint8(b / n >> 8), 255}
	}
}

// upright turns and mirrors a picture as Exif's orientation says (1 to 8; 1 is upright). CIPA DC-008,
// tag 0x0112.
func upright(img *image.RGBA, turn int) *image.RGBA {
	if turn < 2 || turn > 8 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	size := image.Rect(0, 0, w, h)
	if turn >= 5 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range h {
		for x := range w {
			px, py := x, y // where this one belongs
			switch turn {
			case 2:
				px = w - 1 - x
			case 3:
				px, py = w-1-x, h-1-y
			case 4:
				py = h - 1 - y
			case 5:
				px, py = y, x
			case 6:
				px, py = h-1-y, x
			case 7:
				px, py = h-1-y, w-1-x
			case 8:
				px, py = y, w-1-x
			}
			out.SetRGBA(px, py, img.RGBAAt(x, y))
		}
	}
	return out
}
