package deploy_test

import (
	"crypto"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// enrolled is a broker as shipped whose certificates, and those of all its clients, the program's own
// commands have made.
type enrolled struct {
	*process
	dir, etc, address string
}

// fleet runs a command of the group and returns what it said.
func (e *enrolled) fleet(t *testing.T, args ...string) string {
	t.Helper()
	cmd := exec.Command(liftbank(t), append([]string{"fleet"}, args...)...)
	cmd.Dir = e.dir
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%v: %s", args, out)
	return string(out)
}

// install puts the newest list where the broker has it.
func (e *enrolled) install(t *testing.T) {
	t.Helper()
	write(t, read(t, e.dir, "authority", "revoked.pem"), e.etc, "revoked.pem")
}

// reload has the broker read its list again, and waits until it has.
func (e *enrolled) reload(t *testing.T) {
	t.Helper()
	before := strings.Count(e.output(), "Reloading config")
	e.tell(syscall.SIGHUP)
	for limit := time.Now().Add(patience); strings.Count(e.output(), "Reloading config") == before; {
		require.True(t, time.Now().Before(limit), "waited %v for a reload:\n%s", patience, e.output())
		select {
		case <-e.more:
		case <-time.After(patience):
		}
	}
}

func newEnrolled(t *testing.T) *enrolled {
	t.Helper()
	if testing.Short() {
		t.Skip("builds the program")
	}
	program(t, "mosquitto", "mosquitto")
	e := &enrolled{dir: t.TempDir(), etc: t.TempDir()}
	e.fleet(t, "authority", "init", "--dir", "authority")
	e.fleet(t, "enrol", "--dir", "authority", "--server", "broker.example,127.0.0.1", "--service", "fleet.collector", "t-1", "t-2")
	issued := filepath.Join(e.dir, "authority", "issued")
	write(t, read(t, issued, "broker.example", "broker.example.pem"), e.etc, "broker.pem")
	write(t, read(t, issued, "broker.example", "broker.example.key"), e.etc, "broker.key")
	write(t, read(t, issued, "broker.example", "ca.pem"), e.etc, "ca.pem")
	e.install(t)
	e.process, e.address = startMosquitto(t, e.etc)
	return e
}

// join connects with the files in a name's folder. TLS 1.3 tells a refused client only when it reads.
func (e *enrolled) join(t *testing.T, name string) (mqtt.Client, error) {
	t.Helper()
	folder := filepath.Join(e.dir, "authority", "issued", name)
	pair, err := tls.LoadX509KeyPair(filepath.Join(folder, name+".pem"), filepath.Join(folder, name+".key"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM([]byte(read(t, folder, "ca.pem"))))
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("ssl://" + e.address).SetClientID("any").
		SetTLSConfig(&tls.Config{RootCAs: pool, Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}).
		SetAutoReconnect(false).SetConnectTimeout(patience))
	token := c.Connect()
	require.True(t, token.WaitTimeout(patience))
	if token.Error() == nil {
		t.Cleanup(func() { c.Disconnect(100) })
	}
	return c, token.Error()
}

func (e *enrolled) mustJoin(t *testing.T, name string) mqtt.Client {
	t.Helper()
	c, err := e.join(t, name)
	require.NoError(t, err, e.output())
	return c
}

// What enrol makes is what the broker as shipped goes by: a unit writes under its own name only, the
// collector reads all and writes `received` only.
func TestEnrolledSpeakForThemselves(t *testing.T) {
	e := newEnrolled(t)
	collector := e.mustJoin(t, "fleet.collector")
	heard := follow(t, collector, "liftbank/v1/#")
	one := e.mustJoin(t, "t-1")
	receipts := follow(t, one, "liftbank/v1/+/received")

	for _, leaf := range []string{"status", "snapshot", "readings", "runs", "findings", "visits"} {
		say(t, one, "liftbank/v1/t-2/"+leaf, "forged")
		say(t, one, "liftbank/v1/t-1/"+leaf, "own")
		assert.Equal(t, arrival{topic: "liftbank/v1/t-1/" + leaf, text: "own"}, receive(t, heard, "its own, and not the forged"))
	}
	for _, leaf := range []string{"status", "snapshot", "readings", "runs", "findings", "visits"} {
		say(t, collector, "liftbank/v1/t-1/"+leaf, "forged")
	}
	say(t, collector, "liftbank/v1/t-2/received", "for t-2")
	say(t, collector, "liftbank/v1/t-1/received", "for t-1")
	assert.Equal(t, arrival{topic: "liftbank/v1/t-1/received", text: "for t-1"}, receive(t, receipts, "its receipt"))
	say(t, one, "liftbank/v1/t-1/runs", "last")
	assert.Equal(t, arrival{topic: "liftbank/v1/t-1/runs", text: "last"}, receive(t, heard, "nothing of what the collector wrote"))
}

// A whole agent goes on with the files that enrol made, through a renewal with its own key, and is out
// once it is revoked.
func TestRevokedIsRefusedAndRenewedGoesOn(t *testing.T) {
	e := newEnrolled(t)
	two := e.mustJoin(t, "t-2")
	e.mustJoin(t, "t-1").Disconnect(100)

	assert.Contains(t, e.fleet(t, "authority", "revoke", "--dir", "authority", "t-2"), "t-2: unit ")
	e.install(t)
	_, err := e.join(t, "t-1")
	require.NoError(t, err)
	e.reload(t)
	_, err = e.join(t, "t-2")
	require.Error(t, err)
	assert.Regexp(t, "revoked certificate"+overtaken, err.Error())
	e.says(t, "certificate verify failed")
	assert.True(t, two.IsConnectionOpen(), "what the configuration says of open connections: restart to end them")

	// Renewed, the unit has another certificate for the same key; a list that was renewed meanwhile
	// doesn't have it.
	before := read(t, e.dir, "authority", "issued", "t-1", "t-1.pem")
	e.fleet(t, "authority", "renew", "--dir", "authority", "t-1")
	assert.NotEqual(t, before, read(t, e.dir, "authority", "issued", "t-1", "t-1.pem"))
	e.mustJoin(t, "t-1").Disconnect(100)

	// One that is back gets a new key, and is let in.
	e.fleet(t, "authority", "renew", "--dir", "authority", "--new-key", "t-2")
	e.mustJoin(t, "t-2").Disconnect(100)
	assert.Contains(t, e.fleet(t, "authority", "list", "--dir", "authority", "--all"), "revoked on ")
}

// A list that has ended locks everybody out: the reason why it ends with the authority by default.
func TestEndedListRefusesEverybody(t *testing.T) {
	e := newEnrolled(t)
	e.mustJoin(t, "t-1").Disconnect(100)
	require.NoError(t, os.Remove(filepath.Join(e.etc, "revoked.pem")))
	write(t, string(endedList(t, e.dir)), e.etc, "revoked.pem")
	e.reload(t)
	_, err := e.join(t, "t-1")
	require.Error(t, err)
	assert.Regexp(t, "expired certificate"+overtaken, err.Error())
	e.says(t, "certificate verify failed")
	e.install(t)
	e.reload(t)
	e.mustJoin(t, "t-1")
}

// endedList signs a list of the fleet's authority that ended an hour ago.
func endedList(t *testing.T, dir string) []byte {
	t.Helper()
	cert := must(x509.ParseCertificate(must(pemBlock(read(t, dir, "authority", "ca.pem")))))
	key := must(x509.ParsePKCS8PrivateKey(must(pemBlock(read(t, dir, "authority", "ca.key")))))
	der, err := x509.CreateRevocationList(rand.Reader, &x509.RevocationList{
		Number: big.NewInt(9), ThisUpdate: time.Now().Add(-2 * time.Hour), NextUpdate: time.Now().Add(-time.Hour),
	}, cert, key.(crypto.Signer))
	require.NoError(t, err)
	return pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: der})
}

func TestEnrolledAgentIsHeard(t *testing.T) {
	e := newEnrolled(t)
	heard := follow(t, e.mustJoin(t, "fleet.collector"), "liftbank/v1/+/status")
	folder := filepath.Join(e.dir, "authority", "issued", "t-1")
	b := &fleetBroker{process: e.process, address: e.address}
	a := b.agent(t, "t-1", filepath.Join(folder, "ca.pem"), filepath.Join(folder, "t-1.pem"), filepath.Join(folder, "t-1.key"))
	assert.Equal(t, "online", statusOf(t, receive(t, heard, "birth")))
	a.stop()
}
