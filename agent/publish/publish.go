// Package publish tells the fleet over MQTT what one unit does: whether its agent is there (`status`, with a last will), the snapshot, and
// the streams of readings, motor runs, findings and visits.
//
// Topics are <prefix>/v1/<unit>/ + status, snapshot, readings, runs, findings, visits; all are QoS 1, status and snapshot are retained. A
// consumer tells lost, repeated and late stream messages apart by session and sequence number (package store has the rule).
//
// The only queue is the store's outbox. A broker's acknowledgement is not delivery: where a collector answers on `received`, a record is
// done when that says so; elsewhere some time after the broker had it. `received` is all that is subscribed to. It can confirm records and
// ask for some again; nothing that a broker sends changes a setting or has any other effect.
//
// What goes over the link is counted, and a budget of bytes a day is kept to: as it gets scarce, snapshots get rarer and readings coarser and
// rarer ([Publisher.Thrift]). Findings, visits and runs always go at once.
package publish

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"liftbank/agent/snapshot"
	"liftbank/agent/store"
)

// Clock is the time that a Publisher lives by; outside of tests it is {time.Now, time.After}.
type Clock struct {
	Now   func() time.Time
	After func(time.Duration) <-chan time.Time
}

// Options say what is sent, where to and how. Fields without a stated default must be set.
type Options struct {
	Broker       string // mqtt://HOST[:PORT], or mqtts:// for TLS; port 1883 or 8883 when left out
	ClientID     string // no two agents may share one: the broker would throw each out in turn; "" is "liftbank-" + Unit
	Username     string // "" connects without one
	PasswordFile string // this file and those below are read again at each connection, so that they can be renewed
	CAFile       string // PEM, what the broker's certificate is checked against; "" is the system's list
	CertFile     string // PEM, the unit's own certificate, with KeyFile; "" for none
	KeyFile      string

	Prefix  string // topic levels ahead of v1; may hold several, parted by "/"
	Unit    string // one topic level
	Session string // this start of the agent, as in the snapshot

	Hub    *snapshot.Hub
	Outbox Outbox
	Clock  Clock
	Rand   func() float64 // 0 to below 1, for the back-off's jitter
	Log    *slog.Logger   // nil logs nothing

	Every   time.Duration // between snapshots while no finding changes; 0 is 6 h
	Budget  int           // bytes a day, IP headers included; 0 is no budget
	SenML   bool          // readings as SenML packs (RFC 8428) while the clock is trusted
	Deflate bool          // payloads of the streams and the snapshot in the zlib format (RFC 1950)
	Limits  Limits
}

// Outbox is where the records of the streams wait; package store has the one that is used.
type Outbox interface {
	// After gives up to n records of a stream behind a place, oldest first.
	After(ctx context.Context, of store.Stream, place int64, n int) ([]store.Record, error)
	// Resume gives the place up to which a broker has acknowledged a stream.
	Resume(of store.Stream) int64
	// Acked notes that a broker has acknowledged a record and those of its stream before it.
	Acked(r store.Record)
	// Confirm takes a collector's receipt and gives the records that it wants again.
	Confirm(ctx context.Context, r store.Receipt) (again []store.Record, known bool, err error)
	// Collected tells whether a collector confirms a stream.
	Collected(of store.Stream) bool
	// Unconfirmed gives the oldest records that a broker has acknowledged and no collector confirmed.
	Unconfirmed(ctx context.Context, of store.Stream, n int) ([]store.Record, error)
	// News gives a channel that has something in it when there are new records.
	News() <-chan struct{}
}

// Limits bound how long the broker may take. A zero field takes the default.
type Limits struct {
	Connect     time.Duration // from dialling to the broker's answer; 30 s
	Write       time.Duration // for one packet to leave; 5 s
	Ack         time.Duration // for the answer to a message; a connection that takes longer is given up; 30 s
	KeepAlive   time.Duration // between pings on a silent connection; 4 min, whole seconds
	Ping        time.Duration // for the answer to a ping; 15 s
	Stop        time.Duration // for outstanding answers at the end; 5 s
	BackoffMin  time.Duration // pause after the first failure; doubles; 1 s
	BackoffMax  time.Duration // 2 min
	BackoffKept time.Duration // a connection must stay up this long for the pause to start small again; 1 min
	Pace        time.Duration // between records of the streams once 20 have gone at once, so that a backlog drains evenly; 100 ms
	Confirm     time.Duration // for a collector to confirm what the broker acknowledged, before it is sent again; doubles up to 6 h; 15 min
}

func (l Limits) withDefaults() Limits {
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&l.Connect, 30 * time.Second}, {&l.Write, 5 * time.Second}, {&l.Ack, 30 * time.Second},
		{&l.KeepAlive, 4 * time.Minute}, {&l.Ping, 15 * time.Second}, {&l.Stop, 5 * time.Second},
		{&l.BackoffMin, time.Second}, {&l.BackoffMax, 2 * time.Minute}, {&l.BackoffKept, time.Minute},
		{&l.Pace, 100 * time.Millisecond}, {&l.Confirm, 15 * time.Minute},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
	return l
}

// State is how publishing goes.
type State struct {
	Connected  bool
	Since      time.Time // of Connected being as it is; zero before Run
	Problem    string    // why there is no connection, as one of a few; "" while there is one or before the first attempt has ended
	LastError  string    // the error behind the last problem; "" if there never was one
	Failures   uint64    // connections that failed to come up or were lost, since the start
	Reconnects uint64    // connections that came up after the first
	Published  uint64    // messages that the broker acknowledged
	Repeated   uint64    // records sent again because the collector asked for them or didn't confirm them
	Dropped    uint64    // messages given up: a figure that can't be sent
	Bytes      uint64    // sent and received since the start, IP headers included, TLS handshakes apart; by count of reads and writes
	Thrift     int       // how scarce the budget is: 0 plenty, 3 used up
	Receipts   uint64    // of the collector, taken
	Refused    uint64    // messages on received that were none, or were for what was never sent
	Oversized  uint64    // packets of the broker read past
	Deaf       bool      // the broker doesn't let the unit subscribe to received
}

