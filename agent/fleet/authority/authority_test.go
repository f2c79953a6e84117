package authority_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/fleet/authority"
	"liftbank/agent/safefile"
)

const day = 24 * time.Hour

var start = time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)

// clock is a time that a test sets.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

func newAuthority(t *testing.T) (*authority.Authority, *clock) {
	t.Helper()
	c := &clock{start}
	a := &authority.Authority{Dir: filepath.Join(t.TempDir(), "authority"), Now: c.now}
	require.NoError(t, a.Init(t.Context(), "a test's authority", authority.AuthorityValid))
	return a, c
}

func unit(name string) authority.Request {
	return authority.Request{Kind: authority.Unit, Name: name, Valid: authority.ClientValid}
}

func enrol(t *testing.T, a *authority.Authority, names ...string) []authority.Issued {
	t.Helper()
	var all []authority.Request
	for _, name := range names {
		all = append(all, unit(name))
	}
	made, err := a.Issue(t.Context(), all)
	require.NoError(t, err)
	return made
}

func certOf(t *testing.T, text []byte) *x509.Certificate {
	t.Helper()
	block, rest := pem.Decode(text)
	require.NotNil(t, block)
	assert.Empty(t, rest)
	c, err := x509.ParseCertificate(block.Bytes)
	require.NoError(t, err)
	return c
}

func listOf(t *testing.T, a *authority.Authority) *x509.RevocationList {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(a.Dir, authority.RevokedFile))
	require.NoError(t, err)
	block, _ := pem.Decode(text)
	require.NotNil(t, block)
	l, err := x509.ParseRevocationList(block.Bytes)
	require.NoError(t, err)
	ca, err := os.ReadFile(filepath.Join(a.Dir, authority.CertFile))
	require.NoError(t, err)
	require.NoError(t, l.CheckSignatureFrom(certOf(t, ca)))
	return l
}

func look(t *testing.T, a *authority.Authority) authority.State {
	t.Helper()
	s, err := a.Look()
	require.NoError(t, err)
	return s
}

// What RFC 5280 and the broker want of a certificate; the library that reads it is not the one's own
// words about it.
func TestCertificates(t *testing.T) {
	a, _ := newAuthority(t)
	made, err := a.Issue(t.Context(), []authority.Request{
		unit("t-1042"), unit("-"), unit(strings.Repeat("x", 64)),
		{Kind: authority.Service, Name: "fleet.collector", Valid: authority.ClientValid},
		{Kind: authority.Server, Name: "broker.example", Hosts: []string{"192.0.2.7", "2001:db8::7", "mq"}, Valid: authority.ServerValid},
	})
	require.NoError(t, err)
	serials := map[string]bool{}
	for _, m := range made {
		c := certOf(t, m.Cert)
		pool := x509.NewCertPool()
		pool.AddCert(certOf(t, m.Authority))
		use := x509.ExtKeyUsageClientAuth
		other := x509.ExtKeyUsageServerAuth
		if m.Kind == authority.Server {
			use, other = other, use
		}
		verify := func(at time.Time, use x509.ExtKeyUsage) error {
			_, err := c.Verify(x509.VerifyOptions{Roots: pool, CurrentTime: at, KeyUsages: []x509.ExtKeyUsage{use}})
			return err
		}
		assert.NoError(t, verify(start, use), m.Name)
		assert.NoError(t, verify(start.Add(-23*time.Hour), use), "a clock that is behind")
		assert.Error(t, verify(start, other), m.Name)
		assert.Error(t, verify(m.NotAfter.Add(time.Second), use), m.Name)
		assert.Equal(t, m.Name, c.Subject.CommonName)
		assert.False(t, c.IsCA)
		assert.Equal(t, m.NotAfter, c.NotAfter)
		assert.Equal(t, 128, c.SerialNumber.BitLen())
		serials[m.Serial] = true
		_, err := tls.X509KeyPair(m.Cert, m.Key)
		assert.NoError(t, err, "the key is the certificate's")
	}
	assert.Len(t, serials, len(made))
	assert.Equal(t, start.Add(authority.ClientValid), made[0].NotAfter)
	assert.Equal(t, []string{"t-1042"}, certOf(t, made[0].Cert).DNSNames)
	assert.Empty(t, certOf(t, made[1].Cert).DNSNames, "no host name")
	server := certOf(t, made[4].Cert)
	for _, host := range []string{"broker.example", "mq", "192.0.2.7", "2001:db8::7"} {
		assert.NoError(t, server.VerifyHostname(host))
	}
	assert.Error(t, server.VerifyHostname("other.example"))
	for _, file := range []string{authority.KeyFile} {
		info, err := os.Stat(filepath.Join(a.Dir, file))
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	}
}

