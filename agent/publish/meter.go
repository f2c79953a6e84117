package publish

import (
	"net"
	"sync"
	"time"
)

// Bytes of IP and TCP headers with timestamps, beside what a packet carries.
const headerBytes = 52

// metered is a network connection whose bytes are counted.
type metered struct {
	net.Conn
	cost func(int)
}

// Read counts what is read: each packet has its headers and is answered by an acknowledgement.
func (m metered) Read(p []byte) (int, error) {
	n, err := m.Conn.Read(p)
	if n > 0 {
		m.cost(n + 2*headerBytes)
	}
	return n, err
}

// Write counts what is sent; the peer's acknowledgement comes with its answer.
func (m metered) Write(p []byte) (int, error) {
	n, err := m.Conn.Write(p)
	if n > 0 {
		const segment = 1400
		m.cost(n + headerBytes*(1+n/segment))
	}
	return n, err
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