// Publisher sends one unit's messages to one broker.
type Publisher struct {
	opts   Options
	broker *url.URL
	wake   chan struct{} // something to send; cap 1

	budget *budget

	mu    sync.Mutex // over all below; never held while sending
	state State
	wasUp bool // there has been a connection
}

// New checks the options; nothing is connected before Run. All errors are reported together.
func New(opts Options) (*Publisher, error) {
	broker, brokerErr := parseBroker(opts.Broker)
	err := errors.Join(brokerErr, checkPrefix(opts.Prefix), checkLevel("unit", opts.Unit), opts.check())
	if err != nil {
		return nil, err
	}
	opts.Limits = opts.Limits.withDefaults()
	if opts.Every == 0 {
		opts.Every = 6 * time.Hour
	}
	if opts.ClientID == "" {
		opts.ClientID = "liftbank-" + opts.Unit
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	return &Publisher{opts: opts, broker: broker, wake: make(chan struct{}, 1), budget: newBudget(opts.Budget, opts.Clock.Now)}, nil
}

// check covers what the parsers of broker, prefix and unit don't.
func (o Options) check() error {
	var errs []error
	if o.Session == "" {
		errs = append(errs, errors.New("mqtt session: empty: want an id of this start"))
	}
	if o.Hub == nil || o.Outbox == nil || o.Clock.Now == nil || o.Clock.After == nil || o.Rand == nil {
		errs = append(errs, errors.New("mqtt: hub, outbox, clock or rand not given"))
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		errs = append(errs, errors.New("mqtt: certificate and key file: one without the other"))
	}
	if o.Username == "" && o.PasswordFile != "" {
		errs = append(errs, errors.New("mqtt: password file without a user name"))
	}
	if o.Every < 0 || o.Budget < 0 {
		errs = append(errs, fmt.Errorf("mqtt: interval %v, budget %d: want 0 or more", o.Every, o.Budget))
	}
	return errors.Join(errs...)
}

// State gives how publishing goes now.
func (p *Publisher) State() State {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.state
	s.Bytes, s.Thrift = p.budget.total(), p.budget.level()
	return s
}

// Thrift tells how scarce the day's budget of bytes is, 0 (plenty) to 3 (used up): what can wait or be coarser is to be so.
func (p *Publisher) Thrift() int { return p.budget.level() }

func (p *Publisher) poke() {
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// Run connects, publishes, and connects again with growing pauses whenever that fails, until ctx ends; then it says
// goodbye to the broker and returns nil. It leaves no goroutine or connection behind. Run may be called once.
func (p *Publisher) Run(ctx context.Context) error {
	var watching sync.WaitGroup
	watching.Go(func() { p.watch(ctx) })
	defer watching.Wait()

	p.setState(func(s *State) { s.Since = p.opts.Clock.Now() })
	pause := backoff{limits: p.opts.Limits, rand: p.opts.Rand}
	for connection := uint64(1); ctx.Err() == nil; connection++ {
		begun := p.opts.Clock.Now()
		err := p.connection(ctx, connection)
		p.ended(err)
		if err == nil {
			break
		}
		select {
		case <-ctx.Done():
		case <-p.opts.Clock.After(pause.next(p.opts.Clock.Now().Sub(begun))):
		}
	}
	return nil
}

// watch pokes when there is a first snapshot and when the findings of the newest differ from those before.
func (p *Publisher) watch(ctx context.Context) {
	var last *snapshot.Snapshot
	for seq := uint64(0); ; seq = last.Seq {
		s, err := p.opts.Hub.Next(ctx, seq)
		if err != nil {
			return
		}
		if last == nil || !sameFindings(last.Findings, s.Findings) {
			p.poke()
		}
		last = s
	}
}

// sameFindings tells whether two snapshots show the same conditions in the same states; evidence may differ.
func sameFindings(a, b []snapshot.Finding) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Name != b[i].Name || a[i].Subject != b[i].Subject || a[i].Severity != b[i].Severity || a[i].State != b[i].State {
			return false
		}
	}
	return true
}

func (p *Publisher) setState(change func(*State)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change(&p.state)
}

// connected records a connection that came up.
func (p *Publisher) connected() {
	p.setState(func(s *State) {
		if p.wasUp {
			s.Reconnects++
		}
		p.wasUp = true
		s.Connected, s.Since, s.Problem, s.Deaf = true, p.opts.Clock.Now(), "", false
	})
	p.opts.Log.Info("broker connected", "broker", p.broker.Host, "unit", p.opts.Unit)
}

// ended records a connection that didn't come up, was lost, or (nil) was left. A repeated cause is logged once.
func (p *Publisher) ended(err error) {
	var repeated bool
	p.setState(func(s *State) {
		repeated = err == nil || !s.Connected && s.LastError == err.Error()
		if s.Connected {
			s.Connected, s.Since = false, p.opts.Clock.Now()
		}
		if err != nil {
			s.LastError, s.Problem = err.Error(), problemOf(err)
			s.Failures++
		}
	})
	if !repeated {
		p.opts.Log.Warn("no broker", "broker", p.broker.Host, "unit", p.opts.Unit, "err", err)
	}
}