func TestWhatIsRefused(t *testing.T) {
	a, c := newAuthority(t)
	enrol(t, a, "t-1")
	service := func(name string) authority.Request {
		return authority.Request{Kind: authority.Service, Name: name, Valid: day}
	}
	server := func(names ...string) authority.Request {
		return authority.Request{Kind: authority.Server, Name: names[0], Hosts: names[1:], Valid: day}
	}
	for want, bad := range map[string]authority.Request{
		"has a certificate until 2031-03-08": unit("t-1"),
		`"a/b": want 1 to 64 bytes`:          unit("a/b"),
		`"+": want 1 to 64 bytes`:            unit("+"),
		"empty":                              unit(""),
		`"fleet.collector": want 1 to 64 of`: unit("fleet.collector"),
		`"T-1": want 1 to 64 of`:             unit("T-1"),
		`"../x"`:                             unit("../x"),
		"at least one dot":                   service("collector"),
		`service "..": want a name`:          service(".."),
		`service "a b.c": want a name`:       service("a b.c"),
		`"a:8883": want a host name`:         server("a:8883"),
		`"*": want a host name`:              server("broker", "*"),
		"first name of up to 64":             server(strings.Repeat("a.", 40) + "b"),
		"want 1 day to 50 years":             {Kind: authority.Unit, Name: "t-2"},
		`kind "": want`:                      {Name: "t-2", Valid: day},
	} {
		before := look(t, a)
		_, err := a.Issue(t.Context(), []authority.Request{unit("t-9"), bad})
		assert.ErrorContains(t, err, want)
		assert.Equal(t, before, look(t, a), "%s: nothing was made of the others either", want)
	}
	_, err := a.Issue(t.Context(), []authority.Request{unit("t-3"), unit("t-3")})
	assert.ErrorContains(t, err, "named twice")
	_, err = a.Renew(t.Context(), []string{"t-4"}, false, 0)
	assert.ErrorContains(t, err, "never had a certificate")
	_, err = a.Renew(t.Context(), []string{"t-1", "t-1"}, false, 0)
	assert.ErrorContains(t, err, "named twice")
	_, err = a.Revoke(t.Context(), []string{"t-1", "t-4"}, 0)
	assert.ErrorContains(t, err, "t-4: has no certificate")
	assert.Zero(t, look(t, a).Entries[0].RevokedAt)
	assert.ErrorIs(t, a.Init(t.Context(), "again", authority.AuthorityValid), authority.ErrExists)

	c.at = start.Add(authority.AuthorityValid)
	_, err = a.Issue(t.Context(), []authority.Request{unit("t-5")})
	assert.ErrorContains(t, err, "authority is valid from")
	c.at = start
	key := filepath.Join(a.Dir, authority.KeyFile)
	require.NoError(t, os.Chmod(key, 0o640))
	_, err = a.Issue(t.Context(), []authority.Request{unit("t-5")})
	assert.ErrorContains(t, err, "chmod 600")
	_, err = a.Look()
	assert.NoError(t, err, "looking needs no key")
	other, _ := newAuthority(t)
	foreign, err := os.ReadFile(filepath.Join(other.Dir, authority.KeyFile))
	require.NoError(t, err)
	require.NoError(t, os.Remove(key))
	require.NoError(t, os.WriteFile(key, foreign, 0o600))
	_, err = a.Issue(t.Context(), []authority.Request{unit("t-5")})
	assert.ErrorContains(t, err, "not the key of ca.pem")
	_, err = (&authority.Authority{Dir: t.TempDir(), Now: c.now}).Look()
	assert.ErrorContains(t, err, "fleet authority init")
}

