// Package intake takes what units send from an MQTT broker into the database and answers on
// `received`. A message is acknowledged after the commit that stored it: the broker keeps what was not
// (a session that lasts), and the database knows what it has, so that nothing is lost or there twice.
package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"liftbank/agent/dial"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
)

// Store is what the intake needs of the database.
type Store interface {
	Commit(ctx context.Context, at time.Time, batch []wire.Message) (db.Outcome, error)
	Receipts(ctx context.Context, at time.Time, of []db.StreamKey) ([]records.Received, error)
	Wanting(ctx context.Context, at time.Time, most int) ([]db.StreamKey, error)
	HeardSince(ctx context.Context, since time.Time) ([]db.StreamKey, error)
	Ping(ctx context.Context) error
}

// Options say which broker and how. Fields without a stated default must be set.
type Options struct {
	Broker   string // mqtt://HOST[:PORT], or mqtts:// for TLS
	ClientID string // stable: the broker keeps the session by it; "" is liftbank-fleet
	Username string
	Files    dial.Files
	Prefix   string
	Store    Store
	Now      func() time.Time // nil: time.Now
	Log      *slog.Logger     // nil logs nothing
	// Committed hears what each commit did, after the acknowledgments. It must not block.
	Committed func(db.Outcome)
	Limits    Limits
}

// Limits of time and memory. A zero field takes the default.
type Limits struct {
	Batch       int           // messages in a commit; 500
	BatchBytes  int           // 4 MiB
	Gather      time.Duration // from the first message of a batch to its commit; 50 ms
	Queue       int           // messages between broker and commit; 2000
	QueueBytes  int64         // 32 MiB
	Answer      time.Duration // between two answers to a unit; 30 s
	AnswerSoon  time.Duration // while a backlog drains; 2 s
	Connect     time.Duration // 30 s
	KeepAlive   time.Duration // 30 s
	BackoffMin  time.Duration // pause after a connection failed; doubles; 1 s
	BackoffMax  time.Duration // 30 s
	Settle      time.Duration // after a connection, that messages may have waited at the broker; 1 min
	AnswerSince time.Duration // whom to answer after a start: heard so long ago; 2 h
}

func (l Limits) withDefaults() Limits {
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&l.Gather, 50 * time.Millisecond}, {&l.Answer, 30 * time.Second}, {&l.AnswerSoon, 2 * time.Second},
		{&l.Connect, 30 * time.Second}, {&l.KeepAlive, 30 * time.Second}, {&l.BackoffMin, time.Second},
		{&l.BackoffMax, 30 * time.Second}, {&l.Settle, time.Minute}, {&l.AnswerSince, 2 * time.Hour},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
	if l.Batch == 0 {
		l.Batch = 500
	}
	if l.BatchBytes == 0 {
		l.BatchBytes = 4 << 20
	}
	if l.Queue == 0 {
		l.Queue = 2000
	}
	if l.QueueBytes == 0 {
		l.QueueBytes = 32 << 20
	}
	return l
}

// State is how the intake goes.
type State struct {
	Connected    bool
	Since        time.Time         // of Connected as it is
	Problem      string            // of the broker; "" is none
	StoreProblem string            // of the database
	Connections  uint64            // that came up
	Received     map[string]uint64 // messages by last level of the topic
	Stored       uint64            // that were not known before
	Repeated     uint64
	Refused      map[wire.Reason]uint64
	Commits      uint64
	CommitFailed uint64
	CommitTime   time.Duration // of all
	Answers      uint64
	Wishes       uint64 // missing ranges asked for
	Queued       int    // messages between broker and commit now
}

// Intake is one session with one broker.
type Intake struct {
	opts   Options
	broker *url.URL
	parser *wire.Parser
	room   *semaphore.Weighted // bytes of the queue

	mu    sync.Mutex
	state State

	answers answers
}

