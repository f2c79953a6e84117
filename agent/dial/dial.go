// Package dial knows how an MQTT broker is reached: its address, TLS and what proves who we are. The
// unit's agent and the fleet's collector share it.
package dial

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// ErrFile says that a file is there and not what it should be.
var ErrFile = errors.New("file unusable")

// Files are read at each connection, so that they can be renewed. Empty: none.
type Files struct {
	Password string
	CA       string // PEM, authorities to trust for the broker's certificate; "" is the system's list
	Cert     string // PEM, one's own certificate, with Key
	Key      string
}

// Credentials are what was read for one connection.
type Credentials struct {
	Password string
	TLS      *tls.Config       // nil without TLS
	Leaf     *x509.Certificate // one's own; nil without one
}

// Read reads the files for a connection to a broker. The clock is handed in because a board without a
// battery-backed clock starts in the past, before any certificate.
func (f Files) Read(broker *url.URL, now func() time.Time) (c Credentials, err error) {
	if f.Password != "" {
		b, err := os.ReadFile(f.Password)
		if err != nil {
			return c, fmt.Errorf("mqtt password file: %w", err)
		}
		c.Password = string(bytes.TrimRight(b, "\r\n"))
	}
	if broker.Scheme != "mqtts" {
		return c, nil
	}
	c.TLS = &tls.Config{ServerName: broker.Hostname(), MinVersion: tls.VersionTLS12, Time: now}
	if f.CA != "" {
		pem, err := os.ReadFile(f.CA)
		if err != nil {
			return c, fmt.Errorf("mqtt ca file: %w", err)
		}
		c.TLS.RootCAs = x509.NewCertPool()
		if !c.TLS.RootCAs.AppendCertsFromPEM(pem) {
			return c, fmt.Errorf("mqtt ca file: %s: no certificate in it: want PEM: %w", f.CA, ErrFile)
		}
	}
	if f.Cert != "" {
		cert, err := tls.LoadX509KeyPair(f.Cert, f.Key)
		if err != nil {
			return c, fmt.Errorf("mqtt certificate: %w: %w", ErrFile, err)
		}
		c.TLS.Certificates = []tls.Certificate{cert}
		c.Leaf = cert.Leaf
	}
	return c, nil
}

// maxLevel bounds one topic level in bytes, far below what MQTT allows, so that a topic is readable
// on one line.
const maxLevel = 64

// CheckLevel returns an error unless value can be one level of a topic that is published to: MQTT
// 3.1.1 section 4.7 keeps +, # and / for filters and levels.
func CheckLevel(what, value string) error {
	const want = "want 1 to 64 bytes of text without + # / and control characters"
	switch {
	case value == "":
		return fmt.Errorf("mqtt %s: empty: %s", what, want)
	case len(value) > maxLevel, strings.ContainsAny(value, "+#/"), !utf8.ValidString(value),
		strings.ContainsFunc(value, unicode.IsControl):
		return fmt.Errorf("mqtt %s: %q: %s", what, value, want)
	}
	return nil
}

// CheckPrefix accepts one or more levels. Topics that start with $ belong to the broker (section
// 4.7.2).
func CheckPrefix(prefix string) error {
	if strings.HasPrefix(prefix, "$") {
		return fmt.Errorf("mqtt prefix: %q: want it not to start with $, which is the broker's own", prefix)
	}
	for level := range strings.SplitSeq(prefix, "/") {
		if err := CheckLevel("prefix", level); err != nil {
			return err
		}
	}
	return nil
}

// Parse accepts mqtt://host[:port] and mqtts://host[:port] and adds the port.
func Parse(text string) (*url.URL, error) {
	const want = "want mqtt://HOST[:PORT] or mqtts://HOST[:PORT]"
	u, err := url.Parse(text)
	if err != nil {
		return nil, fmt.Errorf("mqtt broker: %w: %s", err, want)
	}
	if u.User != nil {
		return nil, fmt.Errorf("mqtt broker: %s: contains a user: %s; "+
			"set the name in username and the password in password_file", u.Redacted(), want)
	}
	port, known := map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme]
	if !known || u.Hostname() == "" || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" {
		return nil, fmt.Errorf("mqtt broker: %q: %s", text, want)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	u.Host = net.JoinHostPort(u.Hostname(), port)
	return u, nil
}

// Secure makes TLS of a connection, within ctx. It closes the connection where that fails.
func Secure(ctx context.Context, conn net.Conn, config *tls.Config) (net.Conn, error) {
	secured := tls.Client(conn, config)
	if err := secured.HandshakeContext(ctx); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return secured, nil
}
