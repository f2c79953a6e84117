package picture

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
)

// head is what the first bytes of a picture say.
type head struct {
	png           bool
	width, height int
	memory        int64 // bytes that reading it takes
	turn          int   // Exif's orientation, 0 where it has none
}

const pngMark = "\x89PNG\r\n\x1a\n"

// look reads the head of a picture, and refuses what would take too much memory to read.
func look(open func() (io.ReadCloser, error)) (*head, error) {
	in, err := open()
	if err != nil {
		return nil, fmt.Errorf("picture: %w", err)
	}
	defer in.Close()
	r := bufio.NewReader(io.LimitReader(in, headBytes))
	first, err := r.Peek(len(pngMark))
	if err != nil {
		return nil, ErrNoPicture
	}
	var h *head
	switch {
	case string(first) == pngMark:
		h, err = lookPNG(r)
	case first[0] == 0xff && first[1] == 0xd8 && first[2] == 0xff:
		h, err = lookJPEG(r)
	case isHEIC(r):
		return nil, ErrHEIC
	default:
		return nil, ErrNoPicture
	}
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %w", ErrNoPicture, err)
	case h.width < minEdge || h.height < minEdge:
		return nil, fmt.Errorf("%w: %d x %d pixels", ErrNoPicture, h.width, h.height)
	case h.width > maxEdge || h.height > maxEdge || h.memory > MaxMemory:
		return nil, &TooLargeError{h.width, h.height, h.memory}
	}
	return h, nil
}

// heicBrands are those of pictures in HEVC and AV1. (ISO/IEC 23008-12, annex B; AV1 Image File Format, 6.)
var heicBrands = []string{"heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1", "avif", "avis"}

// isHEIC reports whether a file begins as pictures in the ISO base media file format do: with a box of type ftyp and one of
// their brands. (ISO/IEC 14496-12, 4.3.)
func isHEIC(r *bufio.Reader) bool {
	b, err := r.Peek(12)
	return err == nil && string(b[4:8]) == "ftyp" && slices.Contains(heicBrands, string(b[8:12]))
}

// lookPNG reads the IHDR chunk, which is the first one. (PNG specification, 11.2.1.)
func lookPNG(r io.Reader) (*head, error) {
	b := make([]byte, 33)
	if _, err := io.ReadFull(r, b); err != nil || string(b[12:16]) != "IHDR" {
		return nil, errors.New("no head")
	}
	w, h := binary.BigEndian.Uint32(b[16:]), binary.BigEndian.Uint32(b[20:])
	if w > 1<<24 || h > 1<<24 {
		w, h = min(w, 1<<24), min(h, 1<<24)
	}
	depth, kind, laced := b[24], b[25], b[28] != 0
	size := int64(4) // of a pixel in memory, as image/png has it
	switch {
	case kind == 0 && depth <= 8 || kind == 3:
		size = 1
	case kind == 0:
		size = 2
	case depth == 16:
		size = 8
	}
	if kind == 0 { // a color may be marked as none, which takes more
		size *= 4
	}
	memory := int64(w) * int64(h) * size
	if laced {
		memory += memory / 2 // the largest of the seven passes stands beside the whole
	}
	return &head{png: true, width: int(w), height: int(h), memory: memory}, nil
}

// lookJPEG reads the segments before the pixels. (ITU-T T.81, B.1 and B.2.)
func lookJPEG(r *bufio.Reader) (*head, error) {
	h := &head{}
	adobe := false
	if _, err := r.Discard(2); err != nil {
		return nil, err
	}
	for {
		marker, err := nextMarker(r)
		if err != nil {
			return nil, err
		}
		if marker == 0xd8 || marker == 0x01 || marker >= 0xd0 && marker <= 0xd7 { // these stand alone
			continue
		}
		if marker == 0xda || marker == 0xd9 { // the pixels begin, or it ends
			break
		}
		var size [2]byte
		if _, err := io.ReadFull(r, size[:]); err != nil {
			return nil, err
		}
		n := int(binary.BigEndian.Uint16(size[:])) - 2
		if n < 0 {
			return nil, errors.New("a segment of no length")
		}
		segment := make([]byte, n)
		if _, err := io.ReadFull(r, segment); err != nil {
			return nil, err
		}
		switch {
		case marker >= 0xc0 && marker <= 0xc2:
			if h.width != 0 {
				return nil, errors.New("two frames")
			}
			if err := h.frame(segment, marker == 0xc2); err != nil {
				return nil, err
			}
		case marker == 0xe1 && h.turn == 0:
			h.turn = orientation(segment)
		case marker == 0xee && bytes.HasPrefix(segment, []byte("Adobe")):
			adobe = true
		}
	}
	if h.width == 0 {
		return nil, errors.New("no frame")
	}
	if adobe { // maybe not in luma and colors: it is turned into RGB or CMYK beside what was read
		h.memory += 4 * int64(h.width) * int64(h.height)
	}
	return h, nil
}

// nextMarker skips to the next marker and returns it.
func nextMarker(r *bufio.Reader) (byte, error) {
	last := byte(0)
	for {
		b, err := r.ReadByte()
		if err != nil {
			return 0, err
		}
		if last == 0xff && b != 0xff && b != 0 {
			return b, nil
		}
		last = b
	}
}

// frame reads a frame's head: size, and how many samples there are of each component.
func (h *head) frame(b []byte, progressive bool) error {
	if len(b) < 6 || len(b) < 6+3*int(b[5]) || b[0] != 8 {
		return errors.New("not a frame of 8 bits")
	}
	h.height, h.width = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:]))
	components := int(b[5])
	if components != 1 && components != 3 && components != 4 {
		return fmt.Errorf("%d components", components)
	}
	widest, tallest, area := 1, 1, 0
	for i := range components {
		wide, tall := int(b[7+3*i]>>4), int(b[7+3*i]&15)
		if wide < 1 || wide > 4 || tall < 1 || tall > 4 {
			return errors.New("not a share of samples")
		}
		widest, tallest, area = max(widest, wide), max(tallest, tall), area+wide*tall
	}
	// Whole blocks of 8 by 8 samples of the largest component.
	across := (h.width + 8*widest - 1) / (8 * widest) * 8 * widest
	down := (h.height + 8*tallest - 1) / (8 * tallest) * 8 * tallest
	pixels := int64(across) * int64(down)
	samples := pixels * int64(area) / int64(widest*tallest)
	h.memory = samples
	if components > 1 && (int(b[7]>>4) != widest || int(b[7]&15) != tallest) {
		h.memory = pixels * int64(components) // an unusual order: all are made as many as the most
	}
	if components == 4 {
		h.memory += 4 * pixels
	}
	if progressive { // all coefficients stand in memory until the last has come, 32 bits each
		h.memory += 4 * samples
	}
	return nil
}

// orientation returns what an Exif segment says of how the camera was held, 0 where it doesn't.
func orientation(b []byte) int {
	b, is := bytes.CutPrefix(b, []byte("Exif\x00\x00"))
	if !is || len(b) < 8 {
		return 0
	}
	var order binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		order = binary.BigEndian
	}
	at := int64(order.Uint32(b[4:]))
	if at < 8 || at+2 > int64(len(b)) {
		return 0
	}
	entries := int64(order.Uint16(b[at:]))
	for i := range entries {
		e := at + 2 + 12*i
		if e+12 > int64(len(b)) {
			return 0
		}
		if order.Uint16(b[e:]) == 0x0112 && order.Uint16(b[e+2:]) == 3 {
			return int(order.Uint16(b[e+8:]))
		}
	}
	return 0
}
