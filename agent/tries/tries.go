// Package tries limits how often a secret may be tried: from one address, and from all addresses
// that nobody knows yet together.
package tries

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

const maxAddresses = 256 // that are remembered

// Options are a limit's bursts and pace.
type Options struct {
	OfOne int           // tries of one address at a time
	OfAll int           // tries of all addresses together
	Every time.Duration // after which a try comes back
	Now   func() time.Time
}

// Limit counts tries. It is safe for any number of goroutines.
type Limit struct {
	opts Options

	mu      sync.Mutex
	all     bucket
	address map[string]*bucket
}

// New returns a limit with all its tries.
func New(o Options) *Limit {
	l := &Limit{opts: o, address: map[string]*bucket{}}
	l.all = bucket{left: float64(o.OfAll), at: o.Now()}
	return l
}

// bucket is the tries that are left; they come back with time.
type bucket struct {
	left float64
	at   time.Time
}

func (b *bucket) fill(now time.Time, every time.Duration, most int) {
	if d := now.Sub(b.at); d > 0 {
		b.left = min(float64(most), b.left+float64(d)/float64(every))
	}
	b.at = now
}

func (b *bucket) wait(every time.Duration) time.Duration {
	if b.left >= 1 {
		return 0
	}
	return max(time.Second, time.Duration((1-b.left)*float64(every)).Round(time.Second))
}

// Take takes a try of an address and one of all. If none is left it takes nothing and returns how
// long to wait.
func (l *Limit) Take(address string) (wait time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	one := l.bucketOf(address)
	l.all.fill(l.opts.Now(), l.opts.Every, l.opts.OfAll)
	if wait = max(one.wait(l.opts.Every), l.all.wait(l.opts.Every)); wait > 0 {
		return wait
	}
	one.left--
	l.all.left--
	return 0
}

// TakeKnown takes a try of one who is known: its own tries alone count, so that strangers can't use
// them up.
func (l *Limit) TakeKnown(id string) (wait time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	one := l.bucketOf(id)
	if wait = one.wait(l.opts.Every); wait == 0 {
		one.left--
	}
	return wait
}

// Right gives all its tries back to one who knew the secret. The try that Take took of all comes
// back, too.
func (l *Limit) Right(address string, known bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.bucketOf(address).left = float64(l.opts.OfOne)
	if !known {
		l.all.left = min(float64(l.opts.OfAll), l.all.left+1)
	}
}

// Left returns how many tries all together have left.
func (l *Limit) Left() float64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all.fill(l.opts.Now(), l.opts.Every, l.opts.OfAll)
	return l.all.left
}

// SetLeft sets how many tries all together have left, as an earlier start left them.
func (l *Limit) SetLeft(left float64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !(left >= 0) { // not a number, too
		left = 0
	}
	l.all = bucket{left: min(left, float64(l.opts.OfAll)), at: l.opts.Now()}
}

// bucketOf returns the tries of an address, filled up to now. With too many addresses those that
// have all their tries left, or else all, are forgotten: the limit for all together still holds.
func (l *Limit) bucketOf(address string) *bucket {
	now := l.opts.Now()
	if b := l.address[address]; b != nil {
		b.fill(now, l.opts.Every, l.opts.OfOne)
		return b
	}
	if len(l.address) >= maxAddresses {
		for a, b := range l.address {
			if b.fill(now, l.opts.Every, l.opts.OfOne); b.left >= float64(l.opts.OfOne) {
				delete(l.address, a)
			}
		}
		if len(l.address) >= maxAddresses {
			clear(l.address)
		}
	}
	b := &bucket{left: float64(l.opts.OfOne), at: now}
	l.address[address] = b
	return b
}

// AddressOf returns the address that a request's tries are counted by. Of IPv6 it is the network of
// 64 bits, of which one machine has as many addresses as it likes (RFC 4291 section 2.5.4).
func AddressOf(r *http.Request) string { return Host(r.RemoteAddr) }

// Host is AddressOf for HOST:PORT.
func Host(hostport string) string {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		return hostport
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	a = a.Unmap().WithZone("")
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}
