// Package pin guards what changes a unit's state: a PIN set at install, and sessions of those who
// have given it.
//
// The PIN itself is kept nowhere. Its file has a salted hash (PBKDF2 with HMAC-SHA-256, RFC 8018)
// and a key of its own with which sessions are signed, so that a session survives a restart of the
// agent and ends when a new PIN is set, or when it is signed out. Tries are limited, also over
// restarts; one is hashed at a time, and comparing takes the same time whatever is wrong.
package pin

import (
	"bytes"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

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
