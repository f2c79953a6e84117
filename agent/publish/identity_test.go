package publish

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
)

// certificateOf makes a certificate with a common name, signed by itself, and its key.
func certificateOf(t *testing.T, dir, commonName string) (certFile, keyFile string) {
	key := must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))
	leaf := &x509.Certificate{
		SerialNumber: big.NewInt(3), Subject: pkix.Name{CommonName: commonName},
		NotBefore: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), NotAfter: time.Date(2036, 1, 1, 0, 0, 0, 0, time.UTC),
	}
	der := must(x509.CreateCertificate(rand.Reader, leaf, leaf, &key.PublicKey, key))
	certFile, keyFile = filepath.Join(dir, commonName+".pem"), filepath.Join(dir, commonName+".key")
	for file, block := range map[string]*pem.Block{
		certFile: {Type: "CERTIFICATE", Bytes: der},
		keyFile:  {Type: "EC PRIVATE KEY", Bytes: must(x509.MarshalECPrivateKey(key))},
	} {
		require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(block), 0o600))
	}
	return certFile, keyFile
}

func TestCheckCertificate(t *testing.T) {
	certFile, keyFile := certificateOf(t, t.TempDir(), "t-1043")
	leaf := must(tls.LoadX509KeyPair(certFile, keyFile)).Leaf
	require.NoError(t, CheckCertificate(leaf, "t-1043", ""))
	require.ErrorContains(t, CheckCertificate(leaf, "t-1042", ""), `common name "t-1043": want unit.id "t-1042"`)
	require.NoError(t, CheckCertificate(leaf, "t-1042", "t-1042"), "known by its user name")
}

// A unit with another's certificate is connected, all is acknowledged, and the state says what is
// wrong all the same. With its own it says nothing.
func TestAnothersCertificateIsSaid(t *testing.T) {
	dir := t.TempDir()
	caFile, server := authority(t, dir)
	for name, want := range map[string]string{"t-1043": wrongName, "t-1042": ""} {
		b := newFaultBroker(t, &tls.Config{Certificates: []tls.Certificate{server}, ClientAuth: tls.RequireAnyClientCert},
			func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
		opts := options(t, b.url())
		opts.CAFile = caFile
		opts.CertFile, opts.KeyFile = certificateOf(t, dir, name)
		opts.Clock.Now = func() time.Time { return time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC) }
		p, stop := start(t, opts)
		receive(t, b.accepted, "a connection").nextPublish("status")
		require.True(t, p.State().Connected)
		assert.Equal(t, want, p.State().Problem)
		stop()
	}
}

// A collector that confirmed once and says nothing of what was sent since is a problem after some
// hours, and none where nobody ever confirmed.
func TestASilentCollectorIsSaid(t *testing.T) {
	for _, collected := range []bool{true, false} {
		b := newFaultBroker(t, nil, func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
		opts := options(t, b.url())
		var later atomic.Int64
		clock := func() time.Time { return time.Now().Add(time.Duration(later.Load())) }
		opts.Outbox = openOutboxAt(t, clock)
		addRun(t, opts, snapshot.Run{Number: 1})
		p, _ := start(t, opts)
		c := receive(t, b.accepted, "a connection")
		c.nextPublish("runs")
		sent := func() bool { return waiting(opts, outbox.Runs) == 0 }
		require.Eventually(t, sent, patience, time.Millisecond)
		if collected {
			_, _, err := opts.Outbox.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "5f0c2a9e", Through: 1})
			require.NoError(t, err)
		}
		later.Store(int64(7 * time.Hour))
		assert.Empty(t, p.State().Problem, "nothing waits for it")
		addRun(t, opts, snapshot.Run{Number: 2})
		c.nextPublish("runs")
		require.Eventually(t, sent, patience, time.Millisecond)
		later.Store(int64(13*time.Hour - time.Minute))
		assert.Empty(t, p.State().Problem)
		later.Store(int64(13*time.Hour + time.Minute))
		want := ""
		if collected {
			want = Unheard
		}
		assert.Equal(t, want, p.State().Problem)
	}
}
