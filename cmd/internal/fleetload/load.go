package fleetload

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"text/tabwriter"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/errgroup"

	"liftbank/agent/records"
)

// Options say what is played.
type Options struct {
	Broker      string // tcp://HOST:PORT or ssl://HOST:PORT
	Username    string
	Password    string
	TLS         func(unit string) (*tls.Config, error) // nil: plain
	Prefix      string
	Units       int
	Connections int     // 0: one a unit; fewer share them, which only an open broker lets them
	Rate        float64 // messages a second, all together; 0: as fast as the broker takes them
	Messages    int     // in all; 0: until For
	For         time.Duration
	// OutageEvery cuts all connections for OutageFor, again and again.
	OutageEvery, OutageFor time.Duration
	// Backlog: each unit sends one message, waits until the broker is gone, connects again as agents do
	// and sends what it made in this time, as agents do.
	Backlog time.Duration
	// Confirmed waits so long, at the end, for the collector to confirm all; 0: not at all.
	Confirmed time.Duration
	Session   string    // of the units; another one each time
	Start     time.Time // of the units' records
	Mix       []Mix
}

// Result is what came of it.
type Result struct {
	Units       int     `json:"units"`
	Connections int     `json:"connections"`
	Messages    uint64  `json:"messages"` // that the broker acknowledged
	Records     uint64  `json:"records"`  // of them, of streams
	Bytes       uint64  `json:"payload_bytes"`
	Again       uint64  `json:"sent_again"` // after a connection was lost
	Connects    uint64  `json:"connects"`
	Seconds     float64 `json:"seconds"`
	PerS        float64 `json:"messages_per_s"`
	AckP50MS    float64 `json:"ack_p50_ms"`
	AckP95MS    float64 `json:"ack_p95_ms"`
	Receipts    uint64  `json:"receipts"`    // messages on received
	Confirmed   uint64  `json:"confirmed"`   // records that the collector said it has
	Unconfirmed uint64  `json:"unconfirmed"` // at the end
	Missing     uint64  `json:"asked_again"` // records that the collector wants again, at the end
	WaitS       float64 `json:"confirmed_after_s"`
	// Of a backlog, since the first unit was connected again: until all were, and until all was confirmed.
	BackS    float64 `json:"all_back_s,omitempty"`
	DrainedS float64 `json:"drained_s,omitempty"`
}

// Table writes the result for people.
func (r *Result) Table(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, row := range []struct {
		name  string
		value any
	}{
		{"units", r.Units}, {"connections", r.Connections}, {"messages acknowledged", r.Messages}, {"of them records", r.Records},
		{"payload, MB", float64(r.Bytes) / 1e6}, {"sent again", r.Again}, {"connects", r.Connects}, {"seconds", r.Seconds},
		{"messages a second", r.PerS}, {"acknowledged within, ms, median", r.AckP50MS}, {"95 %", r.AckP95MS},
		{"receipts heard", r.Receipts}, {"records confirmed", r.Confirmed}, {"not confirmed", r.Unconfirmed},
		{"wanted again", r.Missing}, {"confirmed after the end, s", r.WaitS}, {"all connected again after, s", r.BackS},
		{"all of the backlog confirmed after, s", r.DrainedS},
	} {
		if v, ok := row.value.(float64); ok && v == 0 && strings.HasPrefix(row.name, "all ") {
			continue // no backlog
		} else if ok {
			row.value = fmt.Sprintf("%.4g", v)
		}
		if _, err := fmt.Fprintf(t, "%s\t%v\n", row.name, row.value); err != nil {
			return err
		}
	}
	return t.Flush()
}

// Name returns the name of a unit by its index.
func Name(k int) string { return fmt.Sprintf("u%06d", k+1) }

// load is a run.
type load struct {
	o        Options
	left     atomic.Int64 // messages still to be sent
	messages atomic.Uint64
	records  atomic.Uint64
	bytes    atomic.Uint64
	again    atomic.Uint64
	connects atomic.Uint64
	receipts atomic.Uint64
	begun    time.Time
	back     atomic.Int64 // lines that are connected again
	firstOne atomic.Int64 // when the first was, ns since begun
	lastOne  atomic.Int64

	mu   sync.Mutex
	acks []time.Duration // a sample
}

// unit is one unit's place in its mix.
type unit struct {
	name string
	mix  *Mix
	next int
	// Where in its mix it began, and how often it has been through.
	begun, turn int
	seq         map[string]uint64
	last        map[string]message // by stream

	mu        sync.Mutex
	confirmed map[string]uint64 // by stream
	missing   map[string]uint64
}

