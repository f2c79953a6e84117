package fleetload_test

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
	"liftbank/cmd/internal/fleetload"
	"liftbank/cmd/slowtest"
)

// hears keeps what units sent, and answers like a collector that has all of it.
type hears struct {
	mochi.HookBase
	sync.Mutex
	server *mochi.Server
	sent   map[string]int // by topic
	seqs   map[string]map[uint64]int
	bodies map[string][]byte // one by leaf
}

func (h *hears) ID() string           { return "hears" }
func (h *hears) Provides(b byte) bool { return b == mochi.OnPublished }

func (h *hears) OnPublished(_ *mochi.Client, p packets.Packet) {
	level := strings.Split(p.TopicName, "/")
	if level[3] == "received" {
		return
	}
	h.Lock()
	defer h.Unlock()
	h.sent[p.TopicName]++
	h.bodies[level[3]] = p.Payload
	var head records.Head
	if json.Unmarshal(p.Payload, &head) != nil || head.Stream == "" {
		return
	}
	key := head.Unit + " " + head.Stream
	if h.seqs[key] == nil {
		h.seqs[key] = map[uint64]int{}
	}
	h.seqs[key][head.Seq]++
	through := uint64(0)
	for h.seqs[key][through+1] > 0 {
		through++
	}
	answer, _ := json.Marshal(records.Received{Schema: records.ReceivedSchema, Unit: head.Unit,
		Streams: []records.ReceivedEntry{{Stream: head.Stream, Session: head.Session, Through: through}}})
	_ = h.server.Publish("liftbank/v1/"+head.Unit+"/received", answer, false, 0)
}

// What is played is what units send: valid by the published schemas, each number once, confirmed in
// the end, through outages too.
func TestALoadIsWhatUnitsSend(t *testing.T) {
	slowtest.Long(t)
	mix, err := fleetload.Collect(t.Context(), 3, 80*time.Hour, 1, time.Now)
	require.NoError(t, err)
	require.Len(t, mix, 3)
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	h := &hears{server: server, sent: map[string]int{}, seqs: map[string]map[uint64]int{}, bodies: map[string][]byte{}}
	require.NoError(t, server.AddHook(new(auth.AllowHook), nil))
	require.NoError(t, server.AddHook(h, nil))
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	require.NoError(t, server.AddListener(l))
	require.NoError(t, server.Serve())
	defer server.Close()
	const messages = 3000
	r, err := fleetload.Run(t.Context(), fleetload.Options{
		Broker: "tcp://" + l.Address(), Prefix: "liftbank", Units: 20, Connections: 5, Messages: messages, Session: "x",
		Start: time.Date(2026, 3, 9, 5, 0, 0, 0, time.UTC), Mix: mix, Confirmed: 10 * time.Second,
		OutageEvery: 300 * time.Millisecond, OutageFor: 100 * time.Millisecond,
	})
	require.NoError(t, err)
	assert.EqualValues(t, messages, r.Messages)
	assert.Zero(t, r.Unconfirmed, "%+v", r)
	assert.Equal(t, r.Records, r.Confirmed)
	h.Lock()
	defer h.Unlock()
	var all uint64
	for key, seqs := range h.seqs {
		for seq := range uint64(len(seqs)) {
			require.NotZero(t, seqs[seq+1], "%s %d", key, seq+1)
		}
		all += uint64(len(seqs))
	}
	assert.Equal(t, r.Records, all)
	require.Contains(t, h.bodies, "findings")
	require.Contains(t, h.bodies, "runs")
	for leaf, body := range h.bodies {
		file := map[string]string{"readings": "readings", "runs": "run", "findings": "finding", "snapshot": "snapshot"}[leaf]
		require.NotEmpty(t, file, leaf)
		text, err := os.Open(filepath.Join("..", "..", "..", "deploy", "schema", file+".schema.json"))
		require.NoError(t, err)
		doc, err := jsonschema.UnmarshalJSON(text)
		require.NoError(t, err)
		require.NoError(t, text.Close())
		c := jsonschema.NewCompiler()
		require.NoError(t, c.AddResource("s.json", doc))
		schema, err := c.Compile("s.json")
		require.NoError(t, err)
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(string(body)))
		require.NoError(t, err)
		assert.NoError(t, schema.Validate(v), leaf)
	}
}
