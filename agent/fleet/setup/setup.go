// Package setup reads FLEET.yaml: the configuration of the fleet's collector.
package setup

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/config/strict"
	"liftbank/agent/dial"
)

// Config is all of FLEET.yaml, with its defaults.
type Config struct {
	MQTT     MQTT
	Database Database
	HTTP     HTTP
	Keep     Keep
	Series   Series
	Alerts   Alerts
}

// MQTT is the broker that units send to.
type MQTT struct {
	Broker   string // mqtt://HOST[:PORT] or mqtts://
	ClientID string
	Prefix   string
	Username string
	Files    dial.Files
	// AnswerEvery is the least time between two answers to a unit: each costs it bytes and a write to its
	// card. A unit that drains a backlog is answered sooner.
	AnswerEvery time.Duration
}

// Database is where all is kept.
type Database struct {
	URL          string // sqlite:///path/fleet.db or postgres://user@host/name
	PasswordFile string // of PostgreSQL; empty: none
}

// HTTP is what the collector serves: /healthz, /readyz, /metrics and the desk's pages.
type HTTP struct {
	Listen string
	Hosts  []string // names under which the pages may be asked, besides addresses; "*": any
	Proxy  Proxy
	SignOn SignOn
}

// Proxy is the reverse proxies before the pages.
type Proxy struct {
	Trusted   []netip.Prefix // their addresses
	Forwarded bool           // they say it in Forwarded of RFC 7239; else in X-Forwarded-For and X-Forwarded-Proto
}

// SignOn is sign-on by a reverse proxy that has checked who somebody is.
type SignOn struct {
	From   []netip.Prefix // addresses of the proxy; none: no such sign-on
	Header string         // that names the account
	Role   string         // of a name without an account: read or desk; empty: nobody without one is let in
}

// Keep is how long things are kept. Zero: for ever.
type Keep struct {
	Readings, Runs, Findings, Visits time.Duration // by when they were received
	Alarms, Audit, Quarantine        time.Duration
	Days                             time.Duration // figures of units' days
	Decommissioned                   time.Duration // all of a unit, after it was taken out of use
}

const (
	day  = 24 * time.Hour
	year = 365 * day
)

// Default returns the configuration of an empty file.
func Default() Config {
	return Config{
		MQTT: MQTT{Prefix: "liftbank", ClientID: "liftbank-fleet", AnswerEvery: 30 * time.Second},
		HTTP: HTTP{Listen: "127.0.0.1:8490"},
		Keep: Keep{Readings: 2 * year, Runs: 5 * year, Days: 5 * year, Quarantine: 90 * day, Decommissioned: year},
	}
}

// Load reads a file. Its errors are one line each: file, line, field, value, what is accepted.
func Load(path string) (Config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Config{}, err
	}
	return Parse(path, data)
}

// Parse reads a configuration. Names of files in it start from its own folder.
func Parse(path string, data []byte) (Config, error) {
	c := Default()
	r := strict.Open(path, data, strict.Options{Sections: "mqtt, database, http, keep, series and alerts"})
	c.read(r)
	c.check(r)
	if err := r.Err(); err != nil {
		return Config{}, err
	}
	c.resolve(filepath.Dir(path))
	return c, nil
}

func (c *Config) read(r *strict.Reading) {
	r.Root(func(s *strict.Section) {
		s.Section("mqtt", strict.Required, c.MQTT.read)
		s.Section("database", strict.Required, c.Database.read)
		s.Section("http", strict.Default, c.HTTP.read)
		s.Section("keep", strict.Default, c.Keep.read)
		s.Section("series", strict.Default, c.Series.read)
		s.Section("alerts", strict.Default, c.Alerts.read)
	})
}

// Files are the names of files that the configuration has, by field.
func (c *Config) Files() map[string]string {
	out := map[string]string{}
	for field, name := range map[string]string{
		"mqtt.password_file": c.MQTT.Files.Password, "mqtt.ca_file": c.MQTT.Files.CA, "mqtt.cert_file": c.MQTT.Files.Cert,
		"mqtt.key_file": c.MQTT.Files.Key, "database.password_file": c.Database.PasswordFile,
	} {
		if name != "" {
			out[field] = name
		}
	}
	for field, o := range c.remotes() {
		if o.PasswordFile != "" {
			out[field+".password_file"] = o.PasswordFile
		}
		if o.CAFile != "" {
			out[field+".ca_file"] = o.CAFile
		}
	}
	return out
}