// window is how many messages of a connection wait for their acknowledgement.
const window = 100

// Run plays the load.
func Run(ctx context.Context, o Options) (*Result, error) {
	if o.Units < 1 || len(o.Mix) == 0 {
		return nil, errors.New("load: want units and a mix of messages")
	}
	if o.Connections == 0 || o.Connections > o.Units {
		o.Connections = o.Units
	}
	l := &load{o: o, begun: time.Now()}
	l.left.Store(math.MaxInt64)
	if o.Messages > 0 {
		l.left.Store(int64(o.Messages))
	}
	sending, cancel := ctx, context.CancelFunc(func() {})
	if o.For > 0 {
		sending, cancel = context.WithTimeout(ctx, o.For)
	}
	defer cancel()
	lines := make([]*line, o.Connections)
	for k := range lines {
		lines[k] = &line{l: l, k: k}
	}
	for k := range o.Units {
		of := lines[k%o.Connections]
		mix := &o.Mix[k%len(o.Mix)]
		begun := k % len(mix.Messages)
		of.units = append(of.units, &unit{
			name: Name(k), mix: mix, next: begun, begun: begun, seq: map[string]uint64{}, last: map[string]message{},
			confirmed: map[string]uint64{}, missing: map[string]uint64{},
		})
	}
	g, gctx := errgroup.WithContext(sending)
	for _, of := range lines {
		g.Go(func() error { return of.send(gctx) })
	}
	err := g.Wait()
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		err = nil
	}
	took := time.Since(l.begun)
	r := l.result(took)
	if err == nil && o.Confirmed > 0 {
		err = l.await(ctx, lines, r)
	}
	r.Receipts, r.Again = l.receipts.Load(), l.again.Load()
	if o.Backlog > 0 && l.back.Load() == int64(o.Connections) {
		first := time.Duration(l.firstOne.Load())
		r.BackS, r.DrainedS = (time.Duration(l.lastOne.Load()) - first).Seconds(), (time.Since(l.begun) - first).Seconds()
	}
	for _, of := range lines {
		of.close()
	}
	return r, err
}

func (l *load) result(took time.Duration) *Result {
	r := &Result{
		Units: l.o.Units, Connections: l.o.Connections, Messages: l.messages.Load(), Records: l.records.Load(),
		Bytes: l.bytes.Load(), Again: l.again.Load(), Connects: l.connects.Load(), Seconds: took.Seconds(),
	}
	r.PerS = float64(r.Messages) / max(r.Seconds, 1e-9)
	if slices.Sort(l.acks); len(l.acks) > 0 {
		ms := func(part float64) float64 {
			return float64(l.acks[int(part*float64(len(l.acks)-1))].Microseconds()) / 1000
		}
		r.AckP50MS, r.AckP95MS = ms(0.5), ms(0.95)
	}
	return r
}

// await waits until the collector has confirmed all that was sent. An answer may have been lost with a
// connection: now and then the last record of a stream that waits is sent again, as units do.
func (l *load) await(ctx context.Context, lines []*line, r *Result) error {
	const parts = 4
	began, asked := time.Now(), 1
	for {
		again := time.Since(began) > time.Duration(asked)*l.o.Confirmed/parts
		if again {
			asked++
		}
		r.Confirmed, r.Missing = 0, 0
		var all uint64
		for _, of := range lines {
			for _, u := range of.units {
				u.mu.Lock()
				for stream, n := range u.seq {
					all += n
					r.Confirmed += min(u.confirmed[stream], n)
					r.Missing += u.missing[stream]
					if m := u.last[stream]; again && u.confirmed[stream] < n {
						of.client.Publish(m.topic, 1, false, m.payload)
						l.again.Add(1)
					}
				}
				u.mu.Unlock()
			}
		}
		r.Unconfirmed, r.WaitS = all-r.Confirmed, time.Since(began).Seconds()
		if r.Unconfirmed == 0 || time.Since(began) > l.o.Confirmed {
			return nil
		}
		t := time.NewTimer(100 * time.Millisecond)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		}
	}
}

// line is one connection with the units that use it.
type line struct {
	l      *load
	k      int
	units  []*unit
	client mqtt.Client
	lost   chan struct{} // closed when the connection is
}

func (n *line) close() {
	if n.client != nil {
		n.client.Disconnect(100)
	}
}

