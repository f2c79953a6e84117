package deploy_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
)

// fleetBroker is real mosquitto with the configuration of this folder. Only what a test can't have
// is put in its place: port, folders, user.
type fleetBroker struct {
	*authority
	*process
	address string
}

func newFleetBroker(t *testing.T) *fleetBroker {
	t.Helper()
	etc := t.TempDir()
	b := &fleetBroker{authority: newAuthority(t, etc, "fleet authority")}
	b.sign(t, "broker", "broker", false)
	b.process, b.address = startMosquitto(t, etc)
	return b
}

// startMosquitto starts the broker on the files in etc: authority, own certificate and key, list of
// revoked certificates.
func startMosquitto(t *testing.T, etc string) (*process, string) {
	t.Helper()
	path := program(t, "mosquitto", "mosquitto")
	address := freeAddress(t)
	_, port, err := net.SplitHostPort(address)
	require.NoError(t, err)
	write(t, read(t, "mosquitto", "acl"), etc, "acl")
	ours := strings.NewReplacer("/etc/mosquitto/liftbank", etc, "listener 8883",
		"listener "+port+" 127.0.0.1").Replace(read(t, "mosquitto", "liftbank.conf"))
	confD := t.TempDir()
	write(t, ours, confD, "liftbank.conf")
	// The distribution's own file, as Debian 12 has it but for its folders and the log.
	main := fmt.Sprintf("persistence true\npersistence_location %s/\nlog_dest stderr\ninclude_dir %s\n", t.TempDir(), confD)
	if os.Getuid() == 0 {
		main += "user root\n" // its own user can't read a test's folders
	}
	p := launch(t, path, "-c", write(t, main, etc, "mosquitto.conf"))
	p.says(t, "running")
	return p, address
}

// arrival is a message that a subscriber got.
type arrival struct {
	topic, text string
	retained    bool
}

// join connects a plain client with a certificate; id is the client id that it claims.
func (b *fleetBroker) join(t *testing.T, commonName, id string, change func(*mqtt.ClientOptions)) (mqtt.Client, error) {
	t.Helper()
	cert, key := b.sign(t, fmt.Sprintf("client-%d", b.next), commonName, false)
	o := mqtt.NewClientOptions().AddBroker("ssl://" + b.address).SetClientID(id).SetTLSConfig(b.client(t, cert, key)).
		SetAutoReconnect(false).SetConnectTimeout(patience)
	if change != nil {
		change(o)
	}
	c := mqtt.NewClient(o)
	token := c.Connect()
	require.True(t, token.WaitTimeout(patience))
	if token.Error() == nil {
		t.Cleanup(func() { c.Disconnect(100) })
	}
	return c, token.Error()
}

func (b *fleetBroker) mustJoin(t *testing.T, commonName string) mqtt.Client {
	t.Helper()
	c, err := b.join(t, commonName, commonName, nil)
	require.NoError(t, err)
	return c
}

// follow subscribes. What may not be read is not delivered; mosquitto 2.0 doesn't refuse the
// subscription.
func follow(t *testing.T, c mqtt.Client, filter string) <-chan arrival {
	t.Helper()
	got := make(chan arrival, 20000)
	settle(t, c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
		got <- arrival{m.Topic(), string(m.Payload()), m.Retained()}
	}))
	return got
}

func say(t *testing.T, c mqtt.Client, topic, text string) {
	t.Helper()
	settle(t, c.Publish(topic, 1, false, text))
}

func settle(t *testing.T, token mqtt.Token) {
	t.Helper()
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
}

// agent runs a unit's whole agent against the broker.
func (b *fleetBroker) agent(t *testing.T, unit, caFile, certFile, keyFile string) *unitAgent {
	t.Helper()
	own := ""
	if certFile != "" {
		own = fmt.Sprintf(", cert_file: %q, key_file: %q", certFile, keyFile)
	}
	return startUnit(t, unit,
		fmt.Sprintf("{broker: %q, snapshot_every: 1h, ca_file: %q%s}", "mqtts://"+b.address, caFile, own))
}

func sampleSnapshot(t testing.TB, name string) *snapshot.Snapshot {
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal([]byte(read(t, "..", "agent", "snapshot", "testdata", name+".json")), &s))
	return &s
}

func statusOf(t *testing.T, a arrival) string {
	var s struct{ Status string }
	require.NoError(t, json.Unmarshal([]byte(a.text), &s), a.text)
	return s.Status
}

