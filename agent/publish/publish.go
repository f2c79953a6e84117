// Package publish is the MQTT outlet: it sends what one unit records to a broker. That is whether
// its agent is there (`status`, with a last will), the snapshot, and the streams of readings, motor
// runs, findings and visits.
//
// Topics are <prefix>/v1/<unit>/ + status, snapshot, readings, runs, findings, visits. All are QoS
// 1; status and snapshot are retained. A consumer recognizes lost, repeated and late stream
// messages by session and sequence number (package store has the rule).
//
// The only queue is the store's outbox. A broker's acknowledgement is not delivery: where a
// collector answers on `received`, a record is done when that says so; elsewhere some time after
// the broker had it. `received` is all that the unit subscribes to. It can confirm records and ask
// for some again; nothing that a broker sends changes a setting or has any other effect.
//
// Bytes on the link are counted, and a budget of bytes a day is kept to. As it gets scarce,
// snapshots get rarer and readings coarser and rarer ([outlet.State.BudgetLevel]). Findings, visits
// and runs are always sent at once.
package publish

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/dial"
	"liftbank/agent/outlet"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// name of the outlet.
const name = "mqtt"

// Kind registers MQTT as an outlet.
var Kind = outlet.Kind{
	Name:   name,
	Wanted: func(c *config.Config) bool { return c.MQTT != nil },
	New: func(c *config.Config, o outlet.Options) (outlet.Outlet, error) {
		m := c.MQTT
		return New(Options{
			Options: o,
			Broker:  m.Broker, Username: m.Username, PasswordFile: m.PasswordFile,
			CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile,
			Prefix: m.Prefix, Budget: m.DailyKB * 1000, SenML: m.Encoding == config.SenML, Deflate: m.Deflate,
			ByTheHour:     c.Limits.Of("power.radio_a") > 0,
			SnapshotEvery: m.SnapshotEvery, ReadingsEvery: m.ReadingsEvery, Limits: Limits{KeepAlive: m.KeepAlive},
		})
	},
}

// Options say what is sent, where to and how. Fields without a stated default must be set.
type Options struct {
	outlet.Options // Unit is one topic level; a nil Log logs nothing

	Broker   string // mqtt://HOST[:PORT], or mqtts:// for TLS; port 1883 or 8883 when left out
	ClientID string // no two agents may share one: the broker would throw each out in turn; "" is "liftbank-" + Unit
	Username string // "" connects without one
	// PasswordFile and the files below are read again at each connection, so that they can be
	// renewed.
	PasswordFile string
	CAFile       string // PEM, authorities to trust for the broker's certificate; "" is the system's list
	CertFile     string // PEM, the unit's own certificate, with KeyFile; "" for none
	KeyFile      string

	Prefix string // topic levels ahead of v1; several are separated by "/"

	SnapshotEvery time.Duration // between snapshots while no finding changes; 0 is 6 h
	ReadingsEvery time.Duration // between batches of readings; 0 is none
	Budget        int           // bytes a day, IP headers included; 0 is no budget
	SenML         bool          // readings as SenML packs (RFC 8428) while the clock is trusted
	ByTheHour     bool          // the radio draws enough to be off for most of the time that the board saves
	Deflate       bool          // payloads of the streams and the snapshot in the zlib format (RFC 1950)
	Limits        Limits
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
	Pace        time.Duration // between records after 20 sent at once, so that a backlog drains evenly; 100 ms
	// Confirm is for a collector to confirm what the broker acknowledged, before it is sent again;
	// doubles up to 6 h; 15 min.
	Confirm time.Duration
	// While the board saves: from one connection to the next (1 h), for receipts to come on one (20 s), and
	// for them and a backlog at most (5 min).
	RadioEvery, RadioLeast, RadioMost time.Duration

	Hold time.Duration // before a message that a broker refused is tried again; doubles up to 6 h; 2 min
}

