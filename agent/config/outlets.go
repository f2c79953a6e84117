package config

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Outlets is where results are sent; nil: not there.
type Outlets struct {
	MQTT *MQTT
}

func (o *Outlets) read(s *section) {
	m := defaultMQTT()
	if s.section(
		"mqtt",
		true,
		about{doc: "where to send results; without it nothing is sent", usually: "not sent"},
		m.read,
	) {
		o.MQTT = &m
	}
}

// resolve makes the names of files start from folder.
func (o *Outlets) resolve(folder string) {
	if o.MQTT != nil {
		o.MQTT.resolve(folder)
	}
}

func (o *Outlets) check(r *reading) {
	if o.MQTT != nil {
		o.MQTT.check(r)
	}
}

// MQTT is a broker that results are sent to.
type MQTT struct {
	Broker        string // URL with port; scheme tcp or mqtt, or with TLS ssl or mqtts
	Prefix        string // of all topics
	SnapshotEvery time.Duration
	ReadingsEvery time.Duration
	KeepAlive     time.Duration
	DailyKB       int      // kB that may go over the link in a day; 0: no bound
	Encoding      Encoding // of the readings
	Deflate       bool
	Username      string // empty: none
	PasswordFile  string // file whose first line is the password; empty: none
	CAFile        string // PEM, authorities to trust; empty: the system's
	CertFile      string // PEM, the unit's own certificate; empty: none
	KeyFile       string // PEM, its key
}

// Encoding is a form of the readings on the wire.
type Encoding string

// Encodings of the readings.
const (
	JSON  Encoding = "json"
	SenML Encoding = "senml" // RFC 8428
)

// Store is what is kept on the card.
type Store struct {
	Dir     string        // folder of the file; empty: the service's own, or memory only
	MaxMB   int           // of the file
	Minutes time.Duration // of running, that minutes are kept
	History time.Duration // of running, that ten-minute aggregates are kept
}

// TLS reports whether the broker is spoken to with TLS.
func (m *MQTT) TLS() bool {
	return strings.HasPrefix(m.Broker, "ssl:") || strings.HasPrefix(m.Broker, "mqtts:")
}

// HTTP is the local page.
type HTTP struct {
	Listen    string   // address and port; without address on all interfaces; port 0 takes a free one
	HostNames []string // names the page may be called by, besides IP addresses and localhost

	CertFile, KeyFile   string // PEM; with them everything is served over TLS
	MetricsUser         string // whom /metrics is given to; empty: anybody
	MetricsPasswordFile string // file whose first line is the password
	PINToRead           bool   // the pages are shown only to those who have the PIN of visits
}

func defaultMQTT() MQTT {
	return MQTT{
		Prefix: "liftbank", SnapshotEvery: 6 * time.Hour, ReadingsEvery: time.Hour, KeepAlive: 4 * time.Minute,
		DailyKB: 150, Encoding: JSON,
	}
}

func defaultStore() Store {
	return Store{MaxMB: 96, Minutes: 30 * 24 * time.Hour, History: 400 * 24 * time.Hour}
}

func (st *Store) read(s *section) {
	s.text(
		"dir",
		&st.Dir,
		fileForm,
		isText,
		about{
			doc:     "folder that the unit's past and unsent records are kept in",
			usually: "the service's state folder; without one, memory",
		},
	)
	s.whole("max_mb", &st.MaxMB, 8, 4000, "8 to 4000 MB", about{doc: "most that the file may hold; the oldest minutes " +
		"go first"})
	s.duration("minutes_for", &st.Minutes, 24*time.Hour, 400*24*time.Hour, about{doc: "minute aggregates are kept, in " +
		"time of running"})
	s.duration("history_for", &st.History, 24*time.Hour, 4000*24*time.Hour, about{doc: "ten-minute aggregates are " +
		"kept, in time of running; hours are kept 5 years"})
}

func defaultHTTP() HTTP { return HTTP{Listen: ":8480"} }

