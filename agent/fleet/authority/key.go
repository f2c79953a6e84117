package authority

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"sync"

	"go.step.sm/crypto/pemutil"

	"liftbank/agent/disk"
	"liftbank/agent/safefile"
)

// Types of PEM blocks of keys (RFC 7468, sections 10 and 11).
const (
	plainKey     = "PRIVATE KEY"
	encryptedKey = "ENCRYPTED PRIVATE KEY"
)

// Bounds of a passphrase. The shortest is our choice: who has the file can try as many as they like.
const (
	shortestPassphrase = 12
	longestPassphrase  = 1024
)

// Errors about the passphrase.
var (
	ErrPassphrase      = errors.New("the passphrase is wrong")
	ErrNeedsPassphrase = errors.New("the key is encrypted: want its passphrase")
)

// CheckPassphrase returns an error unless a key can be encrypted with it.
func CheckPassphrase(text string) error {
	if len(text) < shortestPassphrase || len(text) > longestPassphrase {
		return fmt.Errorf("passphrase of %d bytes: want %d to %d, such as five or six words", len(text), shortestPassphrase, longestPassphrase)
	}
	return nil
}

// writeKey writes the authority's key, encrypted unless the passphrase is empty: PKCS #8 by PBES2 (RFC 8018) with
// PBKDF2, HMAC-SHA-256, 600,000 iterations and AES-256 in CBC mode, which openssl reads.
func (a *Authority) writeKey(key crypto.Signer, passphrase string) error {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	block := &pem.Block{Type: plainKey, Bytes: der}
	if passphrase != "" {
		if err := CheckPassphrase(passphrase); err != nil {
			return err
		}
		if block, err = pemutil.EncryptPKCS8PrivateKey(rand.Reader, der, []byte(passphrase), x509.PEMCipherAES256); err != nil {
			return fmt.Errorf("encrypt key: %w", err)
		}
	}
	return safefile.WriteFile(a.path(KeyFile), pem.EncodeToMemory(block))
}

func (a *Authority) readKey(cert *x509.Certificate) (crypto.Signer, error) {
	path := a.path(KeyFile)
	info, err := disk.Now().Stat(path)
	if err != nil {
		return nil, err
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return nil, fmt.Errorf("%s: mode %#o: whoever reads it can enrol anything: chmod 600 %s", path, mode, path)
	}
	text, err := disk.ReadFile(path)
	if err != nil {
		return nil, err
	}
	parsed, err := parseKey(text, a.Passphrase)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	key, ok := parsed.(*ecdsa.PrivateKey)
	if !ok || !key.PublicKey.Equal(cert.PublicKey) {
		return nil, fmt.Errorf("%s: not the key of %s: want both of one authority", path, CertFile)
	}
	return key, nil
}

// parseKey reads a key. It asks for the passphrase only if there is one.
func parseKey(text []byte, ask func() (string, error)) (any, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != plainKey && block.Type != encryptedKey {
		return nil, errors.New("no key in it: want a PEM block " + plainKey + " or " + encryptedKey)
	}
	if block.Type == plainKey {
		return x509.ParsePKCS8PrivateKey(block.Bytes)
	}
	if ask == nil {
		return nil, ErrNeedsPassphrase
	}
	passphrase, err := ask()
	if err != nil {
		return nil, err
	}
	der, err := decrypt(block.Bytes, passphrase)
	if err != nil {
		return nil, err
	}
	key, err := x509.ParsePKCS8PrivateKey(der)
	if err != nil { // one wrong passphrase in 256 gives something that looks padded
		return nil, ErrPassphrase
	}
	return key, nil
}

// decrypt opens a key. The library panics where an encrypted key was cut or changed.
func decrypt(der []byte, passphrase string) (out []byte, err error) {
	defer func() {
		if recover() != nil {
			out, err = nil, errors.New("the encrypted key is damaged: want it from a backup")
		}
	}()
	out, err = pemutil.DecryptPKCS8PrivateKey(der, []byte(passphrase))
	if errors.Is(err, x509.IncorrectPasswordError) {
		err = ErrPassphrase
	}
	return out, err
}

// Unlock reads the key and remembers its passphrase, so that it is asked for once.
func (a *Authority) Unlock() error {
	if ask := a.Passphrase; ask != nil {
		a.Passphrase = sync.OnceValues(ask)
	}
	_, err := a.open(true)
	return err
}

// SetPassphrase encrypts the authority's key with another passphrase; "" leaves it plain.
func (a *Authority) SetPassphrase(ctx context.Context, passphrase string) error {
	if passphrase != "" {
		if err := CheckPassphrase(passphrase); err != nil {
			return err
		}
	}
	unlock, err := lock(ctx, a.path(lockName))
	if err != nil {
		return err
	}
	defer unlock()
	o, err := a.open(true)
	if err != nil {
		return err
	}
	return a.writeKey(o.key, passphrase)
}