func (l Limits) withDefaults() Limits {
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&l.Connect, 30 * time.Second}, {&l.Write, 5 * time.Second}, {&l.Ack, 30 * time.Second},
		{&l.KeepAlive, 4 * time.Minute}, {&l.Ping, 15 * time.Second}, {&l.Stop, 5 * time.Second},
		{&l.BackoffMin, time.Second}, {&l.BackoffMax, 2 * time.Minute}, {&l.BackoffKept, time.Minute},
		{&l.Pace, 100 * time.Millisecond}, {&l.Confirm, 15 * time.Minute}, {&l.Hold, 2 * time.Minute},
		{&l.RadioEvery, time.Hour}, {&l.RadioLeast, 20 * time.Second}, {&l.RadioMost, 5 * time.Minute},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
	return l
}

// Publisher sends one unit's messages to one broker.
type Publisher struct {
	opts   Options
	broker *url.URL
	wake   chan struct{} // something to send; cap 1

	budget *budget

	encoder records.Encoder
	refused refused
	// what was shown last of all, nil: nothing yet; of Run's goroutine
	lastShown *snapshot.Snapshot
	doubt     string // why what is sent may not arrive although there is a connection; of Run's goroutine

	mu    sync.Mutex // over all below; never held while sending
	state outlet.State
	wasUp bool // there has been a connection
}

// New checks the options; nothing is connected before Run. All errors are reported together.
func New(opts Options) (*Publisher, error) {
	broker, brokerErr := dial.Parse(opts.Broker)
	err := errors.Join(brokerErr, dial.CheckPrefix(opts.Prefix), dial.CheckLevel("unit", opts.Unit), opts.check())
	if err != nil {
		return nil, err
	}
	opts.Limits = opts.Limits.withDefaults()
	if opts.SnapshotEvery == 0 {
		opts.SnapshotEvery = 6 * time.Hour
	}
	if opts.ClientID == "" {
		opts.ClientID = "liftbank-" + opts.Unit
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	return &Publisher{
		opts: opts, broker: broker, wake: make(chan struct{}, 1), budget: newBudget(opts.Budget, opts.Clock.Now),
		encoder: records.Encoder{Unit: opts.Unit, SenML: opts.SenML}, state: outlet.State{Name: name},
		refused: newRefused(),
	}, nil
}

// check covers what the parsers of broker, prefix and unit don't.
func (o Options) check() error {
	var errs []error
	if o.Session == "" {
		errs = append(errs, errors.New("mqtt session: empty: want an ID for this start of the agent"))
	}
	if o.Hub == nil || o.Outbox == nil || o.Clock.Now == nil || o.Clock.After == nil || o.Rand == nil {
		errs = append(errs, errors.New("mqtt: want hub, outbox, clock and rand"))
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		errs = append(errs, errors.New("mqtt: certificate and key file: one without the other"))
	}
	if o.Username == "" && o.PasswordFile != "" {
		errs = append(errs, errors.New("mqtt: password file without a user name"))
	}
	if o.SnapshotEvery < 0 || o.ReadingsEvery < 0 || o.Budget < 0 {
		errs = append(errs, fmt.Errorf("mqtt: intervals %v and %v, budget %d: want 0 or more", o.SnapshotEvery,
			o.ReadingsEvery, o.Budget))
	}
	return errors.Join(errs...)
}

// State returns how publishing goes now.
func (p *Publisher) State() outlet.State {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.state
	if s.Connected && s.Problem == "" && p.opts.Outbox.Silent() >= unheardLimit {
		s.Problem = Unheard
	}
	s.Bytes, s.BudgetLevel = p.budget.total(), p.budget.level()
	return s
}

// ReadingsEvery returns the time between batches of readings that are wanted.
func (p *Publisher) ReadingsEvery() time.Duration { return p.opts.ReadingsEvery }

// Wake has the connection look whether there is something to send.
func (p *Publisher) Wake() { p.notify() }

func (p *Publisher) notify() {
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// Run connects, publishes, and connects again with growing pauses whenever that fails, until ctx
// ends. Then it says goodbye to the broker and returns nil. It leaves no goroutine or connection
// behind. Run may be called once.
func (p *Publisher) Run(ctx context.Context) error {
	var watching sync.WaitGroup
	watching.Go(func() { p.watch(ctx) })
	defer watching.Wait()

	p.setState(func(s *outlet.State) { s.Since = p.opts.Clock.Now() })
	pause := backoff{limits: p.opts.Limits, rand: p.opts.Rand}
	on := p.opts.Clock.Now() // since when the radio is
	for connection := uint64(1); ctx.Err() == nil; connection++ {
		begun := p.opts.Clock.Now()
		p.setState(func(s *outlet.State) { s.LastWord = false })
		err := p.connection(ctx, connection)
		if errors.Is(err, errRest) {
			p.rests()
		} else {
			p.ended(err)
		}
		if err == nil {
			break
		}
		outOfReach := p.saving(p.opts.Hub.Current()) && p.opts.Clock.Now().Sub(on) >= p.opts.Limits.RadioMost
		if errors.Is(err, errRest) || outOfReach {
			if !p.rested(ctx, on) {
				break
			}
			on = p.opts.Clock.Now()
			continue
		}
		select {
		case <-ctx.Done():
		case <-p.opts.Clock.After(pause.next(p.opts.Clock.Now().Sub(begun))):
		}
	}
	return nil
}

// watch notifies the connection of the first snapshot, and of each whose findings, or work under way,
// differ from those before.
func (p *Publisher) watch(ctx context.Context) {
	var last *snapshot.Snapshot
	for seq := uint64(0); ; seq = last.Seq {
		s, err := p.opts.Hub.Next(ctx, seq)
		if err != nil {
			return
		}
		if last == nil || !sameFindings(last.Findings, s.Findings) || !sameWork(last, s) || p.saving(last) != p.saving(s) ||
			(s.Power != nil && s.Power.Asleep != nil) != (last.Power != nil && last.Power.Asleep != nil) {
			p.notify()
		}
		last = s
	}
}

// sameFindings reports whether two snapshots show the same conditions in the same states; evidence
// may differ.
func sameFindings(a, b []snapshot.Finding) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Name != b[i].Name || a[i].Subject != b[i].Subject || a[i].Severity != b[i].Severity ||
			a[i].State != b[i].State {
			return false
		}
	}
	return true
}