// New checks the options; nothing is connected before Run.
func New(o Options) (*Intake, error) {
	broker, brokerErr := dial.Parse(o.Broker)
	err := errors.Join(brokerErr, dial.CheckPrefix(o.Prefix))
	if o.Store == nil {
		err = errors.Join(err, errors.New("intake: want a store"))
	}
	if (o.Files.Cert == "") != (o.Files.Key == "") {
		err = errors.Join(err, errors.New("mqtt: certificate and key file: one without the other"))
	}
	if err != nil {
		return nil, err
	}
	parser, err := wire.NewParser(o.Prefix)
	if err != nil {
		return nil, err
	}
	if o.ClientID == "" {
		o.ClientID = "liftbank-fleet"
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Committed == nil {
		o.Committed = func(db.Outcome) {}
	}
	o.Limits = o.Limits.withDefaults()
	in := &Intake{opts: o, broker: broker, parser: parser, room: semaphore.NewWeighted(o.Limits.QueueBytes)}
	in.answers.init(o)
	in.answers.seen = func(n, wishes int) {
		in.setState(func(s *State) { s.Answers, s.Wishes = s.Answers+uint64(n), s.Wishes+uint64(wishes) })
	}
	in.state.Received, in.state.Refused = map[string]uint64{}, map[wire.Reason]uint64{}
	for _, l := range wire.Leaves {
		in.state.Received[l] = 0
	}
	for _, r := range wire.Reasons {
		in.state.Refused[r] = 0
	}
	return in, nil
}

// State returns how the intake goes.
func (in *Intake) State() State {
	in.mu.Lock()
	defer in.mu.Unlock()
	s := in.state
	s.Received, s.Refused = map[string]uint64{}, map[wire.Reason]uint64{}
	for k, v := range in.state.Received {
		s.Received[k] = v
	}
	for k, v := range in.state.Refused {
		s.Refused[k] = v
	}
	return s
}

func (in *Intake) setState(change func(*State)) {
	in.mu.Lock()
	defer in.mu.Unlock()
	change(&in.state)
}

// Run takes messages until ctx ends: then it commits what it has taken, acknowledges and answers that,
// and leaves. While the database can't be written there is no connection: the broker keeps what comes.
func (in *Intake) Run(ctx context.Context) error {
	in.setState(func(s *State) { s.Since = in.opts.Now() })
	in.answers.begin(ctx)
	pause := in.opts.Limits.BackoffMin
	for ctx.Err() == nil {
		begun := time.Now()
		err := in.storeReady(ctx)
		if err == nil {
			err = in.connection(ctx)
		}
		if ctx.Err() != nil {
			return nil
		}
		in.ended(err)
		const kept = time.Minute // a connection that lasted so long lets the pause start small again
		if time.Since(begun) >= kept {
			pause = in.opts.Limits.BackoffMin
		}
		if !sleep(ctx, pause) {
			return nil
		}
		pause = min(2*pause, in.opts.Limits.BackoffMax)
	}
	return nil
}

// sleep waits, and reports whether ctx still lives.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// errStore says that the database is why there is no connection.
var errStore = errors.New("database")

func (in *Intake) storeReady(ctx context.Context) error {
	const patience = 10 * time.Second
	asking, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if err := in.opts.Store.Ping(asking); err != nil {
		return fmt.Errorf("%w: %w", errStore, err)
	}
	in.setState(func(s *State) { s.StoreProblem = "" })
	return nil
}

// ended notes why there is no connection. A repeated cause is logged once.
func (in *Intake) ended(err error) {
	if err == nil {
		err = errors.New("connection ended")
	}
	text, repeated := err.Error(), false
	in.setState(func(s *State) {
		if s.Connected {
			s.Connected, s.Since = false, in.opts.Now()
		}
		if errors.Is(err, errStore) {
			repeated = s.StoreProblem == text
			s.StoreProblem, s.Problem = text, ""
			return
		}
		repeated = s.Problem == text
		s.Problem = text
	})
	if !repeated {
		in.opts.Log.Warn("nothing is taken in", "broker", in.broker.Host, "err", err)
	}
}
