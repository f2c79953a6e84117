// Package packet reads and writes the frame of MQTT 3.1.1 packets (section 2.2): type, flags and
// remaining length. The unit's agent and the fleet's collector judge by it what a broker sends.
package packet

import (
	"errors"
	"fmt"
	"io"
)

// Types of packets (section 2.2.1), those that our clients send or may be sent.
const (
	Connect    = 1
	Connack    = 2
	Publish    = 3
	Puback     = 4
	Subscribe  = 8
	Suback     = 9
	Pingreq    = 12
	Pingresp   = 13
	Disconnect = 14
)

// Refused is the code in a SUBACK for a subscription that is not granted (section 3.9.3).
const Refused = 0x80

// ErrMalformed says that bytes are no packet.
var ErrMalformed = errors.New("malformed packet from broker")

// Head is the begin of a packet. Length is of what follows it.
type Head struct {
	Kind, Flags byte
	Length      int
}

// Next reads the begin of a packet. It appends its bytes, as they came, to raw. The error of a
// connection that ends between two packets is io.EOF, inside one io.ErrUnexpectedEOF.
func Next(r io.ByteReader, raw []byte) (h Head, _ []byte, err error) {
	b, err := r.ReadByte()
	if err != nil {
		return h, raw, err
	}
	h.Kind, h.Flags = b>>4, b&0xf
	raw = append(raw, b)
	const most = 21 // four bytes
	for shift := 0; ; shift += 7 {
		if shift > most {
			return h, raw, fmt.Errorf("%w: length of more than four bytes", ErrMalformed)
		}
		if b, err = r.ReadByte(); err != nil {
			return h, raw, Inside(err)
		}
		raw = append(raw, b)
		h.Length |= int(b&0x7f) << shift
		if b < 0x80 {
			return h, raw, nil
		}
	}
}

// Inside returns the error of a connection that ended inside a packet.
func Inside(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// Append appends the begin of a packet.
func Append(b []byte, kind, flags byte, length int) []byte {
	b = append(b, kind<<4|flags)
	for length >= 0x80 {
		b = append(b, byte(length)|0x80)
		length >>= 7
	}
	return append(b, byte(length))
}

// AppendText appends a text with its length before it (section 1.5.3). Only its first 64 KiB have room.
func AppendText(b []byte, s string) []byte {
	const most = 1<<16 - 1
	s = s[:min(len(s), most)]
	return append(append(b, byte(len(s)>>8), byte(len(s))), s...)
}