func TestBrokerTakesAUnitsWord(t *testing.T) {
	b := newFleetBroker(t)
	collector := follow(t, b.mustJoin(t, "fleet.collector"), "liftbank/v1/+/+")
	cert, key := b.sign(t, "t-1042", "t-1042", false)
	a := b.agent(t, "t-1042", b.caFile(), cert, key)

	seen := map[string]arrival{}
	for len(seen) < 4 {
		m := receive(t, collector, "status, snapshot, run and finding")
		if leaf := strings.TrimPrefix(m.topic, "liftbank/v1/t-1042/"); leaf != "readings" {
			seen[leaf] = m
		}
	}
	assert.Equal(t, "online", statusOf(t, seen["status"]))
	for _, leaf := range []string{"snapshot", "runs", "findings"} {
		assert.Contains(t, seen[leaf].text, `"unit":"t-1042"`, leaf)
	}

	// Whoever comes later finds the status and the snapshot.
	late := follow(t, b.mustJoin(t, "fleet.reader"), "liftbank/v1/#")
	retained := map[string]arrival{}
	for len(retained) < 2 {
		m := receive(t, late, "what is retained")
		require.True(t, m.retained)
		retained[m.topic] = m
	}
	assert.Equal(t, "online", statusOf(t, retained["liftbank/v1/t-1042/status"]))
	assert.NotEmpty(t, retained["liftbank/v1/t-1042/snapshot"].text)

	a.stop()
	for m := range collector {
		if m.topic == "liftbank/v1/t-1042/status" {
			assert.Equal(t, "offline", statusOf(t, m))
			break
		}
	}
}

// A unit that is gone without a word: another connection with its certificate throws the first out,
// which is as good as a cut cable.
func TestBrokerSaysTheLastWill(t *testing.T) {
	b := newFleetBroker(t)
	reader := follow(t, b.mustJoin(t, "fleet.reader"), "liftbank/v1/+/status")
	cert, key := b.sign(t, "t-1042", "t-1042", false)
	b.agent(t, "t-1042", b.caFile(), cert, key)
	assert.Equal(t, "online", statusOf(t, receive(t, reader, "birth")))
	b.mustJoin(t, "t-1042")
	assert.Equal(t, "lost", statusOf(t, receive(t, reader, "last will")))

	late := follow(t, b.mustJoin(t, "fleet.collector"), "liftbank/v1/+/status")
	m := receive(t, late, "the retained will")
	assert.True(t, m.retained)
	assert.Equal(t, "lost", statusOf(t, m))
}

func TestUnitSpeaksForItselfOnly(t *testing.T) {
	b := newFleetBroker(t)
	chief := b.mustJoin(t, "fleet.collector")
	collector := follow(t, chief, "#")
	reader := b.mustJoin(t, "fleet.reader")
	all := follow(t, reader, "#")
	rogue := b.mustJoin(t, "t-2")
	heard := follow(t, rogue, "#")

	// Each refused message is followed by one that is let through: had the first been too, it would
	// have come before.
	refused := func(who mqtt.Client, topic string) {
		t.Helper()
		say(t, who, topic, "forged")
		say(t, rogue, "liftbank/v1/t-2/runs", "after "+topic)
		for _, got := range []<-chan arrival{collector, all} {
			assert.Equal(t, arrival{topic: "liftbank/v1/t-2/runs", text: "after " + topic}, receive(t, got, "the message after"))
		}
	}
	for _, leaf := range []string{"status", "snapshot", "readings", "runs", "findings", "visits", "received"} {
		refused(rogue, "liftbank/v1/t-1/"+leaf)
	}
	refused(rogue, "liftbank/v1/t-2/received")
	refused(rogue, "liftbank/v1/t-2/settings")
	refused(rogue, "liftbank/v1/t-2/runs/more")
	refused(rogue, "other/v1/t-2/runs")
	refused(reader, "liftbank/v1/t-1/snapshot")
	refused(reader, "liftbank/v1/t-2/received")

	// What the collector says to a unit reaches that unit alone, though this one follows everything.
	say(t, chief, "liftbank/v1/t-1/received", "for t-1")
	say(t, chief, "liftbank/v1/t-2/received", "for t-2")
	assert.Equal(t, arrival{topic: "liftbank/v1/t-2/received", text: "for t-2"}, receive(t, heard, "its own"))
	for range 2 {
		receive(t, all, "what a reader may see")
	}

	// Names that are patterns would stand for every unit.
	for _, name := range []string{"+", "#", "t-1/status", "x/#"} {
		c, err := b.join(t, name, "x", nil)
		if err != nil {
			continue // kept out altogether
		}
		refused(c, "liftbank/v1/t-1/snapshot")
	}
	// A will in another's name is a message like any other; a second connection with the certificate
	// makes the broker say it.
	forge := func(o *mqtt.ClientOptions) { o.SetWill("liftbank/v1/t-1/status", "forged", 1, true) }
	thrownOut := make(chan error, 1)
	_, err := b.join(t, "t-3", "t-3", func(o *mqtt.ClientOptions) {
		forge(o)
		o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { thrownOut <- err })
	})
	require.NoError(t, err)
	refusedWill := b.mustJoin(t, "t-3")
	receive(t, thrownOut, "the first to be thrown out")
	refused(refusedWill, "liftbank/v1/t-1/status")
}

