package publish

import (
	"bytes"
	"compress/zlib"
)

// pack deflates a payload in the zlib format (RFC 1950) where that makes it smaller. A reader tells
// by the first byte: 0x78, where JSON has { or [.
func pack(payload []byte) []byte {
	var b bytes.Buffer
	w, err := zlib.NewWriterLevel(&b, zlib.DefaultCompression)
	if err != nil {
		return payload
	}
	if _, err := w.Write(payload); err != nil || w.Close() != nil || b.Len() >= len(payload) {
		return payload
	}
	return b.Bytes()
}

// status returns a status message.
func (p *Publisher) status(status string, connection uint64) []byte {
	b, err := p.encoder.Status(status, p.opts.Session, connection, p.opts.Clock.Now())
	if err != nil {
		panic("bug: status message: " + err.Error()) // text, a count and a time always have a JSON form
	}
	return b
}
