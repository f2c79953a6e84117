package packet_test

import (
	"bufio"
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/dial/packet"
)

// Table 2.4 of MQTT 3.1.1: the ends of what one to four bytes hold.
func TestLengths(t *testing.T) {
	for length, want := range map[int][]byte{
		0: {0}, 127: {0x7f}, 128: {0x80, 1}, 16383: {0xff, 0x7f}, 16384: {0x80, 0x80, 1}, 2097151: {0xff, 0xff, 0x7f},
		2097152: {0x80, 0x80, 0x80, 1}, 268435455: {0xff, 0xff, 0xff, 0x7f},
	} {
		got := packet.Append(nil, packet.Publish, 2, length)
		assert.Equal(t, append([]byte{0x32}, want...), got)
		h, raw, err := packet.Next(bytes.NewReader(got), nil)
		require.NoError(t, err)
		assert.Equal(t, packet.Head{Kind: packet.Publish, Flags: 2, Length: length}, h)
		assert.Equal(t, got, raw)
	}
}

func TestEnds(t *testing.T) {
	for in, want := range map[string]error{
		"": io.EOF, "\x30": io.ErrUnexpectedEOF, "\x30\x80": io.ErrUnexpectedEOF, "\x30\x80\x80\x80\x80\x01": packet.ErrMalformed,
	} {
		_, _, err := packet.Next(bufio.NewReader(bytes.NewReader([]byte(in))), nil)
		assert.ErrorIs(t, err, want, "% x", in)
	}
}

func TestWhatIsWrittenIsRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := packet.Head{
			Kind: rapid.ByteMax(15).Draw(t, "kind"), Flags: rapid.ByteMax(15).Draw(t, "flags"),
			Length: rapid.IntRange(0, 1<<28-1).Draw(t, "length"),
		}
		before := []byte("before")
		got, raw, err := packet.Next(bytes.NewReader(packet.Append(nil, want.Kind, want.Flags, want.Length)), before)
		if err != nil || got != want || !bytes.HasPrefix(raw, before) {
			t.Fatal(got, want, err)
		}
	})
}
