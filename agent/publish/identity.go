package publish

import (
	"crypto/x509"
	"fmt"
	"time"
)

// CheckCertificate returns an error if the unit's own certificate says that it is another's. A broker
// knows a client without a user name by the common name of its certificate, acknowledges what it
// writes under another's name, and throws it away: nothing else would show.
func CheckCertificate(leaf *x509.Certificate, unit, username string) error {
	if name := leaf.Subject.CommonName; username == "" && name != unit {
		return fmt.Errorf("common name %q: want unit.id %q: the broker throws away what a unit sends under another's name",
			name, unit)
	}
	return nil
}

// Problems of a connection that is up.
const (
	wrongName = "unit's certificate has another name"
	// Unheard is in snapshots, too, where the fleet's side looks for it.
	Unheard = "no confirmation from the collector"
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
	if err := CheckCertificate(leaf, p.opts.Unit, p.opts.Username); err != nil {
		doubt = wrongName
		if p.doubt != doubt {
			p.opts.Log.Warn("certificate of another unit", "unit", p.opts.Unit, "file", p.opts.CertFile, "err", err)
		}
	}
	p.doubt = doubt
}