func TestRenewAndRevoke(t *testing.T) {
	a, c := newAuthority(t)
	first := enrol(t, a, "t-1", "t-2")
	assert.Empty(t, listOf(t, a).RevokedCertificateEntries)
	c.at = start.Add(4 * 365 * day)
	again, err := a.Renew(t.Context(), []string{"t-1"}, false, 0)
	require.NoError(t, err)
	assert.Nil(t, again[0].Key)
	_, err = tls.X509KeyPair(again[0].Cert, first[0].Key)
	assert.NoError(t, err, "the key that the unit has")
	assert.Equal(t, c.at.Add(authority.ClientValid), again[0].NotAfter, "as long as before")
	fresh, err := a.Renew(t.Context(), []string{"t-1"}, true, 30*day)
	require.NoError(t, err)
	_, err = tls.X509KeyPair(fresh[0].Cert, first[0].Key)
	assert.Error(t, err)
	assert.Equal(t, c.at.Add(30*day), fresh[0].NotAfter)

	gone, err := a.Revoke(t.Context(), []string{"t-1"}, 10*day)
	require.NoError(t, err)
	assert.Len(t, gone, 3, "every one that is still good")
	l := listOf(t, a)
	assert.Equal(t, c.at.Add(10*day), l.NextUpdate)
	serials := map[string]bool{}
	for _, e := range l.RevokedCertificateEntries {
		serials[e.SerialNumber.Text(16)] = true
	}
	assert.Equal(t, map[string]bool{first[0].Serial: true, again[0].Serial: true, fresh[0].Serial: true}, serials)
	_, err = a.Renew(t.Context(), []string{"t-1"}, false, 0)
	assert.ErrorContains(t, err, "so is its key")
	_, err = a.Revoke(t.Context(), []string{"t-1"}, 0)
	assert.ErrorContains(t, err, "has no certificate that is good")
	back, err := a.Renew(t.Context(), []string{"t-1"}, true, 0)
	require.NoError(t, err)
	assert.False(t, serials[back[0].Serial])

	_, err = a.Revoke(t.Context(), nil, 0)
	require.NoError(t, err)
	renewed := listOf(t, a)
	assert.Equal(t, l.RevokedCertificateEntries, renewed.RevokedCertificateEntries)
	assert.Equal(t, 1, renewed.Number.Cmp(l.Number))
	assert.Equal(t, look(t, a).NotAfter, renewed.NextUpdate)

	// Whoever is not renewed ends, and can then be enrolled again.
	c.at = first[1].NotAfter
	enrol(t, a, "t-2")
	state := look(t, a)
	var names []string
	for _, e := range state.Current() {
		names = append(names, e.Name)
	}
	assert.Equal(t, []string{"t-1", "t-2"}, names)
	// None outlives the authority.
	c.at = state.NotAfter.Add(-2 * day)
	last, err := a.Renew(t.Context(), []string{"t-2"}, false, 0)
	require.NoError(t, err)
	assert.Equal(t, state.NotAfter, last[0].NotAfter)
}

// Many at once, as of several people: none is lost, no serial is there twice.
func TestManyEnrolAtOnce(t *testing.T) {
	a, c := newAuthority(t)
	const people, each = 8, 5
	var all sync.WaitGroup
	for p := range people {
		all.Go(func() {
			mine := &authority.Authority{Dir: a.Dir, Now: c.now}
			for n := range each {
				_, err := mine.Issue(context.Background(), []authority.Request{unit(fmt.Sprintf("t-%d-%d", p, n)), unit(fmt.Sprintf("u-%d-%d", p, n))})
				assert.NoError(t, err)
			}
		})
	}
	all.Wait()
	serials := map[string]bool{}
	for _, e := range look(t, a).Entries {
		serials[e.Serial] = true
	}
	assert.Len(t, serials, people*each*2)

	// The same unit from all: one gets it.
	won := make(chan struct{}, people)
	for range people {
		all.Go(func() {
			mine := &authority.Authority{Dir: a.Dir, Now: c.now}
			if _, err := mine.Issue(context.Background(), []authority.Request{unit("t-same")}); err == nil {
				won <- struct{}{}
			}
		})
	}
	all.Wait()
	assert.Len(t, won, 1)
}