// sameWork reports whether the same work is under way in two snapshots, or none. Its times move with
// the clock.
func sameWork(a, b *snapshot.Snapshot) bool {
	if a.Work == nil || b.Work == nil {
		return a.Work == b.Work
	}
	return a.Work.By == b.Work.By && a.Work.Kind == b.Work.Kind
}

func (p *Publisher) setState(change func(*outlet.State)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change(&p.state)
}

// connected notes a connection that came up.
func (p *Publisher) connected() {
	doubt := p.doubt
	if p.refusing() {
		doubt = refusesMessage
	}
	p.setState(func(s *outlet.State) {
		if p.wasUp {
			s.Reconnects++
		}
		p.wasUp = true
		s.Connected, s.Since, s.Problem, s.ReceiptsBlocked = true, p.opts.Clock.Now(), doubt, false
	})
	p.opts.Log.Info("broker connected", "broker", p.broker.Host, "unit", p.opts.Unit)
}

// rests notes a connection that was left because there is nothing to say for now.
func (p *Publisher) rests() {
	p.setState(func(s *outlet.State) { s.Connected, s.Since, s.Problem = false, p.opts.Clock.Now(), "" })
	p.opts.Log.Info("broker left for now: the board saves", "broker", p.broker.Host, "unit", p.opts.Unit)
}

// ended notes a connection that didn't come up, was lost, or (nil) was left. A repeated cause is
// logged once.
func (p *Publisher) ended(err error) {
	var repeated bool
	p.setState(func(s *outlet.State) {
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
		p.opts.Log.Warn("broker not connected", "broker", p.broker.Host, "unit", p.opts.Unit, "err", err)
	}
}
