// Package pin guards what changes a unit's state: a PIN set at install, and sessions of those who
// have given it.
//
// The PIN itself is kept nowhere. Its file has a salted hash (PBKDF2 with HMAC-SHA-256, RFC 8018)
// and a key of its own with which sessions are signed, so that a session survives a restart of the
// agent and ends when a new PIN is set. Tries are limited, one is hashed at a time, and comparing
// takes the same time whatever is wrong.
package pin

import (
	"bytes"
	"crypto/hmac"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"liftbank/agent/safefile"
)

// Digits that a PIN may have. With six and the tries allowed, guessing takes years.
const (
	Shortest = 6
	Longest  = 12
)

// Iterations of PBKDF2-HMAC-SHA256 as the OWASP Password Storage Cheat Sheet recommends (2023).
// Half a second on a small board.
const iterations = 600_000

const (
	saltBytes = 16
	hashBytes = sha256.Size
	keyBytes  = 32
	scheme    = "liftbank-pin-1"
)

// Secret is what the file of a PIN holds.
type Secret struct {
	iterations      int
	salt, hash, key []byte
}

// Check accepts 6 to 12 digits that are not one digit or one sequence.
func Check(pin string) error {
	if len(pin) < Shortest || len(pin) > Longest || strings.Trim(pin, "0123456789") != "" {
		return fmt.Errorf("PIN: want %d to %d digits", Shortest, Longest)
	}
	if strings.Contains(
		"012345678901234567890", pin,
	) || strings.Contains("98765432109876543210", pin) || strings.Trim(pin, pin[:1]) == "" {
		return errors.New("PIN: too easy to guess: want no sequence of digits and not one digit repeated")
	}
	return nil
}

// Make returns the secret of a PIN, with a new salt and key.
func Make(pin string) (Secret, error) { return makeWith(pin, iterations) }

func makeWith(pin string, iterations int) (Secret, error) {
	if err := Check(pin); err != nil {
		return Secret{}, err
	}
	s := Secret{iterations: iterations, salt: make([]byte, saltBytes), key: make([]byte, keyBytes)}
	rand.Read(s.salt) // never fails
	rand.Read(s.key)
	hash, err := pbkdf2.Key(sha256.New, pin, s.salt, iterations, hashBytes)
	if err != nil {
		return Secret{}, fmt.Errorf("PIN: %w", err)
	}
	s.hash = hash
	return s, nil
}

// Text returns the line of the file: scheme, iterations, salt, hash, key.
func (s Secret) Text() string {
	e := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("%s %d %s %s %s\n", scheme, s.iterations, e(s.salt), e(s.hash), e(s.key))
}

// Parse reads what Text gives.
func Parse(text string) (Secret, error) {
	f := strings.Fields(text)
	if len(f) != 5 || f[0] != scheme {
		return Secret{}, errors.New("PIN file: want the one line that liftbank pin writes")
	}
	var s Secret
	var err error
	if s.iterations, err = strconv.Atoi(f[1]); err != nil || s.iterations < 1000 || s.iterations > 10_000_000 {
		return Secret{}, fmt.Errorf("PIN file: iterations %q: want 1000 to 10000000", f[1])
	}
	for i, to := range []*[]byte{&s.salt, &s.hash, &s.key} {
		want := []int{saltBytes, hashBytes, keyBytes}[i]
		if *to, err = base64.RawStdEncoding.DecodeString(f[2+i]); err != nil || len(*to) != want {
			return Secret{}, fmt.Errorf("PIN file: field %d: want %d bytes in base64", 3+i, want)
		}
	}
	return s, nil
}

// Load reads the file of a PIN.
func Load(path string) (Secret, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return Secret{}, fmt.Errorf("PIN: %w", err)
	}
	return Parse(string(bytes.TrimSpace(b)))
}

// Save writes the file of a PIN, for its owner alone, in one step.
func (s Secret) Save(path string) error {
	if err := safefile.WriteFile(path, []byte(s.Text())); err != nil {
		return fmt.Errorf("PIN: %w", err)
	}
	return nil
}