// connect tries until it succeeds.
func (n *line) connect(ctx context.Context) error {
	o := &n.l.o
	name := n.units[0].name
	c := mqtt.NewClientOptions().AddBroker(o.Broker).SetClientID("liftbank-" + name).SetCleanSession(true).
		SetAutoReconnect(false).SetConnectTimeout(30 * time.Second).SetUsername(o.Username).SetPassword(o.Password).
		SetKeepAlive(4 * time.Minute).SetOrderMatters(false)
	if o.TLS != nil {
		config, err := o.TLS(name)
		if err != nil {
			return err
		}
		c.SetTLSConfig(config)
	}
	wait, most := 100*time.Millisecond, 10*time.Second
	if o.Backlog > 0 { // as agents have it
		wait, most = time.Second, 2*time.Minute
		if n.client != nil {
			if err := sleepUntil(ctx, time.Now().Add(random(wait))); err != nil {
				return err
			}
		}
	}
	for ; ; wait = min(2*wait, most) {
		lost := make(chan struct{})
		c.SetConnectionLostHandler(func(mqtt.Client, error) { close(lost) })
		client := mqtt.NewClient(c)
		token := client.Connect()
		token.Wait()
		err := token.Error()
		if err == nil {
			topic := o.Prefix + "/v1/" + name + "/received"
			if len(n.units) > 1 {
				topic = o.Prefix + "/v1/+/received"
			}
			sub := client.Subscribe(topic, 0, n.received)
			sub.Wait()
			if err = sub.Error(); err == nil {
				n.client, n.lost = client, lost
				n.l.connects.Add(1)
				return nil
			}
			client.Disconnect(0)
		}
		pause := wait
		if o.Backlog > 0 {
			pause = random(wait)
		}
		t := time.NewTimer(pause)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return errors.Join(ctx.Err(), err)
		}
	}
}

// received notes what the collector says it has.
func (n *line) received(_ mqtt.Client, m mqtt.Message) {
	var r records.Received
	if json.Unmarshal(m.Payload(), &r) != nil {
		return
	}
	for _, u := range n.units {
		if u.name != r.Unit {
			continue
		}
		n.l.receipts.Add(1)
		u.mu.Lock()
		for _, e := range r.Streams {
			if e.Session != n.l.session(u) {
				continue
			}
			u.confirmed[e.Stream] = max(u.confirmed[e.Stream], e.Through)
			u.missing[e.Stream] = 0
			for _, gap := range e.Missing {
				u.missing[e.Stream] += gap[1] - gap[0] + 1
			}
		}
		u.mu.Unlock()
	}
}

func (l *load) session(u *unit) string { return u.name + "-" + l.o.Session }

// message is one that is to be sent.
type message struct {
	topic    string
	payload  []byte
	retained bool
	record   bool
}

// send sends until all is sent or ctx ends.
func (n *line) send(ctx context.Context) error {
	if len(n.units) == 0 {
		return nil
	}
	if err := n.connect(ctx); err != nil {
		return err
	}
	o := &n.l.o
	if o.Backlog > 0 {
		return n.backlog(ctx)
	}
	size, pause := window, time.Duration(0)
	if o.Rate > 0 {
		perS := o.Rate / float64(o.Connections)
		size = min(window, max(1, int(perS/10)))
		pause = time.Duration(float64(size) / perS * float64(time.Second))
	}
	// Not all at once.
	due := time.Now().Add(time.Duration(float64(pause) * float64(n.k) / float64(max(o.Connections, 1))))
	var batch []message
	turn := 0
	for {
		batch = batch[:0]
		for len(batch) < size && n.l.left.Add(-1) >= 0 {
			batch = append(batch, n.l.message(n.units[turn%len(n.units)]))
			turn++
		}
		if len(batch) == 0 {
			return nil
		}
		if err := sleepUntil(ctx, due); err != nil {
			return err
		}
		due = due.Add(pause)
		if err := n.deliver(ctx, batch); err != nil {
			return err
		}
	}
}

// random returns a pause, half of it random, as agents make it.
func random(d time.Duration) time.Duration { return d/2 + rand.N(d/2) }

