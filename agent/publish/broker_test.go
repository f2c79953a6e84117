package publish

import (
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
	"liftbank/cmd/outside"
)

// message is one that a subscriber got.
type message struct {
	leaf     string
	payload  []byte
	retained bool // was there before the subscription
}

// subscribe follows fleet/v1/t-1042/# on a broker.
func subscribe(t *testing.T, broker string) <-chan message {
	got := make(chan message, 1000)
	reader := "reader-" + strconv.FormatInt(time.Now().UnixNano(), 36)
	opts := mqtt.NewClientOptions().AddBroker(broker).SetClientID(reader).SetAutoReconnect(false)
	client := mqtt.NewClient(opts)
	token := client.Connect()
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
	token = client.Subscribe("fleet/v1/t-1042/#", 1, func(_ mqtt.Client, m mqtt.Message) {
		got <- message{m.Topic()[len("fleet/v1/t-1042/"):], m.Payload(), m.Retained()}
	})
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
	t.Cleanup(func() { client.Disconnect(250) })
	return got
}

// next waits for the next message on leaf as it is sent. A broker may hand on a copy of what it
// retained, too, where that came while it took the subscription.
func next(t *testing.T, got <-chan message, leaf string) message {
	t.Helper()
	for {
		if m := receive(t, got, "a message on "+leaf); m.leaf == leaf && !m.retained {
			return m
		}
	}
}

func statusOf(t *testing.T, m message) records.Status {
	var s records.Status
	require.NoError(t, json.Unmarshal(m.payload, &s))
	return s
}

// embedded starts a broker in this process.
func embedded(t *testing.T) string {
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, server.AddHook(new(auth.AllowHook), nil))
	l := listeners.NewTCP(listeners.Config{ID: "test", Address: "127.0.0.1:0"})
	require.NoError(t, server.AddListener(l))
	go func() { _ = server.Serve() }()
	t.Cleanup(func() { require.NoError(t, server.Close()) })
	return "mqtt://" + l.Address()
}

// conversation is what any broker must carry: it runs on the embedded one and on mosquitto. broker
// is where the agent connects, behind a relay that the test can cut; direct is where readers do.
func conversation(t *testing.T, direct string) {
	relay := newRelay(t, strings.TrimPrefix(direct, "mqtt://"))
	opts := options(t, "mqtt://"+relay.listener.Addr().String())
	got := subscribe(t, direct)
	first := sample(t, "healthy")
	opts.Hub.Publish(first)
	p, stop := start(t, opts)

	assert.Equal(t, "online", statusOf(t, next(t, got, "status")).Status)
	shown := next(t, got, "snapshot")
	want, err := opts.Hub.JSON(first)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(shown.payload), "the very bytes of the other outlets")

	// No news: a snapshot with the same findings waits for its interval, which is an hour; one with
	// others goes at once.
	same := sample(t, "healthy")
	same.Seq++
	opts.Hub.Publish(same)
	worse := sample(t, "findings")
	opts.Hub.Publish(worse)
	var back snapshot.Snapshot
	require.NoError(t, json.Unmarshal(next(t, got, "snapshot").payload, &back))
	assert.Equal(t, worse.Seq, back.Seq)

	addRun(t, opts, snapshot.Run{Number: 7})
	addFinding(t, opts, worse.Findings[0])
	var run records.Run
	var finding records.Finding
	for run.Seq == 0 || finding.Seq == 0 {
		switch m := receive(t, got, "run and finding"); m.leaf {
		case "runs":
			require.NoError(t, json.Unmarshal(m.payload, &run))
		case "findings":
			require.NoError(t, json.Unmarshal(m.payload, &finding))
		}
	}
	assert.Equal(t, uint64(7), run.Run.Number)
	assert.Equal(t, worse.Findings[0], finding.Finding)

	// The link breaks: the broker says the will; the next connection says its birth and shows the
	// snapshot again.
	relay.cut()
	said := map[string]uint64{}
	for said["online"] == 0 || said["lost"] == 0 { // the broker may send them in either order
		s := statusOf(t, next(t, got, "status"))
		assert.Equal(t, "5f0c2a9e", s.Session)
		said[s.Status] = s.Connection
	}
	assert.Equal(t, map[string]uint64{"lost": 1, "online": 2}, said)
	next(t, got, "snapshot")
	assert.Equal(t, uint64(1), p.State().Reconnects)
	assert.True(t, p.State().Connected)

	stop()
	assert.Equal(t, "offline", statusOf(t, next(t, got, "status")).Status)
	assert.False(t, p.State().Connected)
	assert.Zero(t, waiting(opts, outbox.Runs)+waiting(opts, outbox.Findings))

	// A reader who comes later finds status and snapshot, and no stream.
	late := subscribe(t, direct)
	retained := map[string]message{}
	for len(retained) < 2 {
		m := receive(t, late, "what is retained")
		require.True(t, m.retained)
		retained[m.leaf] = m
	}
	assert.Equal(t, "offline", statusOf(t, retained["status"]).Status)
	require.NoError(t, json.Unmarshal(retained["snapshot"].payload, &back))
	assert.Equal(t, worse.Seq, back.Seq)
}

func TestEmbeddedBroker(t *testing.T) { conversation(t, embedded(t)) }

// The real broker of a fleet (Debian package mosquitto).
func TestMosquitto(t *testing.T) { conversation(t, outside.Mosquitto(t, "persistence false\n")) }

// The same with a limit on what it takes, at which it ends connections.
func TestMosquittoWithALimit(t *testing.T) {
	broker := outside.Mosquitto(t, "persistence false\nmax_packet_size 20000\n")
	opts := options(t, broker)
	opts.Limits.Hold = time.Millisecond
	got := subscribe(t, broker)
	addVisit(t, opts, "v1", 40_000)
	addVisit(t, opts, "v2", 10)
	addRun(t, opts, snapshot.Run{Number: 1})
	p, _ := start(t, opts)
	next(t, got, "runs")
	var gap records.Gap
	require.NoError(t, json.Unmarshal(next(t, got, "visits").payload, &gap))
	assert.Equal(t, tooLarge, gap.Because)
	assert.Equal(t, uint64(1), gap.Seq)
	var visits records.Visit
	require.NoError(t, json.Unmarshal(next(t, got, "visits").payload, &visits))
	assert.Equal(t, "v2", visits.Visit.ID)
	assert.Equal(t, uint64(1), p.State().Dropped)
}

// relay passes connections on to an address until it is cut.
type relay struct {
	listener net.Listener
	conns    chan net.Conn
}

func newRelay(t *testing.T, to string) *relay {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	r := &relay{listener: l, conns: make(chan net.Conn, 100)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			r.conns <- in
			r.conns <- out
			go func() { _, _ = io.Copy(out, in); out.Close() }()
			go func() { _, _ = io.Copy(in, out); in.Close() }()
		}
	}()
	t.Cleanup(func() { l.Close(); <-done; r.cut() })
	return r
}

// cut closes every connection there is.
func (r *relay) cut() {
	for {
		select {
		case c := <-r.conns:
			c.Close()
		default:
			return
		}
	}
}
