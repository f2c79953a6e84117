// Package authority is the fleet's own certificate authority: keys and certificates of units, of the
// broker and of what else speaks to it, their renewal and their revocation.
//
// All of it is files in one folder: the authority's certificate (ca.pem) and key (ca.key), an index of
// all that was ever issued or revoked (index), and the list of revoked certificates for the broker
// (revoked.pem). The index is the truth. It is replaced as a whole in one step, under a lock, before
// anything that it speaks of is handed out: an interrupted command leaves at most an entry whose files
// nobody has. A private key is never kept here, but the authority's own.
package authority

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/dial"
	"liftbank/agent/disk"
	"liftbank/agent/safefile"
)

// Files of the folder.
const (
	CertFile    = "ca.pem"
	KeyFile     = "ca.key"
	IndexFile   = "index"
	RevokedFile = "revoked.pem"
	lockName    = "lock"
)

// How long what is issued is good for; our choice. A unit is seen a few times a year, the authority
// outlives a board.
const (
	AuthorityValid = 20 * 365 * day
	ClientValid    = 5 * 365 * day
	ServerValid    = 2 * 365 * day

	day = 24 * time.Hour
	// early is how long before now everything begins to be good: a unit's clock may be behind.
	early = day
)

// Kind is what a certificate is for.
type Kind string

// Kinds of certificates.
const (
	Unit    Kind = "unit"    // a unit at the broker; its common name is unit.id
	Service Kind = "service" // any other client of the broker, as the collector
	Server  Kind = "server"  // the broker, or a page, by its host names
)

// Authority is the authority in a folder.
type Authority struct {
	Dir string
	Now func() time.Time
	// Passphrase is asked for that of the authority's key, by Init and where the key has one. nil: there is none.
	Passphrase func() (string, error)
}

// ErrExists says that there is an authority already.
var ErrExists = errors.New("there is an authority already: nothing was changed")