// backlog sends one message of each unit, and once the broker was away all that they have made meanwhile.
func (n *line) backlog(ctx context.Context) error {
	var batch []message
	for _, u := range n.units {
		batch = append(batch, n.l.message(u))
	}
	if err := n.deliver(ctx, batch); err != nil {
		return err
	}
	select {
	case <-n.lost:
	case <-ctx.Done():
		return ctx.Err()
	}
	n.client.Disconnect(0)
	if err := n.connect(ctx); err != nil {
		return err
	}
	now := int64(time.Since(n.l.begun))
	n.l.firstOne.CompareAndSwap(0, now)
	for was := n.l.lastOne.Load(); was < now && !n.l.lastOne.CompareAndSwap(was, now); was = n.l.lastOne.Load() {
	}
	n.l.back.Add(1)
	const perS, ahead = 10, 10 // an agent's pace for each unit, and its messages without an acknowledgment
	due := time.Now()
	for _, u := range n.units {
		for left := count(n.l.o.Backlog); left > 0; left -= len(batch) {
			batch = batch[:0]
			for len(batch) < min(ahead, left) {
				batch = append(batch, n.l.message(u))
			}
			if err := sleepUntil(ctx, due); err != nil {
				return err
			}
			due = due.Add(time.Duration(len(batch)) * time.Second / time.Duration(perS*len(n.units)))
			if err := n.deliver(ctx, batch); err != nil {
				return err
			}
		}
	}
	return nil
}

// deliver sends a batch, again after each loss of the connection, until all of it is acknowledged.
func (n *line) deliver(ctx context.Context, batch []message) error {
	for {
		if out := n.l.outage(); out > 0 {
			n.client.Disconnect(0)
			if err := sleepUntil(ctx, time.Now().Add(out)); err != nil {
				return err
			}
			if err := n.connect(ctx); err != nil {
				return err
			}
		}
		began := time.Now()
		tokens := make([]mqtt.Token, len(batch))
		for k := range batch {
			tokens[k] = n.client.Publish(batch[k].topic, 1, batch[k].retained, batch[k].payload)
		}
		rest := batch[:0:0]
		for k, token := range tokens {
			select {
			case <-token.Done():
				if token.Error() == nil {
					n.l.acknowledged(&batch[k], time.Since(began), k)
					continue
				}
			case <-ctx.Done():
				return ctx.Err()
			}
			rest = append(rest, batch[k])
		}
		if len(rest) == 0 {
			return nil
		}
		batch = rest
		n.l.again.Add(uint64(len(rest)))
		n.client.Disconnect(0)
		if err := n.connect(ctx); err != nil {
			return err
		}
	}
}

func (l *load) acknowledged(m *message, after time.Duration, k int) {
	l.messages.Add(1)
	l.bytes.Add(uint64(len(m.payload)))
	if m.record {
		l.records.Add(1)
	}
	const most = 1 << 16
	if k == 0 {
		l.mu.Lock()
		if len(l.acks) < most {
			l.acks = append(l.acks, after)
		}
		l.mu.Unlock()
	}
}

// outage returns how long the link stays down from now on; 0 while it is up.
func (l *load) outage() time.Duration {
	if l.o.OutageEvery <= 0 {
		return 0
	}
	in := time.Since(l.begun) % l.o.OutageEvery
	if up := l.o.OutageEvery - l.o.OutageFor; in < up {
		return 0
	}
	return l.o.OutageEvery - in // the end of each period is one
}

// message returns a unit's next one.
func (l *load) message(u *unit) message {
	t := &u.mix.Messages[u.next]
	if u.next++; u.next == len(u.mix.Messages) {
		u.next, u.turn = 0, u.turn+1
	}
	m := message{topic: l.o.Prefix + "/v1/" + u.name + "/" + t.Leaf, retained: t.Retained, record: t.Schema != ""}
	// Each begins at the same time, wherever in its mix.
	at := time.Duration(u.turn)*(u.mix.Span+time.Minute) + t.After - u.mix.Messages[u.begun].After
	when := l.o.Start.Add(at)
	if t.Schema == "" { // of now, as a unit makes it
		when = time.Now()
	}
	if m.record {
		u.mu.Lock()
		u.seq[t.Leaf]++
		u.mu.Unlock()
	}
	m.payload = t.Append(nil, u.name, l.session(u), 1, u.seq[t.Leaf], when, at)
	if m.record {
		u.last[t.Leaf] = m
	}
	return m
}

func sleepUntil(ctx context.Context, at time.Time) error {
	d := time.Until(at)
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// URL returns the address in the form that the client takes.
func URL(broker string) string {
	broker = strings.Replace(broker, "mqtts://", "ssl://", 1)
	return strings.Replace(broker, "mqtt://", "tcp://", 1)
}
