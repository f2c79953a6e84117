package authority

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"time"
)

// Entry is a certificate that was issued.
type Entry struct {
	At        time.Time // of issue
	Kind      Kind
	Name      string
	Hosts     []string
	Serial    string // hexadecimal
	NotAfter  time.Time
	Key       []byte    // public, as a point (SEC 1)
	RevokedAt time.Time // zero: it is not
}

func (e *Entry) serial() *big.Int {
	n, _ := new(big.Int).SetString(e.Serial, 16) // checked where the index is read
	return n
}

func (e *Entry) publicKey() (*ecdsa.PublicKey, error) {
	key, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), e.Key)
	if err != nil {
		return nil, fmt.Errorf("%s: its key in the index: %w: want --new-key", e.Name, err)
	}
	return key, nil
}

// index is all that was ever issued, revoked and listed, in order: a journal, whose lines never change.
type index struct {
	lines      []string
	entries    []Entry
	bySerial   map[string]int
	listNumber int
	listAt     time.Time
	listNext   time.Time
}

// firstLine names the form of the file. The last line counts the lines between and has their sum, so
// that a torn or half copied index is found.
const firstLine = "liftbank-authority 1"

var errTorn = errors.New("torn or changed: want the file from a backup, and then liftbank fleet authority revoke without a " +
	"unit, which takes up what the broker's list has")

func (x *index) text() []byte {
	var b bytes.Buffer
	b.WriteString(firstLine + "\n")
	for _, line := range x.lines {
		b.WriteString(line + "\n")
	}
	sum := sha256.Sum256(b.Bytes())
	fmt.Fprintf(&b, "end %d %x\n", len(x.lines), sum)
	return b.Bytes()
}

func parseIndex(text []byte) (*index, error) {
	body, ok := bytes.CutSuffix(text, []byte("\n"))
	if !ok {
		return nil, errTorn
	}
	i := bytes.LastIndexByte(body, '\n')
	if i < 0 {
		return nil, errTorn
	}
	body, last := body[:i+1], string(body[i+1:])
	lines := strings.Split(strings.TrimSuffix(string(body), "\n"), "\n")
	if lines[0] != firstLine {
		return nil, fmt.Errorf("first line %.40q: want %q", lines[0], firstLine)
	}
	if last != fmt.Sprintf("end %d %x", len(lines)-1, sha256.Sum256(body)) {
		return nil, errTorn
	}
	x := &index{}
	for n, line := range lines[1:] {
		if err := x.read(line); err != nil {
			return nil, fmt.Errorf("line %d: %w", n+2, err)
		}
	}
	return x, nil
}

// The lines, by their second word:
//
//	TIME issued KIND NAME SERIAL UNTIL KEY HOSTS
//	TIME revoked SERIAL
//	TIME listed NUMBER UNTIL
const (
	issued  = "issued"
	revoked = "revoked"
	listed  = "listed"
	none    = "-"
)

// read takes up one line.
func (x *index) read(line string) error {
	f := strings.Split(line, " ")
	at, err := time.Parse(time.RFC3339, f[0])
	if err != nil {
		return err
	}
	switch {
	case len(f) == 8 && f[1] == issued:
		e := Entry{At: at, Kind: Kind(f[2]), Name: f[3], Serial: f[4]}
		n, ok := new(big.Int).SetString(e.Serial, 16)
		if !ok || n.Sign() <= 0 || n.Text(16) != e.Serial {
			return fmt.Errorf("serial %.60q: want a hexadecimal number", e.Serial)
		}
		if e.NotAfter, err = time.Parse(time.RFC3339, f[5]); err != nil {
			return err
		}
		if f[6] != none {
			if e.Key, err = base64.RawStdEncoding.DecodeString(f[6]); err != nil {
				return err
			}
		}
		if f[7] != none {
			e.Hosts = strings.Split(f[7], ",")
		}
		if x.has(n) {
			return fmt.Errorf("serial %s: twice", e.Serial)
		}
		x.take(e)
	case len(f) == 3 && f[1] == revoked:
		i, known := x.bySerial[f[2]]
		if !known || !x.entries[i].RevokedAt.IsZero() {
			return fmt.Errorf("serial %.60q: never issued, or revoked twice", f[2])
		}
		x.entries[i].RevokedAt = at
	case len(f) == 4 && f[1] == listed:
		number, err := strconv.Atoi(f[2])
		if err != nil || number <= x.listNumber {
			return fmt.Errorf("number %.30q: want more than %d", f[2], x.listNumber)
		}
		next, err := time.Parse(time.RFC3339, f[3])
		if err != nil {
			return err
		}
		x.listNumber, x.listAt, x.listNext = number, at, next
	default:
		return fmt.Errorf("%.60q: want issued, revoked or listed with its fields", line)
	}
	x.lines = append(x.lines, line)
	return nil
}

func (x *index) take(e Entry) {
	if x.bySerial == nil {
		x.bySerial = map[string]int{}
	}
	x.bySerial[e.Serial] = len(x.entries)
	x.entries = append(x.entries, e)
}

func (x *index) add(e Entry) {
	hosts, key := strings.Join(e.Hosts, ","), base64.RawStdEncoding.EncodeToString(e.Key)
	if hosts == "" {
		hosts = none
	}
	if key == "" {
		key = none
	}
	x.lines = append(x.lines, strings.Join([]string{
		e.At.Format(time.RFC3339), issued, string(e.Kind), e.Name, e.Serial, e.NotAfter.Format(time.RFC3339), key, hosts,
	}, " "))
	x.take(e)
}

func (x *index) revoke(serial string, at time.Time) {
	x.lines = append(x.lines, at.Format(time.RFC3339)+" "+revoked+" "+serial)
	x.entries[x.bySerial[serial]].RevokedAt = at
}

func (x *index) list(at time.Time, number int, next time.Time) {
	x.lines = append(x.lines, fmt.Sprintf("%s %s %d %s", at.Format(time.RFC3339), listed, number, next.Format(time.RFC3339)))
	x.listNumber, x.listAt, x.listNext = number, at, next
}

func (x *index) has(serial *big.Int) bool {
	_, known := x.bySerial[serial.Text(16)]
	return known
}

func (x *index) revoked() (n int) {
	for i := range x.entries {
		if !x.entries[i].RevokedAt.IsZero() {
			n++
		}
	}
	return n
}

// live returns the certificates that are good, by name.
func (x *index) live(now time.Time) map[string][]*Entry {
	all := map[string][]*Entry{}
	for i := range x.entries {
		if e := &x.entries[i]; e.RevokedAt.IsZero() && now.Before(e.NotAfter) {
			all[e.Name] = append(all[e.Name], e)
		}
	}
	return all
}

// newest returns the last certificate of a name, or nil.
func (x *index) newest(name string) *Entry {
	for i := len(x.entries) - 1; i >= 0; i-- {
		if e := &x.entries[i]; e.Name == name && e.Kind != Lost {
			return e
		}
	}
	return nil
}