// Init makes the authority: its key, its certificate, an empty index and an empty list of revoked
// certificates, which a broker that is to know the list wants from its first start.
func (a *Authority) Init(ctx context.Context, name string, valid time.Duration) error {
	if err := checkValid(valid); err != nil {
		return err
	}
	if name == "" || len(name) > 64 {
		return fmt.Errorf("authority's name: %q: want 1 to 64 bytes of text", name)
	}
	passphrase := ""
	if a.Passphrase != nil {
		var err error
		if passphrase, err = a.Passphrase(); err == nil {
			err = CheckPassphrase(passphrase)
		}
		if err != nil {
			return err
		}
	}
	if err := safefile.MakeDir(a.Dir, 0o700); err != nil {
		return err
	}
	unlock, err := lock(ctx, a.path(lockName))
	if err != nil {
		return err
	}
	defer unlock()
	if err := a.free(); err != nil {
		return err
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	now := a.Now().UTC().Truncate(time.Second)
	template := &x509.Certificate{
		SerialNumber: newSerial(), Subject: pkix.Name{CommonName: name},
		NotBefore: now.Add(-early), NotAfter: now.Add(valid),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return err
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return err
	}
	if err := a.writeKey(key, passphrase); err != nil {
		return err
	}
	o := &opened{cert: cert, key: key, index: &index{}}
	o.index.list(now, 1, cert.NotAfter)
	if err := a.save(o); err != nil {
		return err
	}
	// The certificate comes last: what has none is no authority.
	return writePublic(a.path(CertFile), encodeCert(der))
}

// free returns an error unless the folder is free for an authority. What an Init that was cut short has
// left is no reason: nothing was ever issued with its key.
func (a *Authority) free() error {
	switch _, err := disk.Now().Stat(a.path(CertFile)); {
	case err == nil:
		return fmt.Errorf("%s: %w", a.path(CertFile), ErrExists)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	text, err := disk.ReadFile(a.path(IndexFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if x, err := parseIndex(text); err != nil || len(x.entries) > 0 {
		return fmt.Errorf("%s: is of an authority whose %s is missing: want that from a backup: %w", a.path(IndexFile), CertFile,
			errors.Join(ErrExists, err))
	}
	return nil
}

func checkValid(valid time.Duration) error {
	if valid < day || valid > 50*365*day {
		return fmt.Errorf("validity: %s: want 1 day to 50 years", valid)
	}
	return nil
}

func (a *Authority) path(file string) string { return filepath.Join(a.Dir, file) }

// opened is the authority as read for one change.
type opened struct {
	cert  *x509.Certificate
	key   crypto.Signer // nil: read for looking only
	index *index
	was   *x509.RevocationList // nil: none could be read
	doubt error                // why the list isn't the index's
}

// open reads the authority and checks that its files belong together.
func (a *Authority) open(withKey bool) (*opened, error) {
	o := &opened{}
	text, err := disk.ReadFile(a.path(CertFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: no authority there: make one with liftbank fleet authority init, or name its "+
			"folder: %w", a.Dir, err)
	}
	if err != nil {
		return nil, err
	}
	if o.cert, err = parseCert(text); err != nil {
		return nil, fmt.Errorf("%s: %w", a.path(CertFile), err)
	}
	if withKey {
		if o.key, err = a.readKey(o.cert); err != nil {
			return nil, err
		}
	}
	if text, err = disk.ReadFile(a.path(IndexFile)); err != nil {
		return nil, fmt.Errorf("index: %w: want it from a backup: it knows who is revoked", err)
	}
	if o.index, err = parseIndex(text); err != nil {
		return nil, fmt.Errorf("%s: %w", a.path(IndexFile), err)
	}
	o.was, o.doubt = a.readList(o)
	return o, nil
}

// readList reads the broker's list and compares it with the index.
func (a *Authority) readList(o *opened) (*x509.RevocationList, error) {
	text, err := disk.ReadFile(a.path(RevokedFile))
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "X509 CRL" {
		return nil, fmt.Errorf("%s: no list in it: want PEM", a.path(RevokedFile))
	}
	l, err := x509.ParseRevocationList(block.Bytes)
	if err == nil {
		err = l.CheckSignatureFrom(o.cert)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", a.path(RevokedFile), err)
	}
	n := big.NewInt(int64(o.index.listNumber))
	if c := l.Number.Cmp(n); c != 0 {
		return l, fmt.Errorf("%s: is number %s, the index has %s", a.path(RevokedFile), l.Number, n)
	}
	if len(l.RevokedCertificateEntries) != o.index.revoked() {
		return l, fmt.Errorf("%s: has %d certificates, the index %d", a.path(RevokedFile),
			len(l.RevokedCertificateEntries), o.index.revoked())
	}
	return l, nil
}

// change reads the authority under its lock, has do change the index, and saves it. Nothing is saved
// if do returns an error.
func (a *Authority) change(ctx context.Context, do func(*opened, time.Time) error) error {
	unlock, err := lock(ctx, a.path(lockName))
	if err != nil {
		return err
	}
	defer unlock()
	o, err := a.open(true)
	if err != nil {
		return err
	}
	now := a.Now().UTC().Truncate(time.Second)
	if now.Before(o.cert.NotBefore) || !now.Before(o.cert.NotAfter) {
		return fmt.Errorf("authority is valid from %s to %s; this machine's clock says %s", o.cert.NotBefore.Format(time.DateOnly),
			o.cert.NotAfter.Format(time.DateOnly), now.Format(time.DateOnly))
	}
	if o.doubt != nil {
		o.takeUp(now)
		o.renewList(now, o.index.listNext)
	}
	if err := do(o, now); err != nil {
		return err
	}
	return a.save(o)
}

// save writes the index, and the list after it where it is not the index's.
func (a *Authority) save(o *opened) error {
	var list []byte
	if o.doubt != nil || o.was == nil || o.was.Number.Cmp(big.NewInt(int64(o.index.listNumber))) != 0 {
		var err error
		if list, err = o.makeList(); err != nil {
			return err
		}
	}
	if err := writePublic(a.path(IndexFile), o.index.text()); err != nil {
		return err
	}
	if list == nil {
		return nil
	}
	return writePublic(a.path(RevokedFile), list)
}

// makeList signs the list of all that is revoked.
func (o *opened) makeList() ([]byte, error) {
	l := &x509.RevocationList{
		Number: big.NewInt(int64(o.index.listNumber)), ThisUpdate: o.index.listAt, NextUpdate: o.index.listNext,
	}
	for i := range o.index.entries {
		if e := &o.index.entries[i]; !e.RevokedAt.IsZero() {
			l.RevokedCertificateEntries = append(l.RevokedCertificateEntries,
				x509.RevocationListEntry{SerialNumber: e.serial(), RevocationTime: e.RevokedAt})
		}
	}
	der, err := x509.CreateRevocationList(rand.Reader, l, o.cert, o.key)
	if err != nil {
		return nil, fmt.Errorf("list of revoked certificates: %w", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: der}), nil
}

// Request is a certificate that is wanted.
type Request struct {
	Kind  Kind
	Name  string
	Hosts []string // of a server: names and addresses that it is called by
	Valid time.Duration
}

// Issued is a certificate with what its owner needs.
type Issued struct {
	Entry
	Cert, Authority []byte // PEM
	Key             []byte // PEM; nil: the owner has it
}

// CheckUnit returns an error unless a unit can have this name: one level of a topic, and what unit.id
// takes. Names with a dot are kept for services.
func CheckUnit(name string) error {
	if err := dial.CheckLevel("unit", name); err != nil {
		return err
	}
	return config.CheckID(name)
}

func (r *Request) check() error {
	if err := checkValid(r.Valid); err != nil {
		return err
	}
	switch r.Kind {
	case Unit:
		return CheckUnit(r.Name)
	case Service:
		if err := dial.CheckLevel("service", r.Name); err != nil {
			return err
		}
		if !strings.Contains(r.Name, ".") || !isHost(r.Name) {
			return fmt.Errorf("service %q: want a name of a-z, 0-9, - and at least one dot, as fleet.collector, so that no "+
				"unit can have it", r.Name)
		}
	case Server:
		if len(r.Name) > 64 {
			return fmt.Errorf("server %q: want a first name of up to 64 bytes (RFC 5280, ub-common-name)", r.Name)
		}
		for _, h := range append([]string{r.Name}, r.Hosts...) {
			if net.ParseIP(h) == nil && !isHost(h) {
				return fmt.Errorf("server %q: want a host name without port, or an IP address", h)
			}
		}
	default:
		return fmt.Errorf("kind %q: want unit, service or server", r.Kind)
	}
	return nil
}

// isHost accepts host names: RFC 1123 section 2.1, in small letters.
func isHost(name string) bool {
	if name == "" || len(name) > 253 {
		return false
	}
	for label := range strings.SplitSeq(name, ".") {
		if label == "" || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' {
			return false
		}
		for _, c := range label {
			if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
				return false
			}
		}
	}
	return true
}

// Issue makes keys and certificates. All of them are in the index before it returns; none is if one of
// them is refused.
func (a *Authority) Issue(ctx context.Context, wanted []Request) (all []Issued, err error) {
	if err := checkAll(wanted); err != nil {
		return nil, err
	}
	err = a.change(ctx, func(o *opened, now time.Time) error {
		live := o.index.live(now)
		var errs []error
		for _, r := range wanted {
			if len(live[r.Name]) > 0 {
				errs = append(errs, fmt.Errorf("%s: has a certificate until %s already: renew it, or revoke it first",
					r.Name, live[r.Name][0].NotAfter.Format(time.DateOnly)))
			}
		}
		if len(errs) > 0 {
			return errors.Join(errs...)
		}
		for _, r := range wanted {
			made, err := o.issue(r, nil, now)
			if err != nil {
				return fmt.Errorf("%s: %w", r.Name, err)
			}
			all = append(all, made)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

func checkAll(wanted []Request) error {
	var errs []error
	seen := map[string]bool{}
	for i := range wanted {
		errs = append(errs, wanted[i].check())
		if seen[wanted[i].Name] {
			errs = append(errs, fmt.Errorf("%s: named twice", wanted[i].Name))
		}
		seen[wanted[i].Name] = true
	}
	return errors.Join(errs...)
}

// Renew makes new certificates for names that had one. With the same key, the owner keeps the key that
// it has. The certificates before stay good until they end, so that nobody is locked out meanwhile.
func (a *Authority) Renew(ctx context.Context, names []string, newKey bool, valid time.Duration) (all []Issued, err error) {
	err = a.change(ctx, func(o *opened, now time.Time) error {
		var errs []error
		var requests []Request
		var keys []*ecdsa.PublicKey
		for i, name := range names {
			e := o.index.newest(name)
			switch {
			case slices.Contains(names[:i], name):
				errs = append(errs, fmt.Errorf("%s: named twice", name))
				continue
			case e == nil:
				errs = append(errs, fmt.Errorf("%s: never had a certificate of this authority: enrol it", name))
				continue
			case !e.RevokedAt.IsZero() && !newKey:
				errs = append(errs, fmt.Errorf("%s: is revoked since %s, and so is its key: want --new-key, which is for a unit "+
					"that is back", name, e.RevokedAt.Format(time.DateOnly)))
				continue
			}
			r := Request{Kind: e.Kind, Name: e.Name, Hosts: e.Hosts, Valid: valid}
			if valid == 0 {
				r.Valid = e.NotAfter.Sub(e.At)
			}
			errs = append(errs, r.check())
			requests = append(requests, r)
			var key *ecdsa.PublicKey
			if !newKey {
				k, err := e.publicKey()
				errs, key = append(errs, err), k
			}
			keys = append(keys, key)
		}
		if err := errors.Join(errs...); err != nil {
			return err
		}
		for i, r := range requests {
			made, err := o.issue(r, keys[i], now)
			if err != nil {
				return fmt.Errorf("%s: %w", r.Name, err)
			}
			all = append(all, made)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// issue makes one certificate and its entry. Without a public key it makes a key, too.
func (o *opened) issue(r Request, public *ecdsa.PublicKey, now time.Time) (Issued, error) {
	var keyPEM []byte
	if public == nil {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			return Issued{}, err
		}
		if keyPEM, err = encodeKey(key); err != nil {
			return Issued{}, err
		}
		public = &key.PublicKey
	}
	serial := newSerial()
	for o.index.has(serial) {
		serial = newSerial()
	}
	template := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: r.Name}, BasicConstraintsValid: true,
		NotBefore: now.Add(-early), NotAfter: now.Add(r.Valid), KeyUsage: x509.KeyUsageDigitalSignature,
	}
	if template.NotAfter.After(o.cert.NotAfter) {
		template.NotAfter = o.cert.NotAfter
	}
	switch r.Kind {
	case Server:
		template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
		for _, h := range append([]string{r.Name}, r.Hosts...) {
			if ip := net.ParseIP(h); ip != nil {
				template.IPAddresses = append(template.IPAddresses, ip)
			} else {
				template.DNSNames = append(template.DNSNames, h)
			}
		}
	default:
		template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
		// A unit's id may be what no host name can: then the common name, which the broker goes by,
		// says it alone.
		if isHost(r.Name) {
			template.DNSNames = []string{r.Name}
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, o.cert, public, o.key)
	if err != nil {
		return Issued{}, err
	}
	point, err := public.Bytes()
	if err != nil {
		return Issued{}, err
	}
	e := Entry{
		At: now, Kind: r.Kind, Name: r.Name, Hosts: r.Hosts, Serial: serial.Text(16),
		NotAfter: template.NotAfter, Key: point,
	}
	o.index.add(e)
	return Issued{Entry: e, Cert: encodeCert(der), Authority: encodeCert(o.cert.Raw), Key: keyPEM}, nil
}

// Revoke revokes every certificate of the names that is still good, and renews the broker's list. It
// returns them. With no names it renews the list alone.
func (a *Authority) Revoke(ctx context.Context, names []string, next time.Duration) (all []Entry, err error) {
	err = a.change(ctx, func(o *opened, now time.Time) error {
		all = nil
		live := o.index.live(now)
		var errs []error
		for i, name := range names {
			if slices.Contains(names[:i], name) {
				continue
			}
			if len(live[name]) == 0 {
				errs = append(errs, fmt.Errorf("%s: has no certificate that is good", name))
			}
			for _, e := range live[name] {
				o.index.revoke(e.Serial, now)
				all = append(all, *e)
			}
		}
		if err := errors.Join(errs...); err != nil {
			return err
		}
		ends := o.cert.NotAfter
		if next > 0 && now.Add(next).Before(ends) {
			ends = now.Add(next)
		}
		o.renewList(now, ends)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// renewList gives the list a number that it never had.
func (o *opened) renewList(now, next time.Time) {
	number := o.index.listNumber
	if o.was != nil && o.was.Number.IsInt64() {
		number = max(number, int(o.was.Number.Int64()))
	}
	o.index.list(now, number+1, next)
}

// takeUp revokes what the list before has and the index has not: the index is of an older backup. A
// certificate that was revoked once stays so.
func (o *opened) takeUp(now time.Time) {
	if o.was == nil {
		return
	}
	for _, r := range o.was.RevokedCertificateEntries {
		serial := r.SerialNumber.Text(16)
		if !o.index.has(r.SerialNumber) {
			o.index.add(Entry{At: now, Kind: Lost, Name: "-", Serial: serial, NotAfter: o.cert.NotAfter})
		}
		if e := o.index.bySerial[serial]; o.index.entries[e].RevokedAt.IsZero() {
			o.index.revoke(serial, now)
		}
	}
}

// Lost is the kind of what only the broker's list still knows.
const Lost Kind = "lost"

// State is what the authority has issued, and until when.
type State struct {
	Name     string    // of the authority
	NotAfter time.Time // of its certificate
	ListNext time.Time // when the broker's list ends
	Doubt    string    // why the broker's list isn't the index's; empty: it is
	Entries  []Entry   // in order of issue
}

// Look returns what there is, without the authority's key.
func (a *Authority) Look() (State, error) {
	o, err := a.open(false)
	if err != nil {
		return State{}, err
	}
	s := State{Name: o.cert.Subject.CommonName, NotAfter: o.cert.NotAfter, ListNext: o.index.listNext, Entries: o.index.entries}
	if o.doubt != nil {
		s.Doubt = o.doubt.Error()
	}
	return s, nil
}

// Current returns of each name its newest certificate, in order of names.
func (s *State) Current() []Entry {
	newest := map[string]Entry{}
	for _, e := range s.Entries {
		if e.Kind == Lost {
			newest[e.Serial] = e
			continue
		}
		newest[e.Name] = e
	}
	all := make([]Entry, 0, len(newest))
	for _, e := range newest {
		all = append(all, e)
	}
	slices.SortFunc(all, func(a, b Entry) int {
		return cmpOr(strings.Compare(string(a.Kind), string(b.Kind)), strings.Compare(a.Name, b.Name),
			strings.Compare(a.Serial, b.Serial))
	})
	return all
}

func cmpOr(all ...int) int {
	for _, c := range all {
		if c != 0 {
			return c
		}
	}
	return 0
}

// newSerial returns 128 random bits, with the first set, so that all are of one length: RFC 5280
// section 4.1.2.2 wants them positive and at most 20 octets.
func newSerial() *big.Int {
	b := make([]byte, 16)
	_, _ = rand.Read(b) // never fails
	n := new(big.Int).SetBytes(b)
	return n.SetBit(n, 127, 1)
}

func encodeCert(der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
}

func encodeKey(key *ecdsa.PrivateKey) ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: plainKey, Bytes: der}), nil
}

func parseCert(text []byte) (*x509.Certificate, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, errors.New("no certificate in it: want PEM")
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, err
	}
	if !c.IsCA {
		return nil, errors.New("not an authority's certificate")
	}
	return c, nil
}

// writePublic replaces a file that everybody may read.
func writePublic(path string, data []byte) error {
	if old, err := disk.ReadFile(path); err == nil && bytes.Equal(old, data) {
		return nil
	}
	return safefile.Replace(path, data, func(f disk.File) error { return chmod(f, 0o644) })
}

// chmod sets the mode of a file, where it is one of the system's.
func chmod(f disk.File, mode fs.FileMode) error {
	if f, ok := f.(interface{ Chmod(fs.FileMode) error }); ok {
		return f.Chmod(mode)
	}
	return nil
}