func (c *Config) resolve(folder string) {
	names := []*string{
		&c.MQTT.Files.Password, &c.MQTT.Files.CA, &c.MQTT.Files.Cert, &c.MQTT.Files.Key, &c.Database.PasswordFile,
	}
	for _, o := range c.remotes() {
		names = append(names, &o.PasswordFile, &o.CAFile)
	}
	for _, name := range names {
		if *name != "" && !filepath.IsAbs(*name) {
			*name = filepath.Join(folder, *name)
		}
	}
	if path, ok := strings.CutPrefix(c.Database.URL, "sqlite://"); ok && !filepath.IsAbs(path) {
		c.Database.URL = "sqlite://" + filepath.Join(folder, path)
	}
}

const inFile = "want password_file: a password is never written here but in a file of its own"

var secrets = map[string]string{"password": inFile, "pass": inFile, "passwd": inFile, "secret": inFile}

func text(s *strict.Section, name string, to *string, accepts string, need strict.Need, ok func(string) bool) {
	if v, there := s.Field(name, accepts, need); there {
		v.Text(to, accepts, ok)
	}
}

const fileForm = "the name of a file"

func isFile(t string) bool { return t != "" && !strings.ContainsRune(t, 0) }

func (m *MQTT) read(s *strict.Section) {
	s.Hints = secrets
	text(s, "broker", &m.Broker, "mqtt://HOST[:PORT] or mqtts://HOST[:PORT]", strict.Required, func(t string) bool {
		_, err := dial.Parse(t)
		return err == nil
	})
	text(s, "client_id", &m.ClientID, "1 to 128 of a-z, A-Z, 0-9, -, _ and .", strict.Default, clientID.MatchString)
	text(s, "prefix", &m.Prefix, "the first levels of all topics, as the units have them", strict.Default,
		func(t string) bool { return dial.CheckPrefix(t) == nil })
	text(s, "username", &m.Username, "a name", strict.Default, func(t string) bool { return t != "" })
	text(s, "password_file", &m.Files.Password, fileForm, strict.Default, isFile)
	text(s, "ca_file", &m.Files.CA, fileForm, strict.Default, isFile)
	text(s, "cert_file", &m.Files.Cert, fileForm, strict.Default, isFile)
	text(s, "key_file", &m.Files.Key, fileForm, strict.Default, isFile)
	const least, most = time.Second, time.Hour
	if v, there := s.Field("answer_every", strict.Times(least, most), strict.Default); there {
		v.Duration(&m.AnswerEvery, least, most)
	}
}

var clientID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,128}$`)

func (d *Database) read(s *strict.Section) {
	s.Hints = secrets
	const form = "sqlite:///PATH/fleet.db or postgres://USER@HOST/NAME, without a password"
	text(s, "url", &d.URL, form, strict.Required, func(t string) bool {
		scheme, rest, ok := strings.Cut(t, "://")
		if !ok || strings.Trim(rest, "/") == "" {
			return false
		}
		user, _, named := strings.Cut(rest, "@")
		return scheme == "sqlite" || scheme == "postgres" && !(named && strings.Contains(user, ":")) &&
			!strings.Contains(rest, "password=")
	})
	text(s, "password_file", &d.PasswordFile, fileForm, strict.Default, isFile)
}

// Address returns the database's address, with its password.
func (d *Database) Address() (string, error) {
	if d.PasswordFile == "" {
		return d.URL, nil
	}
	password, err := os.ReadFile(d.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("database password file: %w", err)
	}
	return withPassword(d.URL, strings.TrimRight(string(password), "\r\n"))
}

func (h *HTTP) read(s *strict.Section) {
	text(s, "listen", &h.Listen, "HOST:PORT or :PORT", strict.Default, func(t string) bool {
		_, port, err := net.SplitHostPort(t)
		n, number := strconv.Atoi(port)
		return err == nil && number == nil && n >= 0 && n <= 65535
	})
	texts(s, "hosts", strict.Default, "a host name, or *", func(t string) bool {
		h.Hosts = append(h.Hosts, t)
		return t == "*" || hostName.MatchString(t)
	})
	s.Section("proxy", strict.Default, h.Proxy.read)
	s.Section("sign_on", strict.Default, h.SignOn.read)
}

func (p *Proxy) read(s *strict.Section) {
	networks(s, "trusted", strict.Default, &p.Trusted)
	text(s, "says", new(string), "x-forwarded or forwarded", strict.Default, func(t string) bool {
		p.Forwarded = t == "forwarded"
		return t == "x-forwarded" || t == "forwarded"
	})
}

// networks reads a list of addresses and networks.
func networks(s *strict.Section, name string, need strict.Need, to *[]netip.Prefix) {
	texts(s, name, need, "an address, or ADDRESS/BITS", func(t string) bool {
		p, err := netip.ParsePrefix(t)
		if a, single := netip.ParseAddr(t); single == nil {
			p, err = a.Unmap().WithZone("").Prefix(a.Unmap().BitLen())
		}
		*to = append(*to, p.Masked())
		return err == nil && p.IsValid()
	})
}

var hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$`)