// The id that a client claims counts for nothing: it can't throw out the one whose id it is.
func TestNobodyThrowsAnotherOut(t *testing.T) {
	b := newFleetBroker(t)
	lost := make(chan error, 1)
	good, err := b.join(t, "t-1", "liftbank-t-1", func(o *mqtt.ClientOptions) {
		o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err })
	})
	require.NoError(t, err)
	for _, id := range []string{"liftbank-t-1", "t-1"} {
		_, err := b.join(t, "t-2", id, func(o *mqtt.ClientOptions) { o.SetUsername("t-1").SetPassword("x") })
		require.NoError(t, err)
		say(t, good, "liftbank/v1/t-1/runs", "still there")
		assert.True(t, good.IsConnectionOpen())
		assert.Empty(t, lost)
	}
}

// overtaken is what a refused client may see in place of the TLS alert (RFC 8446 section 6.2, in
// crypto/tls's words): the broker's closing, as it need not read what the client has sent meanwhile.
const overtaken = "|connection reset by peer|broken pipe|EOF"

// A certificate that is wrong leads to a state with its reason and a pause, not to a hot loop.
func TestBrokerRefusesWrongCertificates(t *testing.T) {
	b := newFleetBroker(t)
	foreign := newAuthority(t, t.TempDir(), "another authority")
	foreignCert, foreignKey := foreign.sign(t, "t-1042", "t-1042", false)
	oldCert, oldKey := b.sign(t, "old", "t-1042", true)
	cert, key := b.sign(t, "t-1042", "t-1042", false)

	for name, c := range map[string]struct{ ca, cert, key, want, brokerSays string }{
		"expired": {b.caFile(), oldCert, oldKey, "expired certificate" + overtaken,
			"certificate verify failed"},
		"of another authority": {b.caFile(), foreignCert, foreignKey, "unknown certificate authority" + overtaken,
			"certificate verify failed"},
		"none": {b.caFile(), "", "", "certificate required" + overtaken,
			"peer did not return a certificate"},
		"broker's is not wanted": {foreign.caFile(), cert, key, "signed by unknown authority", ""},
	} {
		t.Run(name, func(t *testing.T) {
			a := b.agent(t, "t-1042", c.ca, c.cert, c.key)
			assert.Regexp(t, c.want, receive(t, a.logs, "the reason"))
			assert.Equal(t, "0", a.metric(t, `liftbank_publish_connected{outlet="mqtt"}`))
			assert.Regexp(t, "^[12]$", a.metric(t, `liftbank_publish_failures_total{outlet="mqtt"}`),
				"it waits a second or so, and then longer")
			b.says(t, c.brokerSays)
		})
	}

	plain, err := net.Dial("tcp", b.address) // MQTT without TLS: CONNECT of protocol level 4, client id x
	require.NoError(t, err)
	defer plain.Close()
	require.NoError(t, plain.SetDeadline(time.Now().Add(patience)))
	_, err = plain.Write([]byte("\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01x"))
	require.NoError(t, err)
	answer := make([]byte, 16)
	n, err := plain.Read(answer)
	var timeout net.Error
	assert.False(t, errors.As(err, &timeout) && timeout.Timeout(), "it is turned away, not left waiting")
	assert.NotEqual(t, byte(0x20), append(answer[:n], 0)[0], "CONNACK")
}

// A collector that is away finds everything when it comes back; with the broker's default limit
// four fifths of it would be gone.
func TestBrokerKeepsWhatWaitsForTheCollector(t *testing.T) {
	const messages = 5000
	b := newFleetBroker(t)
	got := make(chan string, 2*messages)
	away := func(o *mqtt.ClientOptions) {
		o.SetCleanSession(false)
		o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { got <- string(m.Payload()) })
	}
	c, err := b.join(t, "fleet.collector", "c", away)
	require.NoError(t, err)
	settle(t, c.Subscribe("liftbank/v1/+/readings", 1, nil))
	c.Disconnect(250)

	unit := b.mustJoin(t, "t-1")
	tokens := make([]mqtt.Token, messages)
	for i := range tokens {
		tokens[i] = unit.Publish("liftbank/v1/t-1/readings", 1, false, fmt.Sprint(i))
	}
	for _, token := range tokens {
		settle(t, token)
	}
	_, err = b.join(t, "fleet.collector", "c", away)
	require.NoError(t, err)
	for i := range messages {
		require.Equal(t, fmt.Sprint(i), receive(t, got, "what waited"))
	}
}
