package deploy_test

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
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// authority signs certificates for a test, in a folder.
type authority struct {
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	next int64
}

func newAuthority(t *testing.T, dir, name string) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	a := &authority{dir: dir, key: key, next: 2, cert: &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(
			-48 * time.Hour,
		), NotAfter: time.Now().Add(48 * time.Hour), KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		SubjectKeyId: []byte{1},
	}}
	der, err := x509.CreateCertificate(rand.Reader, a.cert, a.cert, &key.PublicKey, key)
	require.NoError(t, err)
	write(t, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), dir, "ca.pem")
	der, err = x509.CreateRevocationList(rand.Reader, &x509.RevocationList{
		Number: big.NewInt(1), ThisUpdate: a.cert.NotBefore, NextUpdate: a.cert.NotAfter,
	}, a.cert, key)
	require.NoError(t, err)
	write(t, string(pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: der})), dir, "revoked.pem")
	return a
}

func (a *authority) caFile() string { return filepath.Join(a.dir, "ca.pem") }

// sign makes FILE.pem and FILE.key with a common name, valid around now, or until an hour ago.
func (a *authority) sign(t *testing.T, file, commonName string, expired bool) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	leaf := &x509.Certificate{
		SerialNumber: big.NewInt(a.next), Subject: pkix.Name{CommonName: commonName},
		NotBefore: time.Now().Add(-24 * time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	a.next++
	if expired {
		leaf.NotAfter = time.Now().Add(-time.Hour)
	}
	der, err := x509.CreateCertificate(rand.Reader, leaf, a.cert, &key.PublicKey, a.key)
	require.NoError(t, err)
	private, err := x509.MarshalECPrivateKey(key)
	require.NoError(t, err)
	certFile = write(t, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), a.dir, file+".pem")
	keyFile = write(
		t, string(pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: private})), a.dir, file+".key",
	)
	return certFile, keyFile
}

// client returns what a client of that certificate speaks TLS with.
func (a *authority) client(t *testing.T, certFile, keyFile string) *tls.Config {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(must(x509.ParseCertificate(must(pemBlock(read(t, a.caFile()))))))
	return &tls.Config{RootCAs: pool, Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
}

func pemBlock(text string) ([]byte, error) {
	block, _ := pem.Decode([]byte(text))
	return block.Bytes, nil
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}