// Limits of tries: bursts per address and for all together, and the time after which a try is given
// back.
const (
	triesOfOne  = 5
	triesOfAll  = 20
	tryEvery    = time.Minute
	maxAddress  = 256
	sessionLife = 12 * time.Hour
)

// Gate checks PINs and sessions. It is safe for any number of goroutines.
type Gate struct {
	secret Secret
	now    func() time.Time

	mu      sync.Mutex // also limits hashing to one PIN at a time
	all     bucket
	address map[string]*bucket
}

// NewGate returns a gate; now is the process's clock.
func NewGate(s Secret, now func() time.Time) *Gate {
	return &Gate{secret: s, now: now, all: bucket{left: triesOfAll, at: now()}, address: map[string]*bucket{}}
}

// bucket is the tries that are left; they come back with time.
type bucket struct {
	left float64
	at   time.Time
}

func (b *bucket) fill(now time.Time, most float64) {
	if d := now.Sub(b.at); d > 0 {
		b.left = min(most, b.left+float64(d)/float64(tryEvery))
	}
	b.at = now
}

func (b *bucket) wait() time.Duration {
	if b.left >= 1 {
		return 0
	}
	return time.Duration((1 - b.left) * float64(tryEvery)).Round(time.Second)
}

// ErrWrong is a wrong PIN.
var ErrWrong = errors.New("PIN: wrong")

// WaitError is one try too many.
type WaitError struct{ For time.Duration }

func (e WaitError) Error() string {
	return fmt.Sprintf("PIN: too many tries: want a wait of %v", e.For)
}

// Try checks a PIN given from an address. The error is ErrWrong or a WaitError.
func (g *Gate) Try(address, pin string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	one := g.bucketOf(address, now)
	one.fill(now, triesOfOne)
	g.all.fill(now, triesOfAll)
	if wait := max(one.wait(), g.all.wait()); wait > 0 {
		return WaitError{wait}
	}
	if len(pin) > Longest { // no PIN; working on a long text would cost more
		pin = ""
	}
	hash, err := pbkdf2.Key(sha256.New, pin, g.secret.salt, g.secret.iterations, hashBytes)
	if err != nil || subtle.ConstantTimeCompare(hash, g.secret.hash) != 1 {
		one.left--
		g.all.left--
		return ErrWrong
	}
	one.left = triesOfOne
	return nil
}

// bucketOf returns the tries of an address. With too many addresses those that have all their tries
// left, or else all, are forgotten: the limit for all together still holds.
func (g *Gate) bucketOf(address string, now time.Time) *bucket {
	if b := g.address[address]; b != nil {
		return b
	}
	if len(g.address) >= maxAddress {
		for a, b := range g.address {
			if b.fill(now, triesOfOne); b.left >= triesOfOne {
				delete(g.address, a)
			}
		}
		if len(g.address) >= maxAddress {
			clear(g.address)
		}
	}
	b := &bucket{left: triesOfOne, at: now}
	g.address[address] = b
	return b
}

// Session returns the text of a new session: its end, a random part, and the signature of both.
func (g *Gate) Session() (text string, life time.Duration) {
	b := make([]byte, 8+16)
	binary.BigEndian.PutUint64(b, uint64(g.now().Add(sessionLife).Unix()))
	rand.Read(b[8:])
	return base64.RawURLEncoding.EncodeToString(append(b, g.sign(b)...)), sessionLife
}

// Valid reports whether text is a session that hasn't ended.
func (g *Gate) Valid(text string) bool {
	if len(text) > 200 {
		return false
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(b) != 8+16+sha256.Size {
		return false
	}
	body, mac := b[:24], b[24:]
	left := time.Unix(int64(binary.BigEndian.Uint64(body)), 0).Sub(g.now())
	return hmac.Equal(mac, g.sign(body)) && left > 0 && left <= sessionLife
}

func (g *Gate) sign(body []byte) []byte {
	m := hmac.New(sha256.New, g.secret.key)
	m.Write(body)
	return m.Sum(nil)
}
