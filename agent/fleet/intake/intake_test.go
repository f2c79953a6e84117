package intake

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/cmd/outside"
)

const patience = time.Minute

// mochiBroker is a broker in this process.
func mochiBroker(t *testing.T, hooks ...mochi.Hook) string {
	t.Helper()
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, s.AddHook(new(auth.AllowHook), nil))
	for _, h := range hooks {
		require.NoError(t, s.AddHook(h, nil))
	}
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	require.NoError(t, s.AddListener(l))
	require.NoError(t, s.Serve())
	t.Cleanup(func() { _ = s.Close() })
	return "mqtt://" + l.Address()
}

// mosquitto is a real broker that is set to keep what clients have not acknowledged.
func mosquitto(t *testing.T) string {
	t.Helper()
	return outside.Mosquitto(t, "max_inflight_messages 1000\nmax_queued_messages 0\nset_tcp_nodelay true\n")
}

func eachBroker(t *testing.T, test func(t *testing.T, broker string)) {
	t.Run("mochi", func(t *testing.T) { test(t, mochiBroker(t)) })
	t.Run("mosquitto", func(t *testing.T) { test(t, mosquitto(t)) })
}

func openDB(t *testing.T) *db.DB {
	t.Helper()
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(t.TempDir(), "fleet.db"), db.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	return d
}

func client(t *testing.T, broker, id string, clean bool, handler paho.MessageHandler) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(strings.Replace(broker, "mqtt:", "tcp:", 1)).SetClientID(id).SetCleanSession(clean)
	if handler != nil {
		o.SetDefaultPublishHandler(handler)
	}
	c := paho.NewClient(o)
	token := c.Connect()
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func publishTo(t *testing.T, c paho.Client, topic string, retained bool, body []byte) {
	t.Helper()
	token := c.Publish(topic, 1, retained, body)
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
}

func runBody(t *testing.T, unit, session string, seq uint64) []byte {
	t.Helper()
	b, err := json.Marshal(records.Run{Head: records.Head{Schema: records.RunSchema, Unit: unit, Session: session, Stream: "runs",
		First: 1, Seq: seq, At: time.Now().UTC(), ClockTrusted: true, MonoS: float64(seq)}, Run: snapshot.Run{Number: seq, Start: time.Now()}})
	require.NoError(t, err)
	return b
}

// running is an intake that runs until stop is called or the test ends.
type running struct {
	*Intake
	stop func()
}

func start(t *testing.T, broker string, store Store, change func(*Options)) *running {
	t.Helper()
	o := Options{Broker: broker, Prefix: "liftbank", Store: store, Limits: Limits{
		Gather: 5 * time.Millisecond, Answer: 50 * time.Millisecond, AnswerSoon: 20 * time.Millisecond,
		BackoffMin: 5 * time.Millisecond, BackoffMax: 20 * time.Millisecond,
	}}
	if change != nil {
		change(&o)
	}
	in, err := New(o)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, in.Run(ctx)) })
	stop := sync.OnceFunc(func() { cancel(); done.Wait() })
	t.Cleanup(stop)
	return &running{in, stop}
}

func (r *running) await(t *testing.T, what string, is func(State) bool) {
	t.Helper()
	for began := time.Now(); !is(r.State()); time.Sleep(2 * time.Millisecond) {
		require.Less(t, time.Since(began), patience, "%s: %+v", what, r.State())
	}
}

// heard collects what units are answered.
type heard struct {
	mu  sync.Mutex
	all []records.Received
}

