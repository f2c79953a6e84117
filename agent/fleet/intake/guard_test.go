package intake

import (
	"bytes"
	"io"
	"net"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// script is a connection that says what it was given.
type script struct {
	net.Conn
	io.Reader
}

func (s script) Read(p []byte) (int, error) { return s.Reader.Read(p) }

func through(in []byte) ([]byte, error) {
	return io.ReadAll(newGuard(script{Reader: bytes.NewReader(in)}, func(error) {}))
}

func publishPacket(t testing.TB, qos byte, topic string, payload []byte) []byte {
	t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic, qos, 7, payload
	var b bytes.Buffer
	require.NoError(t, p.Write(&b))
	return b.Bytes()
}

func TestGuardHandsOnWhatABrokerMaySend(t *testing.T) {
	var all []byte
	all = append(all, 0x20, 2, 0, 0, 0x90, 3, 0, 1, 1, 0xd0, 0)
	all = append(all, publishPacket(t, 1, "a/b", []byte("x"))...)
	all = append(all, publishPacket(t, 0, "a/b", nil)...)
	got, err := through(all)
	require.NoError(t, err)
	assert.Equal(t, all, got)

	// Of one that is too large so much is handed on that it is seen; what follows is whole.
	large := publishPacket(t, 1, "a/b", bytes.Repeat([]byte{'x'}, 5<<20))
	small := publishPacket(t, 1, "a/b", []byte("y"))
	got, err = through(append(large, small...))
	require.NoError(t, err)
	r := bytes.NewReader(got)
	first, err := packets.ReadPacket(r)
	require.NoError(t, err)
	assert.Len(t, first.(*packets.PublishPacket).Payload, maxBody)
	assert.Equal(t, uint16(7), first.(*packets.PublishPacket).MessageID)
	second, err := packets.ReadPacket(r)
	require.NoError(t, err)
	assert.Equal(t, "y", string(second.(*packets.PublishPacket).Payload))
}

func TestGuardEndsAtAnythingElse(t *testing.T) {
	for name, bad := range map[string][]byte{
		"PUBREL": {0x62, 2, 0, 1}, "PUBACK": {0x40, 2, 0, 1}, "reserved": {0xf0, 0}, "CONNECT": {0x10, 0},
		"QoS 2":           publishPacket(t, 2, "a", nil),
		"length too long": {0x30, 0xff, 0xff, 0xff, 0xff, 1},
		"no topic":        {0x30, 2, 0, 0},
		"topic too long":  {0x30, 3, 0, 9, 'a'},
		"SUBACK of 7":     {0x90, 9, 0, 1, 1, 1, 1, 1, 1, 1, 1},
		"SUBACK of none":  {0x90, 2, 0, 1},
	} {
		_, err := through(bad)
		assert.ErrorIs(t, err, errBroker, name)
	}
	_, err := through([]byte{0x30, 9, 0})
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

func FuzzGuard(f *testing.F) {
	f.Add(publishPacket(f, 1, "a/b", []byte("x")))
	f.Add([]byte{0x20, 2, 0, 0, 0x90, 3, 0, 1, 1, 0xd0, 0})
	f.Fuzz(func(t *testing.T, in []byte) {
		got, err := through(in)
		r := bytes.NewReader(got)
		for r.Len() > 0 {
			p, bad := packets.ReadPacket(r)
			if bad != nil {
				if err == nil && r.Len() > 0 {
					t.Fatalf("handed on: %v", bad)
				}
				return
			}
			switch p.(type) {
			case *packets.PublishPacket, *packets.ConnackPacket, *packets.SubackPacket, *packets.PingrespPacket:
			default:
				t.Fatalf("%T handed on", p)
			}
		}
	})
}
