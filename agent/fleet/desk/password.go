package desk

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"liftbank/agent/visit"
)

// Argon2id as the OWASP Password Storage Cheat Sheet recommends (2023): 19 MiB, 2 passes, 1 lane.
const (
	argonKiB    = 19 << 10
	argonPasses = 2
	argonLanes  = 1
	saltBytes   = 16
	hashBytes   = 32
)

// Lengths of a password, in bytes: NIST SP 800-63B section 5.1.1.2 wants 8 at least, and that 64 are
// taken; with one factor and many who may try, 12.
const (
	MinPassword = 12
	MaxPassword = 256
)

// maxName limits an account's name, in characters.
const maxName = 64

// ErrPassword is for a password that is not accepted.
var ErrPassword = fmt.Errorf("password: want %d to %d bytes that are not one character repeated", MinPassword, MaxPassword)

// CheckPassword reports why a password can't be used.
func CheckPassword(password string) error {
	if len(password) < MinPassword || len(password) > MaxPassword || strings.Trim(password, password[:1]) == "" {
		return ErrPassword
	}
	return nil
}

// CheckName reports why an account can't have this name.
func CheckName(name string) error {
	if name == "" || utf8.RuneCountInString(name) > maxName || visit.Tidy(name, false) != name {
		return fmt.Errorf("account %.80q: want a name of 1 to %d characters on one line", name, maxName)
	}
	return nil
}

// CheckRole reports why something is no role.
func CheckRole(r Role) error {
	if !r.May(RoleRead) {
		return fmt.Errorf("role %.40q: want read, desk or admin", r)
	}
	return nil
}

// NewAccount returns an account with its password hashed.
func NewAccount(name string, role Role, password string) (Account, error) {
	if err := errors.Join(CheckName(name), CheckRole(role), CheckPassword(password)); err != nil {
		return Account{}, err
	}
	return Account{Name: name, Role: role, Hash: HashPassword(password)}, nil
}

// HashPassword returns what is kept of a password, in the usual form of Argon2.
func HashPassword(password string) string {
	salt := make([]byte, saltBytes)
	rand.Read(salt) // never fails
	sum := argon2.IDKey([]byte(password), salt, argonPasses, argonKiB, argonLanes, hashBytes)
	b := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonKiB, argonPasses, argonLanes, b(salt), b(sum))
}

// verify reports whether a password is the one that was hashed. Figures in the hash beyond reason are
// refused: they would take the machine's memory.
func verify(hash, password string) bool {
	var version, kib, passes, lanes uint32
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &kib, &passes, &lanes); err != nil {
		return false
	}
	if kib < 8 || kib > 1<<18 || passes < 1 || passes > 16 || lanes < 1 || lanes > 16 {
		return false
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	want, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(salt) < 8 || len(want) < 16 || len(want) > 64 {
		return false
	}
	got := argon2.IDKey([]byte(password), salt, passes, kib, uint8(lanes), uint32(len(want)))
	return subtle.ConstantTimeCompare(got, want) == 1
}

// nobody is verified where there is no account, so that an answer takes as long.
var nobody = sync.OnceValue(func() string { return HashPassword(newToken()) })

// newToken returns a secret of 256 bits.
func newToken() string {
	b := make([]byte, 32)
	rand.Read(b) // never fails
	return base64.RawURLEncoding.EncodeToString(b)
}

// hashToken returns what is kept of a token: who reads the database can't sign in with it.
func hashToken(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}