// texts reads a list of texts, one by one.
func texts(s *strict.Section, name string, need strict.Need, accepts string, take func(string) bool) {
	const most = 32
	if v, there := s.Field(name, "a list of at most 32: "+accepts, need); there {
		v.List(1, most, "a list of at most 32: "+accepts, func(int) {}, func(_ int, v strict.Value) {
			var t string
			v.Text(&t, accepts, take)
		})
	}
}

func (o *SignOn) read(s *strict.Section) {
	networks(s, "from", strict.Default, &o.From)
	text(s, "header", &o.Header, "the name of a header, such as X-Forwarded-User", strict.Default, headerName.MatchString)
	text(s, "role", &o.Role, "read or desk", strict.Default, func(t string) bool { return t == "read" || t == "desk" })
}

var headerName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]{0,63}$`)

func (k *Keep) read(s *strict.Section) {
	for _, f := range []struct {
		name string
		to   *time.Duration
	}{
		{"readings_for", &k.Readings}, {"runs_for", &k.Runs}, {"findings_for", &k.Findings}, {"visits_for", &k.Visits},
		{"alarms_for", &k.Alarms}, {"audit_for", &k.Audit}, {"days_for", &k.Days}, {"quarantine_for", &k.Quarantine},
		{"decommissioned_for", &k.Decommissioned},
	} {
		const least, most = day, 50 * year
		if v, there := s.Field(f.name, strict.Times(least, most), strict.Default); there {
			v.Duration(f.to, least, most)
		}
	}
}

func (c *Config) check(r *strict.Reading) {
	c.checkRemotes(r)
	if (c.MQTT.Files.Cert == "") != (c.MQTT.Files.Key == "") {
		r.Refuse("mqtt.cert_file", "", "want cert_file and key_file, both or none", "mqtt.key_file")
	}
	if c.MQTT.Username == "" && c.MQTT.Files.Password != "" {
		r.Refuse("mqtt.password_file", "", "want username with it", "mqtt.username")
	}
	if !strings.HasPrefix(c.MQTT.Broker, "mqtts:") {
		for _, f := range []string{"ca_file", "cert_file", "key_file"} {
			if r.Has("mqtt." + f) {
				r.Refuse("mqtt."+f, "", "want none with mqtt://, which has no TLS, or broker: mqtts://", "mqtt.broker")
			}
		}
	}
	if r.Has("http.proxy.says") && len(c.HTTP.Proxy.Trusted) == 0 && !r.HasError("http.proxy") {
		r.Refuse("http.proxy.says", "", "want trusted with it", "http.proxy.trusted")
	}
	if (len(c.HTTP.SignOn.From) > 0) != (c.HTTP.SignOn.Header != "") && !r.HasError("http.sign_on") {
		r.Refuse("http.sign_on", "", "want from and header, both or none")
	}
	if c.Database.PasswordFile != "" && strings.HasPrefix(c.Database.URL, "sqlite:") {
		r.Refuse("database.password_file", "", "want none with sqlite, which has no password", "database.url")
	}
}

// Check reports files that are not there.
func (c *Config) Check() error {
	for field, name := range c.Files() {
		info, err := os.Stat(name)
		if err == nil && info.IsDir() {
			err = &fs.PathError{Op: "read", Path: name, Err: fs.ErrInvalid}
		}
		if err != nil {
			return fmt.Errorf("%s: %w", field, err)
		}
	}
	return nil
}

// withPassword returns an address with a password in it.
func withPassword(address, password string) (string, error) {
	u, err := url.Parse(address)
	if err != nil {
		return "", errors.New("database: url: not an address") // its own error may repeat a password
	}
	name := ""
	if u.User != nil {
		name = u.User.Username()
	}
	if name == "" { // the user may be a parameter, as with a socket
		q := u.Query()
		q.Set("password", password)
		u.RawQuery = q.Encode()
		return u.String(), nil
	}
	u.User = url.UserPassword(name, password)
	return u.String(), nil
}
