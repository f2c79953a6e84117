package publish

import (
	"fmt"
	"net"
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"
)

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

// checkPrefix accepts one or more levels. Topics that start with $ belong to the broker (section
// 4.7.2).
func checkPrefix(prefix string) error {
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

// topic returns <prefix>/v1/<unit>/<leaf>.
func (o Options) topic(leaf string) string {
	return o.Prefix + "/v1/" + o.Unit + "/" + leaf
}

// parseBroker accepts mqtt://host[:port] and mqtts://host[:port] and adds the port.
func parseBroker(text string) (*url.URL, error) {
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