func (m *MQTT) read(s *section) {
	inFile := "want password_file: a password is never written here but in a file of its own"
	s.hints = map[string]string{"password": inFile, "pass": inFile, "passwd": inFile, "secret": inFile}
	s.text("broker", &m.Broker, brokerForm, func(t string) bool { _, ok := brokerURL(t); return ok },
		about{doc: "MQTT broker; without a port 1883, with TLS (ssl, mqtts) 8883", required: true})
	m.Broker, _ = brokerURL(m.Broker)
	s.text(
		"prefix",
		&m.Prefix,
		"topic levels of a-z, A-Z, 0-9, - and _ with / between them",
		isPrefix,
		about{doc: "first levels of all topics"},
	)
	s.duration(
		"snapshot_every",
		&m.SnapshotEvery,
		time.Second,
		7*24*time.Hour,
		about{doc: "between snapshots sent; a change of the findings is sent at once"},
	)
	s.duration("keepalive", &m.KeepAlive, 10*time.Second, time.Hour, about{doc: "between signs of life to the broker"})
	s.duration(
		"readings_every",
		&m.ReadingsEvery,
		time.Minute,
		24*time.Hour,
		about{doc: "between batches of minute aggregates; findings, runs and visits are sent at once"},
	)
	s.whole("daily_kb", &m.DailyKB, 0, 1_000_000, "0 to 1000000 kB", about{doc: "bound on what goes over the link in a " +
		"day, both ways, headers included; as it gets scarce, readings get coarser and rarer and snapshots rarer; 0: none"})
	choose(s, "encoding", &m.Encoding, []Encoding{JSON, SenML}, about{doc: "form of the readings; senml is RFC 8428"})
	s.yesNo("deflate", &m.Deflate, about{doc: "whether payloads are packed in the zlib format of RFC 1950 where that " +
		"makes them smaller"})
	s.text("username", &m.Username, "a name", isText, about{doc: "name at the broker", usually: "none"})
	s.text(
		"password_file",
		&m.PasswordFile,
		fileForm,
		isText,
		about{doc: "file with the password in its first line; the password itself is never in this file", usually: "none"},
	)
	s.text(
		"ca_file",
		&m.CAFile,
		fileForm,
		isText,
		about{doc: "PEM file of the authorities to trust, with TLS", usually: "the system's"},
	)
	s.text(
		"cert_file",
		&m.CertFile,
		fileForm,
		isText,
		about{doc: "PEM file of the unit's own certificate, with TLS", usually: "none"},
	)
	s.text("key_file", &m.KeyFile, fileForm, isText, about{doc: "PEM file of its key, with cert_file", usually: "none"})
}

func (m *MQTT) check(r *reading) {
	want := func(missing bool, path, value, what string) {
		if missing {
			r.refuse("mqtt."+path, value, what)
		}
	}
	want(m.PasswordFile != "" && m.Username == "", "password_file", "", "want username with it")
	want(m.KeyFile != "" && m.CertFile == "", "key_file", "", "want cert_file with it")
	want(m.CertFile != "" && m.KeyFile == "", "cert_file", "", "want key_file with it")
	for _, file := range []string{"ca_file", "cert_file", "key_file"} {
		want(r.in.Has("mqtt."+file) && !m.TLS(), file, "", "want it left out, or a broker with TLS (ssl, mqtts)")
	}
}

func (st *Store) resolve(folder string) {
	if st.Dir != "" && !filepath.IsAbs(st.Dir) {
		st.Dir = filepath.Join(folder, st.Dir)
	}
}

// resolve makes the names of files start from folder.
func (m *MQTT) resolve(folder string) {
	for _, name := range []*string{&m.PasswordFile, &m.CAFile, &m.CertFile, &m.KeyFile} {
		if *name != "" && !filepath.IsAbs(*name) {
			*name = filepath.Join(folder, *name)
		}
	}
}

// resolve brings relative names to a start from folder.
func (h *HTTP) resolve(folder string) {
	for _, name := range []*string{&h.CertFile, &h.KeyFile, &h.MetricsPasswordFile} {
		if *name != "" && !filepath.IsAbs(*name) {
			*name = filepath.Join(folder, *name)
		}
	}
}

func (h *HTTP) check(r *reading, v *Visits) {
	want := func(missing bool, path, what string) {
		if missing {
			r.refuse("http."+path, "", what)
		}
	}
	want(h.KeyFile != "" && h.CertFile == "", "key_file", "want cert_file with it")
	want(h.CertFile != "" && h.KeyFile == "", "cert_file", "want key_file with it")
	want(h.MetricsUser != "" && h.MetricsPasswordFile == "", "metrics_user", "want metrics_password_file with it")
	want(h.MetricsPasswordFile != "" && h.MetricsUser == "", "metrics_password_file", "want metrics_user with it")
	want(h.PINToRead && v.PINFile == "", "pin_to_read", "want visits.pin_file with it")
}