func listen(t *testing.T, broker string) *heard {
	t.Helper()
	h := &heard{}
	c := client(t, broker, "ear", true, func(_ paho.Client, m paho.Message) {
		var r records.Received
		if json.Unmarshal(m.Payload(), &r) != nil {
			return
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		h.all = append(h.all, r)
	})
	token := c.Subscribe("liftbank/v1/+/received", 1, nil)
	require.True(t, token.WaitTimeout(patience))
	return h
}

// through returns what was said last of a stream of runs.
func (h *heard) through(unit string) (through uint64, answers int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, r := range h.all {
		if r.Unit != unit {
			continue
		}
		answers++
		for _, e := range r.Streams {
			through = e.Through
		}
	}
	return through, answers
}

func TestTakesStoresAndAnswers(t *testing.T) {
	eachBroker(t, func(t *testing.T, broker string) {
		d := openDB(t)
		ear := listen(t, broker)
		in := start(t, broker, d, nil)
		in.await(t, "connected", func(s State) bool { return s.Connected })
		unit := client(t, broker, "unit", true, nil)
		for seq := uint64(1); seq <= 30; seq++ {
			publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", seq))
		}
		publishTo(t, unit, "liftbank/v1/t-1/runs", false, []byte("on"))
		publishTo(t, unit, "liftbank/v1/t-2/runs", false, runBody(t, "t-1", "s", 1))
		publishTo(t, unit, "liftbank/v1/t-1/runs", false, bytes.Repeat([]byte{' '}, 400<<10))
		in.await(t, "stored", func(s State) bool {
			return s.Stored >= 33 && s.Refused[wire.NotJSON] == 1 && s.Refused[wire.UnitLies] == 1 && s.Refused[wire.TooLarge] == 1
		})
		list, err := d.Records(t.Context(), "runs", 0, 100)
		require.NoError(t, err)
		assert.Len(t, list, 30)
		require.Eventually(t, func() bool { n, _ := ear.through("t-1"); return n == 30 }, patience, 5*time.Millisecond)
		in.stop()
		assert.False(t, in.State().Connected)
	})
}

// A unit is answered once in a while, however many records it sends, unless it waits for the answer.
func TestAnswersAreGathered(t *testing.T) {
	broker := mochiBroker(t)
	ear := listen(t, broker)
	in := start(t, broker, openDB(t), func(o *Options) { o.Limits.Answer = time.Hour })
	in.await(t, "connected", func(s State) bool { return s.Connected })
	unit := client(t, broker, "unit", true, nil)
	publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", 1))
	require.Eventually(t, func() bool { n, _ := ear.through("t-1"); return n == 1 }, patience, 5*time.Millisecond)
	for seq := uint64(2); seq <= 40; seq++ {
		publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", seq))
	}
	in.await(t, "stored", func(s State) bool { return s.Stored == 40 })
	assert.Equal(t, uint64(1), in.State().Answers)
	// It repeats one: it has heard nothing.
	publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", 40))
	require.Eventually(t, func() bool { n, _ := ear.through("t-1"); return n == 40 }, patience, 5*time.Millisecond)
	// What was committed and not answered is when it stops.
	publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", 41))
	in.await(t, "stored", func(s State) bool { return s.Stored == 41 })
	in.stop()
	require.Eventually(t, func() bool { n, _ := ear.through("t-1"); return n == 41 }, patience, 5*time.Millisecond)
}

// badStore fails now and then: before a commit, or after it, as when the process is killed between the
// commit and the acknowledgment.
type badStore struct {
	*db.DB
	mu  sync.Mutex
	rng *rand.Rand
	off bool
}

var errBad = errors.New("power cut")

func (b *badStore) Commit(ctx context.Context, at time.Time, batch []wire.Message) (db.Outcome, error) {
	b.mu.Lock()
	n := b.rng.IntN(4)
	if b.off {
		n = 3
	}
	b.mu.Unlock()
	if n == 0 {
		return db.Outcome{}, errBad
	}
	out, err := b.DB.Commit(ctx, at, batch)
	if n == 1 {
		return db.Outcome{}, errBad
	}
	return out, err
}

func (b *badStore) Ping(ctx context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.off && b.rng.IntN(2) == 0 {
		return errBad
	}
	return b.DB.Ping(ctx)
}

// Whatever fails, and whenever it is stopped and started: nothing is lost and nothing is there twice.
// The oracle is a subscriber that keeps everything. The broker in this process loses a message now and
// then as a session is taken over: units send again what they are asked for.
func TestNothingLostNothingTwice(t *testing.T) {
	t.Run("mochi", func(t *testing.T) { nothingLost(t, mochiBroker(t), true) })
	t.Run("mosquitto", func(t *testing.T) { nothingLost(t, mosquitto(t), false) })
}

func nothingLost(t *testing.T, broker string, again bool) {
	d := openDB(t)
	store := &badStore{DB: d, rng: rand.New(rand.NewPCG(7, 11))}
	var mu sync.Mutex
	oracle := map[string]bool{}
	dumb := client(t, broker, "oracle", false, func(_ paho.Client, m paho.Message) {
		var h records.Head
		if json.Unmarshal(m.Payload(), &h) != nil {
			return
		}
		mu.Lock()
		defer mu.Unlock()
		oracle[fmt.Sprint(h.Unit, " ", h.Session, " ", h.Seq)] = true
	})
	require.True(t, dumb.Subscribe("liftbank/v1/+/runs", 1, nil).WaitTimeout(patience))
	in := start(t, broker, store, nil)
	in.await(t, "connected", func(s State) bool { return s.Connected })

	const units, each = 8, 150
	var repeat []func() // the last, which may be what was lost
	var sending sync.WaitGroup
	for u := range units {
		name := fmt.Sprint("t-", u)
		bodies := make([][]byte, each)
		for i := range bodies {
			bodies[i] = runBody(t, name, "s", uint64(i+1))
		}
		c := client(t, broker, name, true, func(c paho.Client, m paho.Message) {
			var r records.Received
			if json.Unmarshal(m.Payload(), &r) != nil {
				return
			}
			for _, e := range r.Streams {
				for _, w := range e.Missing {
					for seq := w[0]; seq <= w[1]; seq++ {
						go c.Publish(m.Topic()[:len(m.Topic())-len("received")]+"runs", 1, false, bodies[seq-1])
					}
				}
			}
		})
		if again {
			require.True(t, c.Subscribe("liftbank/v1/"+name+"/received", 0, nil).WaitTimeout(patience))
			repeat = append(repeat, func() { publishTo(t, c, "liftbank/v1/"+name+"/runs", false, bodies[each-1]) })
		}
		sending.Go(func() {
			for i, b := range bodies {
				c.Publish("liftbank/v1/"+name+"/runs", 1, false, b).WaitTimeout(patience)
				if i%7 == 0 { // repeated
					c.Publish("liftbank/v1/"+name+"/runs", 1, false, bodies[i/2]).WaitTimeout(patience)
				}
			}
		})
	}
	sent := make(chan struct{})
	go func() { sending.Wait(); close(sent) }()
	for restarts := 0; ; restarts++ {
		in.stop()
		in = start(t, broker, store, nil)
		select {
		case <-sent:
		case <-time.After(50 * time.Millisecond):
			continue
		}
		t.Log("restarts", restarts)
		break
	}
	store.mu.Lock()
	store.off = true
	store.mu.Unlock()
	in.await(t, "connected", func(s State) bool { return s.Connected })
	for _, do := range repeat {
		do()
	}
	var got map[string]int
	require.Eventually(t, func() bool {
		got = map[string]int{}
		list, err := d.Records(t.Context(), "runs", 0, 100_000)
		for _, r := range list {
			got[fmt.Sprint(r.Unit, " ", r.Session, " ", r.Seq)]++
		}
		mu.Lock()
		defer mu.Unlock()
		return err == nil && len(oracle) == units*each && len(got) >= len(oracle)
	}, patience, 20*time.Millisecond)
	mu.Lock()
	defer mu.Unlock()
	for k, n := range got {
		assert.Equal(t, 1, n, k)
		assert.True(t, oracle[k], k)
	}
	assert.Len(t, got, len(oracle))
	aside, err := d.Quarantined(t.Context(), db.QuarantineQuery{})
	require.NoError(t, err)
	for _, q := range aside { // set aside by a failing store, and stored when the broker sent it again
		assert.Equal(t, wire.NotStored, q.Reason)
	}
}

// A message that the database can't take is set aside, and the rest goes on.
type poisoned struct{ *db.DB }

func (p poisoned) Commit(ctx context.Context, at time.Time, batch []wire.Message) (db.Outcome, error) {
	for i := range batch {
		if batch[i].Refused == nil && batch[i].Head.Seq == 3 {
			return db.Outcome{}, errors.New("constraint")
		}
	}
	return p.DB.Commit(ctx, at, batch)
}

func TestPoison(t *testing.T) {
	broker := mochiBroker(t)
	d := openDB(t)
	in := start(t, broker, poisoned{d}, func(o *Options) { o.Limits.Gather = 100 * time.Millisecond })
	in.await(t, "connected", func(s State) bool { return s.Connected })
	unit := client(t, broker, "unit", true, nil)
	for seq := uint64(1); seq <= 5; seq++ {
		publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", seq))
	}
	in.await(t, "stored", func(s State) bool { return s.Stored >= 5 && s.Refused[wire.NotStored] == 1 })
	list, err := d.Records(t.Context(), "runs", 0, 100)
	require.NoError(t, err)
	assert.Len(t, list, 4)
}

// While the database is away there is no connection, and the broker keeps what comes: for a moment, or
// by the clock for a day.
func TestDatabaseAway(t *testing.T) {
	for name, long := range map[string]time.Duration{"a moment": 0, "a day": 24 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			broker := mochiBroker(t)
			d := openDB(t)
			store := &away{DB: d}
			var later atomic.Int64
			in := start(t, broker, store, func(o *Options) {
				o.Now = func() time.Time { return time.Now().Add(time.Duration(later.Load())) }
			})
			in.await(t, "connected", func(s State) bool { return s.Connected })
			unit := client(t, broker, "unit", true, nil)
			publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", 1))
			in.await(t, "stored", func(s State) bool { return s.Stored == 1 })
			store.set(true)
			for seq := uint64(2); seq <= 50; seq++ {
				publishTo(t, unit, "liftbank/v1/t-1/runs", false, runBody(t, "t-1", "s", seq))
			}
			in.await(t, "away", func(s State) bool { return !s.Connected && s.StoreProblem != "" })
			later.Store(int64(long))
			store.set(false)
			in.await(t, "back", func(s State) bool { return s.Connected && s.StoreProblem == "" && s.Stored == 50 })
			list, err := d.Records(t.Context(), "runs", 0, 100)
			require.NoError(t, err)
			assert.Len(t, list, 50)
			keys, err := d.HeardSince(t.Context(), time.Now().Add(long-time.Hour))
			require.NoError(t, err)
			receipts, err := d.Receipts(t.Context(), time.Now().Add(long), keys)
			require.NoError(t, err)
			require.Len(t, receipts, 1)
			assert.Equal(t, uint64(50), receipts[0].Streams[0].Through)
			assert.Empty(t, receipts[0].Streams[0].Missing)
		})
	}
}

