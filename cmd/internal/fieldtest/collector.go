package main

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	prefix = "field"
	unit   = "t-1"
)

// collector is the least that a fleet's side must do: take records, tell repeated ones, say what it
// has and what it misses.
type collector struct {
	broker string

	mu         sync.Mutex
	got        map[key]uint64 // hash of what was received first
	chains     map[chain]*extent
	content    map[string]bool // what the records were about, "stream id"
	duplicates int
	conflicts  int
	gaps       int
	changed    map[chain]bool
}

type key struct {
	chain
	seq uint64
}

type chain struct{ stream, session string }

type extent struct{ first, through, highest uint64 }

func newCollector(broker string) *collector {
	return &collector{
		broker: broker, got: map[key]uint64{}, chains: map[chain]*extent{}, content: map[string]bool{},
		changed: map[chain]bool{},
	}
}

// run collects until ctx ends, with a new connection whenever one is lost.
func (c *collector) run(ctx context.Context) {
	for ctx.Err() == nil {
		c.connection(ctx)
		_ = pause(ctx, 100*time.Millisecond) // its end is seen above
	}
}

func (c *collector) connection(ctx context.Context) {
	lost := make(chan struct{})
	o := mqtt.NewClientOptions().AddBroker(c.broker).SetClientID("collector").SetAutoReconnect(false).SetOrderMatters(true)
	o.SetConnectionLostHandler(func(mqtt.Client, error) { close(lost) })
	client := mqtt.NewClient(o)
	if t := client.Connect(); !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return
	}
	defer client.Disconnect(100)
	t := client.Subscribe(prefix+"/v1/"+unit+"/+", 1,
		func(_ mqtt.Client, m mqtt.Message) { c.take(m.Topic(), m.Payload()) })
	if !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-lost:
			return
		case <-time.After(200 * time.Millisecond):
			if answer := c.answer(); answer != nil {
				client.Publish(prefix+"/v1/"+unit+"/received", 1, true, answer)
			}
		}
	}
}

// message is what all stream messages have in common, and what this test's records are about.
type message struct {
	Schema, Session, Stream string
	First, Seq, From        uint64
	Run                     struct {
		Number uint64 `json:"number"`
	} `json:"run"`
	Finding struct {
		Subject string `json:"subject"`
	} `json:"finding"`
	Readings struct {
		Bins   int `json:"bins"`
		Series []struct {
			Battery string     `json:"battery"`
			Figure  string     `json:"figure"`
			Mean    []*float64 `json:"mean"`
		} `json:"series"`
	} `json:"readings"`
}

func (c *collector) take(topic string, payload []byte) {
	leaf := topic[strings.LastIndexByte(topic, '/')+1:]
	if leaf == "status" || leaf == "snapshot" || leaf == "received" {
		return
	}
	var m message
	if err := json.Unmarshal(payload, &m); err != nil || m.Stream != leaf || m.Seq == 0 {
		panic(fmt.Sprintf("collector: %s: %v: %s", topic, err, payload))
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	ch := chain{m.Stream, m.Session}
	e := c.chains[ch]
	if e == nil {
		e = &extent{first: m.First, through: m.First - 1}
		c.chains[ch] = e
	}
	c.changed[ch] = true
	from := m.Seq
	if m.From != 0 {
		from = m.From
		c.gaps++
	}
	h := fnv.New64a()
	h.Write(payload)
	sum := h.Sum64()
	for seq := from; seq <= m.Seq; seq++ {
		k := key{ch, seq}
		if before, had := c.got[k]; had {
			c.duplicates++
			if before != sum && m.From == 0 {
				c.conflicts++
			}
			continue
		}
		c.got[k] = sum
	}
	e.highest = max(e.highest, m.Seq)
	for {
		if _, had := c.got[key{ch, e.through + 1}]; !had {
			break
		}
		e.through++
	}
	switch m.Stream {
	case "runs":
		c.content[fmt.Sprint("runs ", m.Run.Number)] = true
	case "findings":
		c.content["findings "+m.Finding.Subject] = true
	}
}

// answer says what there is of the chains that changed; nil when none did.
func (c *collector) answer() []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	type entry struct {
		Stream  string      `json:"stream"`
		Session string      `json:"session"`
		Through uint64      `json:"through"`
		Missing [][2]uint64 `json:"missing,omitempty"`
	}
	var entries []entry
	for ch := range c.changed {
		e := c.chains[ch]
		n := entry{ch.stream, ch.session, e.through, nil}
		for seq := e.through + 1; seq < e.highest && len(n.Missing) < 64; seq++ {
			if _, had := c.got[key{ch, seq}]; had {
				continue
			}
			if k := len(n.Missing); k > 0 && n.Missing[k-1][1] == seq-1 {
				n.Missing[k-1][1] = seq
			} else {
				n.Missing = append(n.Missing, [2]uint64{seq, seq})
			}
		}
		entries = append(entries, n)
		if len(n.Missing) == 0 {
			delete(c.changed, ch)
		}
		if len(entries) == 48 {
			break
		}
	}
	if len(entries) == 0 {
		return nil
	}
	slices.SortFunc(entries, func(a, b entry) int { return strings.Compare(a.Stream+a.Session, b.Stream+b.Session) })
	b, err := json.Marshal(map[string]any{"schema": "liftbank.received.v1", "unit": unit, "streams": entries})
	if err != nil {
		panic("bug: " + err.Error())
	}
	return b
}
