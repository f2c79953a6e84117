package agent_test

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
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
)

// certificate writes a new self-signed one and gives its pool.
func certificate(t *testing.T, certFile, keyFile string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(
			time.Now().UnixNano(),
		), Subject: pkix.Name{CommonName: "unit"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().
			Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	return pool
}

func TestPageAndMetricsOverTLSForOneUser(t *testing.T) {
	dir := t.TempDir()
	h := config.HTTP{
		CertFile: filepath.Join(dir, "page.pem"), KeyFile: filepath.Join(dir, "page.key"),
		MetricsUser: "prometheus", MetricsPasswordFile: filepath.Join(dir, "password"),
	}
	pool := certificate(t, h.CertFile, h.KeyFile)
	require.NoError(t, os.WriteFile(h.MetricsPasswordFile, []byte("correct horse\n"), 0o600))
	b := newBench(t, func(o *agent.Options) {
		l, err := agent.Secured(o.Listener, h)
		require.NoError(t, err)
		o.Listener, o.Config.HTTP = l, h
	})
	stop := b.start(t)
	get := func(pool *x509.CertPool, path, user, password string) (int, error) {
		tr := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}
		defer tr.CloseIdleConnections()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https"+b.addr[len("http"):]+path, nil)
		require.NoError(t, err)
		if user != "" {
			req.SetBasicAuth(user, password)
		}
		resp, err := (&http.Client{Transport: tr}).Do(req)
		if err != nil {
			return 0, err
		}
		return resp.StatusCode, resp.Body.Close()
	}
	for _, c := range []struct {
		path, user, password string
		want                 int
	}{
		{"/healthz", "", "", http.StatusOK},
		{"/metrics", "", "", http.StatusUnauthorized},
		{"/metrics", "prometheus", "wrong", http.StatusUnauthorized},
		{"/metrics", "prometheus", "", http.StatusUnauthorized},
		{"/metrics", "other", "correct horse", http.StatusUnauthorized},
		{"/metrics", "prometheus", "correct horse", http.StatusOK},
	} {
		got, err := get(pool, c.path, c.user, c.password)
		require.NoError(t, err)
		assert.Equal(t, c.want, got, "%+v", c)
	}
	renewed := certificate(t, h.CertFile, h.KeyFile)
	_, err := get(pool, "/healthz", "", "")
	require.Error(t, err, "the old one is gone")
	got, err := get(renewed, "/healthz", "", "")
	require.NoError(t, err, "renewed without a restart")
	assert.Equal(t, http.StatusOK, got)
	require.NoError(t, stop())
}

func TestFilesThatCannotSecureAreRefusedAtTheStart(t *testing.T) {
	_, err := agent.Secured(nil, config.HTTP{CertFile: "none.pem", KeyFile: "none.key"})
	require.ErrorContains(t, err, "http.cert_file and key_file: open none.pem")
	l, err := agent.Secured(nil, config.HTTP{})
	require.NoError(t, err)
	assert.Nil(t, l)
}