// Wherever the index is cut off, and whatever byte of it is another: it is found, and nothing is
// written over it.
func TestTornIndexIsFound(t *testing.T) {
	a, _ := newAuthority(t)
	enrol(t, a, "t-1")
	_, err := a.Revoke(t.Context(), []string{"t-1"}, 0)
	require.NoError(t, err)
	path := filepath.Join(a.Dir, authority.IndexFile)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	try := func(text []byte, what string, at int) {
		require.NoError(t, os.WriteFile(path, text, 0o600))
		_, err := a.Look()
		require.Error(t, err, "%s at %d", what, at)
		if at%25 == 0 {
			_, err = a.Issue(t.Context(), []authority.Request{unit("t-2")})
			require.Error(t, err)
			now, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, text, now)
		}
	}
	for at := range whole {
		try(whole[:at], "cut", at)
		changed := slices.Clone(whole)
		changed[at] ^= 1
		try(changed, "changed", at)
	}
	require.NoError(t, os.WriteFile(path, whole, 0o600))
	look(t, a)
}

// An index of yesterday's backup beside the list that the broker has: what was revoked stays so.
func TestOldIndexKeepsRevocations(t *testing.T) {
	a, _ := newAuthority(t)
	enrol(t, a, "t-1", "t-2")
	path := filepath.Join(a.Dir, authority.IndexFile)
	yesterday, err := os.ReadFile(path)
	require.NoError(t, err)
	later := enrol(t, a, "t-3")
	_, err = a.Revoke(t.Context(), []string{"t-1", "t-3"}, 0)
	require.NoError(t, err)
	before := listOf(t, a)
	require.NoError(t, os.WriteFile(path, yesterday, 0o600))
	assert.Contains(t, look(t, a).Doubt, "is number 2, the index has 1")

	enrol(t, a, "t-4") // any change takes up what the list has
	after := listOf(t, a)
	assert.Equal(t, 1, after.Number.Cmp(before.Number))
	var was, is []string
	for _, e := range before.RevokedCertificateEntries {
		was = append(was, e.SerialNumber.Text(16))
	}
	for _, e := range after.RevokedCertificateEntries {
		is = append(is, e.SerialNumber.Text(16))
	}
	assert.ElementsMatch(t, was, is)
	state := look(t, a)
	assert.Empty(t, state.Doubt)
	kinds := map[string]authority.Kind{}
	for _, e := range state.Current() {
		kinds[e.Serial] = e.Kind
	}
	assert.Equal(t, authority.Lost, kinds[later[0].Serial])

	// A list that is not this authority's, or none, is made anew from the index.
	for _, text := range []string{"", "x"} {
		require.NoError(t, os.WriteFile(filepath.Join(a.Dir, authority.RevokedFile), []byte(text), 0o600))
		assert.NotEmpty(t, look(t, a).Doubt)
		_, err = a.Revoke(t.Context(), nil, 0)
		require.NoError(t, err)
		assert.Len(t, listOf(t, a).RevokedCertificateEntries, 2)
		assert.Empty(t, look(t, a).Doubt)
	}
}

// sweep removes what unfinished writes have left on a disk that was cut: unlike a real one, it gives the
// same names to files again.
func sweep(t *testing.T) {
	t.Helper()
	all, err := disk.Now().ReadDir("/safe/authority")
	if err != nil {
		return // cut before the folder was there
	}
	for _, e := range all {
		if ok, _ := filepath.Match(safefile.Unfinished, e.Name()); ok {
			require.NoError(t, disk.Now().Remove(filepath.Join("/safe/authority", e.Name())))
		}
	}
}

