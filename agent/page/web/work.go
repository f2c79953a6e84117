package web

import (
	"context"
	"net/http"
	"sync"

	"liftbank/agent/page/words"
	"liftbank/agent/tries"
)

// Bounds of the memory that requests take, all together and those of one address: forms that were
// read and answers that were not taken yet. The service has 64 MiB for everything.
const (
	workBytes    = 6 << 20
	workOfOne    = 3 << 20  // the longest answer, a year of history at 4,000 points, has some 2
	workSlots    = 2        // answers that are made at a time; each takes up to 2 MiB meanwhile
	workOverhead = 4        // memory that reading a form takes, over its length
	retryAfterS  = "2"      // asked of a client that is turned away
	smallBody    = 16 << 10 // bytes of a form from a browser that nobody knows
)

// Work bounds what all requests together take.
type Work struct {
	slots chan struct{}

	mu   sync.Mutex
	held int64
	of   map[string]int64 // by address
}

// NewWork returns a bound that nothing has been taken of.
func NewWork() *Work {
	return &Work{slots: make(chan struct{}, workSlots), of: map[string]int64{}}
}

// share is what one request has taken.
type share struct {
	work    *Work
	address string
	held    int64
}

type shareKey struct{}

// Bound lets requests take their share, and gives it back when they are done.
func (k *Work) Bound(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s := &share{work: k, address: tries.AddressOf(r)}
		defer s.giveBack()
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), shareKey{}, s)))
	})
}

// reserve takes n bytes for a request, if that many are left.
func reserve(r *http.Request, n int64) bool {
	s, ok := r.Context().Value(shareKey{}).(*share)
	if !ok {
		return true // a handler without bounds
	}
	k := s.work
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.held+n > workBytes || k.of[s.address]+n > workOfOne {
		return false
	}
	k.held += n
	k.of[s.address] += n
	s.held += n
	return true
}

func (s *share) giveBack() {
	k := s.work
	k.mu.Lock()
	defer k.mu.Unlock()
	k.held -= s.held
	if k.of[s.address] -= s.held; k.of[s.address] == 0 {
		delete(k.of, s.address)
	}
}

// begin waits for a slot in which an answer may be made. It reports false when the client has gone.
func begin(r *http.Request) (end func(), ok bool) {
	s, bound := r.Context().Value(shareKey{}).(*share)
	if !bound {
		return func() {}, true
	}
	select {
	case s.work.slots <- struct{}{}:
		return func() { <-s.work.slots }, true
	case <-r.Context().Done():
		return nil, false
	}
}

// busy turns a request away for now, in few bytes.
func busy(w http.ResponseWriter) {
	w.Header().Set("Retry-After", retryAfterS)
	w.Header().Set("Connection", "close")
	w.Header().Del("Content-Encoding")
	http.Error(w, words.English.W["Busy"], http.StatusServiceUnavailable)
}
