package publish

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"syscall"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/agent/dial"
)

// refusal is a broker's refusal of CONNECT (MQTT 3.1.1, section 3.2.2.3).
type refusal byte

var refusals = map[refusal]string{
	1: "broker refuses the protocol version", 2: "broker refuses the client name", 3: "broker not available",
	4: "wrong user name or password", 5: "broker: not authorized",
}

func (r refusal) Error() string {
	if word, known := refusals[r]; known {
		return word
	}
	return fmt.Sprintf("refused with code %d", byte(r))
}

// refused returns the error of a connection that did not come up: of dialing, the broker's answer,
// or paho's text.
func (l *link) refused(token mqtt.Token) error {
	if t, ok := token.(*mqtt.ConnectToken); ok && t.ReturnCode() >= 1 && t.ReturnCode() <= 5 {
		return fmt.Errorf("connect to %s: %w (%w)", l.p.broker.Host, refusal(t.ReturnCode()), token.Error())
	}
	if err := l.why.Load(); err != nil {
		return fmt.Errorf("connect to %s: %w", l.p.broker.Host, *err)
	}
	return fmt.Errorf("connect to %s: %w", l.p.broker.Host, token.Error())
}

// problemOf returns why there is no connection, as one of a few texts for page and metrics.
func problemOf(err error) string {
	var invalid x509.CertificateInvalidError
	var unknown x509.UnknownAuthorityError
	var host x509.HostnameError
	var alert tls.AlertError
	var record tls.RecordHeaderError
	var answer refusal
	var wire *net.OpError
	var dns *net.DNSError
	switch {
	case errors.As(err, &answer):
		return answer.Error()
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "broker's certificate expired or not valid yet"
	case errors.As(err, &invalid), errors.As(err, &unknown), errors.As(err, &host):
		return "broker's certificate not trusted"
	case errors.As(err, &alert), errors.As(err, &wire) && wire.Op == "remote error":
		return "broker refuses the unit's certificate"
	case errors.As(err, &record):
		return "broker does not use TLS"
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, fs.ErrPermission), errors.Is(err, dial.ErrFile):
		return "certificate or password file can't be used"
	case errors.As(err, &dns):
		return "broker's name not found"
	case errors.Is(err, syscall.ECONNREFUSED), errors.Is(err, syscall.EHOSTUNREACH),
		errors.Is(err, syscall.ENETUNREACH):
		return "broker unreachable"
	case errors.Is(err, errMalformed):
		return "broker does not use MQTT"
	case errors.Is(err, errUnasked):
		return "broker sends what was not asked for"
	case errors.Is(err, errSilent), errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, context.DeadlineExceeded):
		return "broker does not answer"
	}
	return "connection lost"
}

var (
	errSilent = errors.New("no answer in time")
)
