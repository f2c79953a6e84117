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
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// authority makes certificates for a test: its own, written to ca.pem in dir, and one for
// 127.0.0.1.
func authority(t *testing.T, dir string) (caFile string, server tls.Certificate) {
	key := must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))
	ca := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true,
		BasicConstraintsValid: true,
		NotBefore:             time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC),
		NotAfter:              time.Date(2036, 1, 1, 0, 0, 0, 0, time.UTC),
		KeyUsage:              x509.KeyUsageCertSign,
	}
	der := must(x509.CreateCertificate(rand.Reader, ca, ca, &key.PublicKey, key))
	caFile = filepath.Join(dir, "ca.pem")
	require.NoError(t, os.WriteFile(caFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))

	leafKey := must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))
	leaf := &x509.Certificate{
		SerialNumber: big.NewInt(2), NotBefore: ca.NotBefore, NotAfter: ca.NotAfter,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	leafDER := must(x509.CreateCertificate(rand.Reader, leaf, ca, &leafKey.PublicKey, key))
	return caFile, tls.Certificate{Certificate: [][]byte{leafDER}, PrivateKey: leafKey}
}

// Over TLS, with the password read anew at each connection.
func TestSecureConnectionReadsItsFilesEachTime(t *testing.T) {
	dir := t.TempDir()
	caFile, cert := authority(t, dir)
	password := filepath.Join(dir, "password")
	require.NoError(t, os.WriteFile(password, []byte("first\n"), 0o600))

	drop := make(chan struct{})
	b := newFaultBroker(t, &tls.Config{Certificates: []tls.Certificate{cert}}, func(n int, c *faultConn) {
		c.connack(0)
		if n == 1 {
			go func() { <-drop; c.Close() }()
		}
		c.serve(everything)
	})
	opts := options(t, b.url())
	opts.CAFile, opts.Username, opts.PasswordFile = caFile, "t-1042", password
	// The certificates' time, by our clock.
	opts.Clock.Now = func() time.Time { return time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC) }
	start(t, opts)

	for _, want := range []string{"first", "second"} {
		c := receive(t, b.accepted, "a connection")
		connect := receive(t, c.seen, "CONNECT").(*packets.ConnectPacket)
		assert.Equal(t, "t-1042", connect.Username)
		assert.Equal(t, want, string(connect.Password))
		if want == "first" {
			require.NoError(t, os.WriteFile(password, []byte("second"), 0o600))
			close(drop)
		}
	}
}

// What is wrong with the files or the certificate is a state like any other, tried again with a
// pause.
func TestSecureFailuresAreClear(t *testing.T) {
	dir := t.TempDir()
	caFile, cert := authority(t, dir)
	notPEM := filepath.Join(dir, "empty.pem")
	require.NoError(t, os.WriteFile(notPEM, []byte("not a certificate"), 0o600))
	b := newFaultBroker(t, &tls.Config{Certificates: []tls.Certificate{cert}},
		func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })

	f := func(want, word string, change func(*Options)) {
		t.Helper()
		opts := options(t, b.url())
		opts.CAFile = caFile
		opts.Clock.Now = func() time.Time { return time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC) }
		opts.Limits.BackoffMin, opts.Limits.BackoffMax = time.Hour, time.Hour
		failed := make(chan struct{}, 10)
		opts.Clock.After = func(d time.Duration) <-chan time.Time {
			if d == 45*time.Minute {
				failed <- struct{}{}
			}
			return time.After(d)
		}
		change(&opts)
		p, stop := start(t, opts)
		receive(t, failed, "the attempt to fail")
		assert.Contains(t, p.State().LastError, want)
		assert.Equal(t, word, p.State().Problem)
		stop()
	}
	f("mqtt ca file: open ", "certificate or password file can't be used",
		func(o *Options) { o.CAFile = filepath.Join(dir, "none") })
	f("no certificate in it", "certificate or password file can't be used", func(o *Options) { o.CAFile = notPEM })
	f("mqtt password file: open ", "certificate or password file can't be used",
		func(o *Options) { o.Username, o.PasswordFile = "u", filepath.Join(dir, "none") })
	f("mqtt certificate: ", "certificate or password file can't be used",
		func(o *Options) { o.CertFile, o.KeyFile = notPEM, notPEM })
	f("certificate signed by unknown authority", "broker's certificate not trusted", func(o *Options) { o.CAFile = "" })
	f("certificate has expired or is not yet valid", "broker's certificate expired or not valid yet", func(o *Options) {
		o.Clock.Now = func() time.Time { return time.Unix(0, 0) }
	})

	// A broker that wants a certificate of the unit's, and gets none or one of another authority.
	picky := newFaultBroker(t, &tls.Config{Certificates: []tls.Certificate{cert},
		ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: x509.NewCertPool()},
		func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
	f("tls: certificate required", "broker refuses the unit's certificate", func(o *Options) { o.Broker = picky.url() })
	f("tls: unknown certificate authority", "broker refuses the unit's certificate", func(o *Options) {
		o.Broker, o.CertFile, o.KeyFile = picky.url(), filepath.Join(dir, "unit.pem"), filepath.Join(dir, "unit.key")
		key := must(x509.MarshalECPrivateKey(cert.PrivateKey.(*ecdsa.PrivateKey)))
		require.NoError(t, os.WriteFile(o.CertFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE",
			Bytes: cert.Certificate[0]}), 0o600))
		require.NoError(t, os.WriteFile(o.KeyFile, pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY",
			Bytes: key}), 0o600))
	})
	plain := newFaultBroker(t, nil, func(_ int, c *faultConn) {
		_, _ = c.Write([]byte("HTTP/1.1 400 Bad Request\r\n\r\n"))
	})
	f("first record does not look like a TLS handshake", "broker does not use TLS",
		func(o *Options) { o.Broker = "mqtts://" + plain.listener.Addr().String() })
}
