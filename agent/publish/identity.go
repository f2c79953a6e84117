package publish

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"os"
	"time"

	"liftbank/agent/config"
)

// CheckCertificate returns an error if the unit's own certificate says that it is another's, or
// can't be read. A broker knows a client without a user name by the common name of its certificate,
// acknowledges what it writes under another's name, and throws it away: nothing else would show.
func CheckCertificate(c *config.Config) error {
	m := c.MQTT
	if m == nil || m.CertFile == "" || m.Username != "" {
		return nil
	}
	text, err := os.ReadFile(m.CertFile)
	if err != nil {
		return fmt.Errorf("mqtt.cert_file: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return fmt.Errorf("mqtt.cert_file: %s: no certificate in it: want PEM", m.CertFile)
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return fmt.Errorf("mqtt.cert_file: %s: %w", m.CertFile, err)
	}
	if err := checkName(leaf, c.Unit.ID); err != nil {
		return fmt.Errorf("mqtt.cert_file: %s: %w", m.CertFile, err)
	}
	return nil
}

// checkName returns an error unless a certificate has a unit's ID as its common name.
func checkName(leaf *x509.Certificate, unit string) error {
	if name := leaf.Subject.CommonName; name != unit {
		return fmt.Errorf("common name %q: want unit.id %q: the broker throws away what a unit sends under another's name",
			name, unit)
	}
	return nil
}

// Problems of a connection that is up.
const (
	wrongName = "unit's certificate has another name"
	unheard   = "no confirmation from the collector"
	// A message can't be told by its connection: see refused.
	refusesMessage = "broker ends the connection at a message"
)

// unheardLimit is how long a collector that confirms may say nothing of what was sent before that
// is a problem; our choice: readings go every hour, so that is several.
const unheardLimit = 6 * time.Hour

// judgeName notes whether the certificate is the unit's own. It is used all the same: not every
// broker goes by the name.
func (p *Publisher) judgeName(leaf *x509.Certificate) {
	doubt := ""
	if leaf != nil && p.opts.Username == "" {
		if err := checkName(leaf, p.opts.Unit); err != nil {
			doubt = wrongName
			if p.doubt != doubt {
				p.opts.Log.Warn("certificate of another unit", "unit", p.opts.Unit, "file", p.opts.CertFile, "err", err)
			}
		}
	}
	p.doubt = doubt
}
