package pin

import (
	"cmp"
	"crypto/hmac"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"time"

	"liftbank/agent/safefile"
	"liftbank/agent/tries"
)

// Limits of tries: bursts per address and for all strangers together, and the time after which a
// try is given back. Six digits and one try a minute: half of all PINs take a year.
const (
	triesOfOne = 5
	triesOfAll = 20
	tryEvery   = time.Minute

	sessionLife = 12 * time.Hour
	maxEnded    = 256 // sessions that were signed out before their time

	// DeviceLife is how long a browser keeps that it was let in once.
	DeviceLife = 180 * 24 * time.Hour
)

// Gate checks PINs and sessions. It is safe for any number of goroutines.
type Gate struct {
	secret  Secret
	now     func() time.Time
	file    string // of what outlives a restart; empty: nothing does
	log     *slog.Logger
	limit   *tries.Limit
	hashing sync.Mutex // one PIN at a time: each takes a core for a while

	mu    sync.Mutex
	saved saved
}

// saved is what a restart must not forget, or else whoever can end the agent could guess on.
type saved struct {
	Left  float64          `json:"left"`            // tries of all strangers together
	Ended map[string]int64 `json:"ended,omitempty"` // sessions signed out: their last second
	// Since is the second before which every session has ended.
	Since int64 `json:"since,omitempty"`
}

// Options say how a gate is kept. The zero value keeps nothing over a restart.
type Options struct {
	File string       // of the tries left and of the sessions that ended; empty: none
	Log  *slog.Logger // nil logs nothing
}

// NewGate returns a gate; now is the process's clock. Where its file can't be read it begins without
// any tries: they come back with time.
func NewGate(s Secret, now func() time.Time, o Options) *Gate {
	g := &Gate{
		secret: s, now: now, file: o.File, log: cmp.Or(o.Log, slog.New(slog.DiscardHandler)),
		limit: tries.New(tries.Options{OfOne: triesOfOne, OfAll: triesOfAll, Every: tryEvery, Now: now}),
	}
	if o.File == "" {
		return g
	}
	text, err := safefile.Load(o.File)
	switch {
	case err == nil && text == nil: // the first start
	case err == nil:
		err = json.Unmarshal(text, &g.saved)
		g.limit.SetLeft(g.saved.Left)
	}
	if err != nil {
		g.log.Warn("tries of the PIN can't be read: starting without any", "file", o.File, "err", err)
		g.saved = saved{Since: now().Unix()}
		g.limit.SetLeft(0)
	}
	g.save()
	return g
}

// save writes what a restart must not forget.
func (g *Gate) save() {
	if g.file == "" {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.saved.Left = g.limit.Left()
	text, err := json.Marshal(g.saved)
	if err == nil {
		err = safefile.Save(g.file, text)
	}
	if err != nil {
		g.log.Warn("tries of the PIN can't be saved", "file", g.file, "err", err)
	}
}

// ErrWrong is a wrong PIN.
var ErrWrong = errors.New("PIN: wrong")

// WaitError is one try too many.
type WaitError struct{ For time.Duration }

func (e WaitError) Error() string {
	return fmt.Sprintf("PIN: too many tries: want a wait of %v", e.For)
}

// Try checks a PIN given from an address. device is what the browser shows of an earlier time that
// it was let in, or empty: a device that is known has tries of its own. The error is ErrWrong or a
// WaitError.
func (g *Gate) Try(address, device, pin string) error {
	id, known := g.Known(device)
	if known {
		address = "device " + id
	}
	take := g.limit.Take
	if known {
		take = g.limit.TakeKnown
	}
	g.hashing.Lock()
	defer g.hashing.Unlock()
	if wait := take(address); wait > 0 {
		return WaitError{wait}
	}
	if !known {
		g.save() // before the answer: who ends the agent in between gains nothing
	}
	if len(pin) > Longest { // no PIN; working on a long text would cost more
		pin = ""
	}
	hash, err := pbkdf2.Key(sha256.New, pin, g.secret.salt, g.secret.iterations, hashBytes)
	if err != nil || subtle.ConstantTimeCompare(hash, g.secret.hash) != 1 {
		g.log.Warn("wrong PIN", "from", address)
		return ErrWrong
	}
	g.limit.Right(address, known)
	return nil
}

// What a signature stands for, so that one can't be used as the other.
const (
	forSession = "session"
	forDevice  = "device"
)

// idBytes is the random part of a session or device.
const idBytes = 16

// Session returns the text of a new session: its end, a random part, and the signature of both.
func (g *Gate) Session() (text string, life time.Duration) {
	return g.ticket(forSession, g.now().Add(sessionLife)), sessionLife
}

// Device returns the text by which a browser that was let in is known again.
func (g *Gate) Device() string { return g.ticket(forDevice, g.now()) }

func (g *Gate) ticket(use string, at time.Time) string {
	b := make([]byte, 8+idBytes)
	binary.BigEndian.PutUint64(b, uint64(at.Unix()))
	rand.Read(b[8:]) // never fails
	return base64.RawURLEncoding.EncodeToString(append(b, g.sign(use, b)...))
}

// read returns the second and the random part of a text that we have signed.
func (g *Gate) read(use, text string) (second int64, id string, ok bool) {
	if len(text) > 200 {
		return 0, "", false
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(b) != 8+idBytes+sha256.Size {
		return 0, "", false
	}
	body, mac := b[:8+idBytes], b[8+idBytes:]
	return int64(binary.BigEndian.Uint64(body)), hex.EncodeToString(body[8:]), hmac.Equal(mac, g.sign(use, body))
}

func (g *Gate) sign(use string, body []byte) []byte {
	m := hmac.New(sha256.New, g.secret.key)
	m.Write([]byte(use + "\n"))
	m.Write(body)
	return m.Sum(nil)
}

// Known reports whether text is of a device that was let in under this PIN, and which.
func (g *Gate) Known(text string) (id string, ok bool) {
	_, id, ok = g.read(forDevice, text)
	return id, ok
}

// Valid reports whether text is a session that hasn't ended.
func (g *Gate) Valid(text string) bool {
	end, id, ok := g.read(forSession, text)
	if !ok {
		return false
	}
	if left := time.Unix(end, 0).Sub(g.now()); left <= 0 || left > sessionLife {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	_, ended := g.saved.Ended[id]
	return !ended && time.Unix(end, 0).Add(-sessionLife).Unix() >= g.saved.Since
}

// End ends a session before its time, also over a restart.
func (g *Gate) End(text string) {
	if !g.Valid(text) {
		return
	}
	end, id, _ := g.read(forSession, text)
	g.mu.Lock()
	if g.saved.Ended == nil {
		g.saved.Ended = map[string]int64{}
	}
	now := g.now().Unix()
	maps.DeleteFunc(g.saved.Ended, func(_ string, end int64) bool { return end < now })
	g.saved.Ended[id] = end
	if len(g.saved.Ended) > maxEnded { // rather all than none
		g.saved.Ended, g.saved.Since = nil, max(g.saved.Since, now+1)
	}
	g.mu.Unlock()
	g.save()
}
