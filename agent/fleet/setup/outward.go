package setup

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"time"

	"liftbank/agent/config/strict"
)

// Series is where minutes go: time-series databases that take Prometheus remote write.
type Series struct {
	Receivers []Receiver
	Labels    map[string]string // of every series
}

// Receiver is one time-series database.
type Receiver struct {
	Name     string
	Protocol string // 1.0 or 2.0; empty: 1.0
	Remote
}

// Remote is a server that is asked over HTTP.
type Remote struct {
	URL          string
	Username     string
	PasswordFile string
	CAFile       string // of a server whose certificate is of one's own authority
}

// Alerts is who is told what stands.
type Alerts struct {
	Alertmanagers []Remote
	Site          string // the desk's pages, as people reach them
	Labels        map[string]string
	SilentAfter   time.Duration            // 0: the default
	SilentAfterOf map[string]time.Duration // by group
}

const (
	mostRemotes = 8
	mostGroups  = 10_000
	mostLabels  = 10
)

var (
	receiverName = regexp.MustCompile(`^[a-z][a-z0-9-]{0,31}$`)
	labelName    = regexp.MustCompile(`^[a-z_][a-z0-9_]{0,63}$`)
)

// taken are labels that series and alerts have already.
var taken = map[string]bool{
	"job": true, "instance": true, "unit": true, "group": true, "battery": true, "alertname": true, "severity": true, "finding": true,
	"subject": true, "le": true, "quantile": true,
}

// list reads a list of sections.
func list(s *strict.Section, name string, most int, of string, read func(*strict.Section)) {
	accepts := fmt.Sprintf("a list of at most %d: %s", most, of)
	if v, there := s.Field(name, accepts, strict.Default); there {
		v.List(0, most, accepts, func(int) {}, func(_ int, v strict.Value) { v.Item(read) })
	}
}

// labels reads a list of names and values. strict knows no free keys: a mistyped field would be one.
func labels(s *strict.Section) map[string]string {
	var out map[string]string
	list(s, "labels", mostLabels, "{name: NAME, value: TEXT}", func(s *strict.Section) {
		var name, value string
		text(s, "name", &name, "a-z, 0-9 and _, not one of "+strings.Join([]string{"job", "instance", "unit", "group"}, ", ")+" and the like",
			strict.Required, func(t string) bool {
				return labelName.MatchString(t) && !strings.HasPrefix(t, "__") && !taken[t] && out[t] == ""
			})
		text(s, "value", &value, "a text", strict.Required, func(t string) bool { return t != "" && len(t) <= 128 })
		if out == nil {
			out = map[string]string{}
		}
		out[name] = value
	})
	return out
}

func isHTTP(t string) bool {
	u, err := url.Parse(t)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != "" && u.User == nil
}

func (o *Remote) read(s *strict.Section) {
	s.Hints = secrets
	text(s, "url", &o.URL, "http://HOST[:PORT][/PATH] or https://, without a password", strict.Required, isHTTP)
	text(s, "username", &o.Username, "a name", strict.Default, func(t string) bool { return t != "" && !strings.Contains(t, ":") })
	text(s, "password_file", &o.PasswordFile, fileForm, strict.Default, isFile)
	text(s, "ca_file", &o.CAFile, fileForm, strict.Default, isFile)
}

func (x *Series) read(s *strict.Section) {
	list(s, "receivers", mostRemotes, "sections with name and url", func(s *strict.Section) {
		var r Receiver
		text(s, "name", &r.Name, "a name of its own of a-z, 0-9 and -", strict.Required, func(t string) bool {
			for i := range x.Receivers {
				if x.Receivers[i].Name == t {
					return false
				}
			}
			return receiverName.MatchString(t)
		})
		text(s, "protocol", &r.Protocol, `"1.0" or "2.0"`, strict.Default, func(t string) bool { return t == "1.0" || t == "2.0" })
		r.read(s)
		x.Receivers = append(x.Receivers, r)
	})
	x.Labels = labels(s)
}

const leastSilence, mostSilence = time.Hour, 5 * year

func (a *Alerts) read(s *strict.Section) {
	s.Hints = map[string]string{"parked": "the desk's page of a unit says that it is parked, or its CSV import"}
	list(s, "alertmanagers", mostRemotes, "sections with url", func(s *strict.Section) {
		var r Remote
		r.read(s)
		a.Alertmanagers = append(a.Alertmanagers, r)
	})
	text(s, "site", &a.Site, "the address of the desk's pages, http:// or https://", strict.Default, isHTTP)
	a.Labels = labels(s)
	silence := func(s *strict.Section, to *time.Duration, need strict.Need) {
		if v, there := s.Field("silent_after", strict.Times(leastSilence, mostSilence), need); there {
			v.Duration(to, leastSilence, mostSilence)
		}
	}
	silence(s, &a.SilentAfter, strict.Default)
	list(s, "groups", mostGroups, "{group: NAME, silent_after: TIME}", func(s *strict.Section) {
		var group string
		var limit time.Duration
		text(s, "group", &group, "a group's name, once", strict.Required, func(t string) bool { _, twice := a.SilentAfterOf[t]; return t != "" && !twice })
		silence(s, &limit, strict.Required)
		if a.SilentAfterOf == nil {
			a.SilentAfterOf = map[string]time.Duration{}
		}
		a.SilentAfterOf[group] = limit
	})
}

// remotes are all servers, by field.
func (c *Config) remotes() map[string]*Remote {
	out := map[string]*Remote{}
	for i := range c.Series.Receivers {
		out[fmt.Sprintf("series.receivers[%d]", i)] = &c.Series.Receivers[i].Remote
	}
	for i := range c.Alerts.Alertmanagers {
		out[fmt.Sprintf("alerts.alertmanagers[%d]", i)] = &c.Alerts.Alertmanagers[i]
	}
	return out
}

func (c *Config) checkRemotes(r *strict.Reading) {
	for field, o := range c.remotes() {
		if (o.Username == "") != (o.PasswordFile == "") {
			r.Refuse(field+".password_file", "", "want username and password_file, both or none", field+".username")
		}
		if o.CAFile != "" && !strings.HasPrefix(o.URL, "https:") {
			r.Refuse(field+".ca_file", "", "want none with http://, which has no TLS, or url: https://", field+".url")
		}
	}
}

// Password returns what reads the password, or nil. The file may change while the collector runs.
func (o *Remote) Password() func() (string, error) {
	if o.PasswordFile == "" {
		return nil
	}
	return func() (string, error) {
		b, err := os.ReadFile(o.PasswordFile)
		return strings.TrimRight(string(b), "\r\n"), err
	}
}

// Client returns a client that believes the authority of CAFile, or nil for a plain one.
func (o *Remote) Client() (*http.Client, error) {
	if o.CAFile == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(o.CAFile)
	if err != nil {
		return nil, fmt.Errorf("ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, errors.New("ca_file: no certificate in it")
	}
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	// A POST that follows a redirect becomes a GET.
	return &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, nil
}