type away struct {
	*db.DB
	mu sync.Mutex
	is bool
}

func (a *away) set(is bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.is = is
}

func (a *away) err() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.is {
		return errors.New("connection refused")
	}
	return nil
}

func (a *away) Ping(ctx context.Context) error { return errors.Join(a.err()) }

func (a *away) Commit(ctx context.Context, at time.Time, batch []wire.Message) (db.Outcome, error) {
	if err := a.err(); err != nil {
		return db.Outcome{}, err
	}
	return a.DB.Commit(ctx, at, batch)
}

// A broker may accept the connection and give nothing: the answer to the subscription says so.
type deaf struct{ mochi.HookBase }

func (*deaf) ID() string           { return "deaf" }
func (*deaf) Provides(b byte) bool { return b == mochi.OnSubscribe }
func (*deaf) OnSubscribe(_ *mochi.Client, p packets.Packet) packets.Packet {
	for i := range p.Filters {
		p.Filters[i].Filter = "#/broken"
	}
	return p
}

func TestRefusedSubscription(t *testing.T) {
	in := start(t, mochiBroker(t, new(deaf)), openDB(t), nil)
	in.await(t, "refused", func(s State) bool { return strings.Contains(s.Problem, "refuses the subscription") })
}

func TestOptions(t *testing.T) {
	_, err := New(Options{Broker: "http://x", Prefix: "a/#"})
	require.Error(t, err)
	for _, want := range []string{"mqtt broker", "prefix", "store"} {
		assert.ErrorContains(t, err, want)
	}
}
