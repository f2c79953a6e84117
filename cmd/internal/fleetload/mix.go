// Package fleetload plays what many units send against a broker, and watches what a collector
// answers: the messages of a few simulated units' working days, each given to many.
package fleetload

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"liftbank/agent/records"
	"liftbank/cmd/internal/crowd"
)

// Mix is what a unit sends, in order: the records of its streams and its snapshots.
type Mix struct {
	Messages []Template
	Span     time.Duration // of the unit's time that it covers
}

// Template is a message that any unit may send. A record's head is made anew for each; what follows
// it stays.
type Template struct {
	Leaf     string
	Retained bool
	Schema   string        // of a record; empty for a snapshot
	After    time.Duration // of the unit's time since the first message
	Tail     []byte        // of a record: what follows its head, from the comma on; of a snapshot all of it
	// Of a snapshot: Tail around the unit's name, up to when it was made, and from there on.
	before, after [][]byte
}

// Collect plays some simulated units against a broker in this process and keeps what they send.
func Collect(ctx context.Context, units int, past time.Duration, seed uint64, now func() time.Time) (mix []Mix, err error) {
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	kept := &keeper{all: map[string][]packets.Packet{}}
	l := listeners.NewTCP(listeners.Config{ID: "mix", Address: "127.0.0.1:0"})
	if err := errors.Join(server.AddHook(new(auth.AllowHook), nil), server.AddHook(kept, nil), server.AddListener(l),
		server.Serve()); err != nil {
		return nil, fmt.Errorf("load: broker: %w", err)
	}
	defer func() { err = errors.Join(err, server.Close()) }()
	c, err := crowd.New(crowd.Options{
		Units: units, Broker: "mqtt://" + l.Address(), Past: past, Seed: seed, Now: now, Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	select {
	case <-c.CaughtUp():
	case err := <-ended:
		stop()
		return nil, fmt.Errorf("load: simulated units: %w", err)
	}
	kept.settle(ctx, units)
	stop()
	if err := errors.Join(<-ended, context.Cause(ctx)); err != nil && !errors.Is(err, context.Canceled) {
		return nil, err
	}
	kept.Lock()
	defer kept.Unlock()
	for _, unit := range slices.Sorted(maps.Keys(kept.all)) {
		m, err := mixOf(unit, kept.all[unit])
		if err != nil {
			return nil, err
		}
		if len(m.Messages) > 0 {
			mix = append(mix, m)
		}
	}
	if len(mix) == 0 {
		return nil, errors.New("load: the simulated units sent nothing")
	}
	return mix, nil
}

// keeper keeps what is published, by unit.
type keeper struct {
	mochi.HookBase
	sync.Mutex
	all map[string][]packets.Packet
}

// settle waits until all units have spoken and no more comes: they begin once their past is played.
func (k *keeper) settle(ctx context.Context, units int) {
	const quiet, patience = 3 * time.Second, time.Minute
	began, last, before := time.Now(), time.Now(), 0
	for time.Since(began) < patience && (before == 0 || time.Since(last) < quiet) {
		t := time.NewTimer(100 * time.Millisecond)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return
		}
		k.Lock()
		n, spoke := 0, len(k.all)
		for _, sent := range k.all {
			n += len(sent)
		}
		k.Unlock()
		if n != before || spoke < units {
			before, last = n, time.Now()
		}
	}
}

func (k *keeper) ID() string { return "keeper" }

func (k *keeper) Provides(b byte) bool { return b == mochi.OnPublished }

func (k *keeper) OnPublished(_ *mochi.Client, p packets.Packet) {
	unit := strings.Split(p.TopicName, "/")
	if len(unit) != 4 {
		return
	}
	k.Lock()
	defer k.Unlock()
	k.all[unit[2]] = append(k.all[unit[2]], p)
}

// mixOf makes templates of what a unit sent.
func mixOf(unit string, sent []packets.Packet) (m Mix, err error) {
	var first time.Time
	seen := map[string]bool{} // a record may be sent again
	for _, p := range sent {
		leaf := p.TopicName[strings.LastIndexByte(p.TopicName, '/')+1:]
		switch leaf {
		case "status", "received":
			continue
		case "snapshot":
			t := Template{Leaf: leaf, Retained: true, Tail: p.Payload}
			const at = `"at":"`
			head, rest, ok := bytes.Cut(p.Payload, []byte(at))
			end := bytes.IndexByte(rest, '"')
			if !ok || end < 0 {
				return m, fmt.Errorf("load: %s: a snapshot without a time", p.TopicName)
			}
			name := []byte(strconv.Quote(unit))
			t.before, t.after = bytes.Split(append(bytes.Clone(head), at...), name), bytes.Split(rest[end:], name)
			m.Messages = append(m.Messages, t)
			continue
		}
		var h records.Head
		if err := json.Unmarshal(p.Payload, &h); err != nil {
			return m, fmt.Errorf("load: %s: %w", p.TopicName, err)
		}
		key := h.Stream + " " + strconv.FormatUint(h.Seq, 10)
		head, err := json.Marshal(h)
		if err != nil {
			return m, err
		}
		tail, ok := bytes.CutPrefix(p.Payload, head[:len(head)-1])
		if !ok || seen[key] {
			continue
		}
		seen[key] = true
		if first.IsZero() {
			first = h.At
		}
		t := Template{Leaf: leaf, Schema: h.Schema, After: h.At.Sub(first), Tail: tail}
		m.Messages, m.Span = append(m.Messages, t), max(m.Span, t.After)
	}
	return m, nil
}

// Append appends the message as a unit sends it.
func (t *Template) Append(b []byte, unit, session string, first, seq uint64, at time.Time, mono time.Duration) []byte {
	if t.Schema == "" {
		b = around(b, t.before, unit)
		b = at.UTC().AppendFormat(b, time.RFC3339Nano)
		return around(b, t.after, unit)
	}
	b = append(append(append(b, `{"schema":"`...), t.Schema...), `","unit":`...)
	b = append(strconv.AppendQuote(b, unit), `,"session":`...)
	b = append(strconv.AppendQuote(b, session), `,"stream":"`...)
	b = append(append(b, t.Leaf...), `","first":`...)
	b = append(strconv.AppendUint(b, first, 10), `,"seq":`...)
	b = append(strconv.AppendUint(b, seq, 10), `,"at":"`...)
	b = append(at.UTC().AppendFormat(b, time.RFC3339Nano), `","clock_trusted":true,"mono_s":`...)
	b = strconv.AppendFloat(b, float64(mono.Milliseconds())/1000, 'f', -1, 64)
	return append(b, t.Tail...)
}

// around appends parts with a unit's name between them.
func around(b []byte, parts [][]byte, unit string) []byte {
	for k, part := range parts {
		if k > 0 {
			b = strconv.AppendQuote(b, unit)
		}
		b = append(b, part...)
	}
	return b
}

// perDay is how many messages a unit with two batteries sends in a day, counted from the agent
// (deploy/growing.md). What is collected without anybody who confirms it is fewer.
const perDay = 59

// count returns how many messages a unit makes in a time of its own.
func count(d time.Duration) int { return int(math.Round(perDay * d.Hours() / 24)) }