func (h *HTTP) read(s *section) {
	s.text("listen", &h.Listen, "address:port, such as :8480 or 127.0.0.1:8480", isListen,
		about{doc: "where the page is served; without an address on all interfaces"})
	s.texts("host_names", &h.HostNames, 16, "a host name without port, such as liftbank.local", isHostName,
		about{doc: "names the page may be called by, besides IP addresses, localhost and the machine's own name in .local; others are " +
			"refused, so that a foreign page can't reach it by a name of its own; liftbank sticker takes the first"})
	s.text(
		"cert_file",
		&h.CertFile,
		fileForm,
		isText,
		about{
			doc:     "PEM file of a certificate: page, API and metrics are then served over TLS; read again when it is renewed",
			usually: "none: plain HTTP",
		},
	)
	s.text("key_file", &h.KeyFile, fileForm, isText, about{doc: "PEM file of its key, with cert_file", usually: "none"})
	s.text(
		"metrics_user",
		&h.MetricsUser,
		"a name",
		isText,
		about{doc: "user that /metrics is given to (HTTP basic authentication, RFC 7617)", usually: "none: anybody"},
	)
	s.text(
		"metrics_password_file",
		&h.MetricsPasswordFile,
		fileForm,
		isText,
		about{doc: "file whose first line is that user's password", usually: "none"},
	)
	s.yesNo("pin_to_read", &h.PINToRead, about{doc: "the PIN of `visits.pin_file` is wanted to read the pages, too, which " +
		"name technicians; /healthz, /readyz and /metrics stay as they are"})
}

const (
	brokerForm = "a URL of scheme tcp, ssl, mqtt or mqtts, a host and maybe a port, such as mqtts://broker.example:8883"
	fileForm   = "a file name; a relative one starts from this file's folder"
)

// brokerURL brings a broker's URL to the form that has a port. User and password in it aren't
// accepted.
func brokerURL(text string) (full string, ok bool) {
	u, err := url.Parse(text)
	if err != nil || u.User != nil || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" ||
		u.Opaque != "" {
		return "", false
	}
	port := map[string]string{"tcp": "1883", "mqtt": "1883", "ssl": "8883", "mqtts": "8883"}[u.Scheme]
	if port == "" || !isHost(u.Hostname()) {
		return "", false
	}
	if u.Port() != "" {
		port = u.Port()
	} else if strings.HasSuffix(u.Host, ":") {
		return "", false
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		return "", false
	}
	return fmt.Sprintf("%s://%s", u.Scheme, net.JoinHostPort(u.Hostname(), port)), true
}

// isPrefix accepts topic levels without wildcards, empty levels or a leading or trailing slash.
func isPrefix(text string) bool {
	const longest = 100
	if len(text) > longest {
		return false
	}
	for level := range strings.SplitSeq(text, "/") {
		if level == "" || strings.ContainsFunc(level, func(c rune) bool {
			return (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_'
		}) {
			return false
		}
	}
	return true
}

func isText(text string) bool { return text != "" && len(text) <= 1000 }

func isListen(text string) bool {
	host, port, err := net.SplitHostPort(text)
	if err != nil {
		return false
	}
	n, err := strconv.Atoi(port)
	return err == nil && n >= 0 && n <= 65535 && (host == "" || isHost(host))
}

func isHost(text string) bool {
	_, err := netip.ParseAddr(text)
	return err == nil || isHostName(text)
}

// isHostName accepts labels of letters, digits and hyphens with dots between them (RFC 1123).
func isHostName(text string) bool {
	const longest, longestLabel = 253, 63
	if len(text) > longest {
		return false
	}
	for label := range strings.SplitSeq(text, ".") {
		if label == "" || len(label) > longestLabel || label[0] == '-' || label[len(label)-1] == '-' {
			return false
		}
		if strings.ContainsFunc(label, func(c rune) bool {
			return (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-'
		}) {
			return false
		}
	}
	return true
}