// Each file operation of enrolling and revoking fails, or the power is cut before it: the index is
// whole, what was there is there, what was promised is there, and the next command puts the list right.
func TestEachOperationOfAChange(t *testing.T) {
	defer authority.WithoutLock()()
	chance := rand.New(rand.NewPCG(1, 2))
	for _, cut := range []bool{false, true} {
		for n := 1; ; n++ {
			d := crash.New("/safe")
			undo := disk.Use(d)
			c := &clock{start}
			a := &authority.Authority{Dir: "/safe/authority", Now: c.now}
			require.NoError(t, a.Init(t.Context(), "x", authority.AuthorityValid))
			enrol(t, a, "t-1", "t-2")
			begun := d.Operations()
			d.FailWith(func(at int, _, _ string) error {
				if at == begun+n || cut && at > begun+n {
					return syscall.EIO
				}
				return nil
			})
			_, issueErr := a.Issue(t.Context(), []authority.Request{unit("t-3")})
			gone, revokeErr := a.Revoke(t.Context(), []string{"t-1"}, 0)
			done := d.Operations() < begun+n
			d.FailWith(nil)
			if cut {
				undo()
				undo = disk.Use(d.Cut(chance))
				sweep(t)
			}
			state, err := a.Look()
			require.NoError(t, err, "operation %d, cut %v", n, cut)
			have := map[string]authority.Entry{}
			for _, e := range state.Entries {
				have[e.Name] = e
			}
			names := slices.Sorted(maps.Keys(have))
			assert.Subset(t, names, []string{"t-1", "t-2"})
			if issueErr == nil {
				assert.Contains(t, names, "t-3", "operation %d", n)
			}
			if revokeErr == nil {
				assert.Len(t, gone, 1)
				assert.NotZero(t, have["t-1"].RevokedAt, "operation %d", n)
				assert.Empty(t, state.Doubt)
			}
			_, err = a.Revoke(t.Context(), []string{"t-2"}, 0)
			require.NoError(t, err, "operation %d", n)
			assert.Empty(t, look(t, a).Doubt)
			undo()
			if done {
				break
			}
		}
	}
}

// The same of Init: afterwards there is an authority, or Init can be run again.
func TestEachOperationOfInit(t *testing.T) {
	defer authority.WithoutLock()()
	chance := rand.New(rand.NewPCG(3, 4))
	for n := 1; ; n++ {
		d := crash.New("/safe")
		undo := disk.Use(d)
		a := &authority.Authority{Dir: "/safe/authority", Now: (&clock{start}).now}
		d.FailWith(func(at int, _, _ string) error {
			if at >= n {
				return syscall.EIO
			}
			return nil
		})
		err := a.Init(t.Context(), "x", authority.AuthorityValid)
		done := d.Operations() < n
		d.FailWith(nil)
		undo()
		undo = disk.Use(d.Cut(chance))
		sweep(t)
		if again := a.Init(t.Context(), "x", authority.AuthorityValid); err == nil {
			assert.ErrorIs(t, again, authority.ErrExists)
		} else if again != nil {
			assert.ErrorIs(t, again, authority.ErrExists, "operation %d", n)
		}
		enrol(t, a, "t-1")
		undo()
		if done {
			break
		}
	}
}

func TestFilesOfAUnit(t *testing.T) {
	a, _ := newAuthority(t)
	out := t.TempDir()
	made := enrol(t, a, "t-1")
	files, err := authority.Write(out, made[0], []byte("unit: {}\n"), authority.Owner{Group: -1})
	require.NoError(t, err)
	modes := map[string]os.FileMode{}
	for _, f := range files {
		info, err := os.Stat(f)
		require.NoError(t, err)
		modes[filepath.Base(f)] = info.Mode().Perm()
	}
	assert.Equal(t, map[string]os.FileMode{"t-1.key": 0o600, "t-1.pem": 0o644, "ca.pem": 0o644, "unit.yaml": 0o644}, modes)
	files, err = authority.Write(out, made[0], nil, authority.Owner{Group: os.Getegid()})
	require.NoError(t, err)
	assert.Len(t, files, 3)
	info, err := os.Stat(filepath.Join(out, "t-1", "t-1.key"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())

	again, err := a.Renew(t.Context(), []string{"t-1"}, false, 0)
	require.NoError(t, err)
	_, err = authority.Write(out, again[0], nil, authority.Owner{Group: -1})
	require.NoError(t, err)
	pair, err := tls.LoadX509KeyPair(filepath.Join(out, "t-1", "t-1.pem"), filepath.Join(out, "t-1", "t-1.key"))
	require.NoError(t, err, "the key that was there is the new certificate's")
	assert.True(t, pair.PrivateKey.(*ecdsa.PrivateKey).PublicKey.Equal(certOf(t, again[0].Cert).PublicKey))

	_, err = authority.Write(filepath.Join(out, "t-1", "t-1.pem"), made[0], nil, authority.Owner{Group: -1})
	assert.ErrorContains(t, err, "safefile")
}
