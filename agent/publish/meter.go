package publish

import (
	"bufio"
	"errors"
	"net"
	"sync"
	"time"
)

// maxPacket bounds what is accepted from a broker, in bytes. All that it has to say to a unit fits.
// A larger packet is skipped and counted, so that an oversized retained message neither fills the
// memory nor ends the connection.
const maxPacket = 64 << 10

// Bytes of IP and TCP headers with timestamps, beside what a packet carries.
const headerBytes = 52

// meter is a network connection that counts its bytes and lets no oversized MQTT packet through.
type meter struct {
	net.Conn
	in    *bufio.Reader
	cost  func(int) // nil counts nothing
	over  func()
	fail  func(error) // hears why reading ended
	head  []byte      // of the packet being read, not handed on yet
	left  int         // of the packet's body
	space [5]byte
}

func newMeter(conn net.Conn, cost func(int), over func(), fail func(error)) *meter {
	return &meter{Conn: conn, in: bufio.NewReaderSize(counted{conn, cost}, 2048), cost: cost, over: over, fail: fail}
}

// counted counts what is read from the network: each packet has its headers and is answered by an
// acknowledgement.
type counted struct {
	net.Conn
	cost func(int)
}

func (c counted) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if n > 0 && c.cost != nil {
		c.cost(n + 2*headerBytes)
	}
	return n, err
}

// Write counts what is sent; the peer's acknowledgement comes with its answer.
func (m *meter) Write(p []byte) (int, error) {
	n, err := m.Conn.Write(p)
	if n > 0 && m.cost != nil {
		const segment = 1400
		m.cost(n + headerBytes*(1+n/segment))
	}
	return n, err
}

var errMalformed = errors.New("malformed packet from broker")

// Read returns the bytes of packets that are not too large (MQTT 3.1.1, section 2.2: type,
// remaining length, the rest).
func (m *meter) Read(p []byte) (int, error) {
	n, err := m.read(p)
	if err != nil {
		m.fail(err)
	}
	return n, err
}

func (m *meter) read(p []byte) (int, error) {
	for {
		if len(m.head) > 0 {
			n := copy(p, m.head)
			m.head = m.head[n:]
			return n, nil
		}
		if m.left > 0 {
			n, err := m.in.Read(p[:min(len(p), m.left)])
			m.left -= n
			return n, err
		}
		head, length, err := m.header()
		if err != nil {
			return 0, err
		}
		if length > maxPacket {
			m.over()
			if _, err := m.in.Discard(length); err != nil {
				return 0, err
			}
			continue
		}
		m.head, m.left = head, length
	}
}

func (m *meter) header() (head []byte, length int, err error) {
	b, err := m.in.ReadByte()
	if err != nil {
		return nil, 0, err
	}
	head = append(m.space[:0], b)
	for shift := 0; ; shift += 7 {
		if shift > 21 {
			return nil, 0, errMalformed
		}
		if b, err = m.in.ReadByte(); err != nil {
			return nil, 0, err
		}
		head = append(head, b)
		length |= int(b&0x7f) << shift
		if b < 0x80 {
			return head, length, nil
		}
	}
}

// budget is how many bytes may go over the link: an allowance that grows evenly, up to a day's. It
// is not a hard limit: what must not wait is sent in any case, and everything else gets coarser and
// rarer before it is used up. The debt is at most a day's, which a token bucket of
// golang.org/x/time/rate can't do.
type budget struct {
	mu     sync.Mutex
	perDay float64 // 0 is no budget
	now    func() time.Time
	last   time.Time
	left   float64
	spent  uint64
}

func newBudget(bytesPerDay int, now func() time.Time) *budget {
	return &budget{perDay: float64(bytesPerDay), now: now, last: now(), left: float64(bytesPerDay) / 2}
}

func (b *budget) grow() {
	t := b.now()
	if d := t.Sub(b.last); d > 0 {
		b.left = min(b.left+b.perDay*d.Hours()/24, b.perDay)
	}
	b.last = t
}

func (b *budget) spend(n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.grow()
	b.spent += uint64(n)
	b.left = max(b.left-float64(n), -b.perDay)
}

// level returns how scarce the budget is: 0 plenty, 3 used up.
func (b *budget) level() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.perDay == 0 {
		return 0
	}
	b.grow()
	switch share := b.left / b.perDay; {
	case share > 0.25:
		return 0
	case share > 0.1:
		return 1
	case share > 0:
		return 2
	}
	return 3
}

func (b *budget) total() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.spent
}
