package setup

import (
	"net/netip"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const least = "mqtt: {broker: 'mqtt://b'}\ndatabase: {url: 'sqlite:///f.db'}\n"

func TestPagesAreConfigured(t *testing.T) {
	c, err := Parse("fleet.yaml", []byte(least+`http:
  listen: :8490
  hosts: [fleet.example, desk]
  proxy: {trusted: [127.0.0.1, 10.0.0.0/8], says: forwarded}
  sign_on: {from: [10.0.0.0/8, 192.0.2.7, "::1"], header: X-Forwarded-User, role: read}
`))
	require.NoError(t, err)
	assert.Equal(t, []string{"fleet.example", "desk"}, c.HTTP.Hosts)
	assert.Equal(t, []netip.Prefix{
		netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("192.0.2.7/32"), netip.MustParsePrefix("::1/128"),
	}, c.HTTP.SignOn.From)
	assert.Equal(t, "X-Forwarded-User", c.HTTP.SignOn.Header)
	assert.Equal(t, Proxy{[]netip.Prefix{netip.MustParsePrefix("127.0.0.1/32"), netip.MustParsePrefix("10.0.0.0/8")}, true}, c.HTTP.Proxy)
	c, err = Parse("fleet.yaml", []byte(least))
	require.NoError(t, err)
	assert.Empty(t, c.HTTP.SignOn.From)
	assert.Empty(t, c.HTTP.Proxy.Trusted)
	c, err = Parse("fleet.yaml", []byte(least+"http: {proxy: {trusted: ['::1'], says: x-forwarded}}\n"))
	require.NoError(t, err)
	assert.False(t, c.HTTP.Proxy.Forwarded)
}

func TestPagesAreRefused(t *testing.T) {
	for text, want := range map[string]string{
		"hosts: [a b]":                                             "fleet.yaml:4: http.hosts[0]",
		"hosts: desk":                                              "a list of at most 32",
		"proxy: {trusted: [proxy.example]}":                        "http.proxy.trusted[0]",
		"proxy: {says: forwarded}":                                 "want trusted",
		"proxy: {trusted: [10.0.0.1], says: both}":                 "x-forwarded or forwarded",
		"sign_on: {from: [10.0.0.300], header: X-User}":            "http.sign_on.from[0]",
		"sign_on: {from: [10.0.0.0/8]}":                            "from and header",
		"sign_on: {header: X-User}":                                "from and header",
		"sign_on: {from: [10.0.0.1], header: X-User, role: admin}": "read or desk",
		"sign_on: {from: [10.0.0.1], header: 'X User'}":            "name of a header",
	} {
		_, err := Parse("fleet.yaml", []byte(least+"http:\n  "+text+"\n"))
		assert.ErrorContains(t, err, want, text)
	}
}
