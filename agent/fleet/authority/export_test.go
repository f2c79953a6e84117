package authority

import "strings"

// WithoutLock has nothing locked, for a disk in memory. It returns what undoes that.
func WithoutLock() (undo func()) {
	before := lockFile
	lockFile = func(string) (func(), error) { return func() {}, nil }
	return func() { lockFile = before }
}

// Sealed returns an index of any lines, with its sum.
func Sealed(lines string) string {
	return string((&index{lines: strings.Split(lines, "\n")}).text())
}

// Reread returns an index as it is written after it was read.
func Reread(text string) (string, error) {
	x, err := parseIndex([]byte(text))
	if err != nil {
		return "", err
	}
	return string(x.text()), nil
}

// TryKey reads a key with a passphrase.
func TryKey(text []byte, passphrase string) error {
	_, err := parseKey(text, func() (string, error) { return passphrase, nil })
	return err
}
