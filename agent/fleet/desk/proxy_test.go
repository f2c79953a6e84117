package desk

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func prefixes(texts ...string) (out []netip.Prefix) {
	for _, t := range texts {
		out = append(out, netip.MustParsePrefix(t))
	}
	return out
}

func TestWhatTrustedProxiesSayIsBelieved(t *testing.T) {
	const proxy, outer, stranger = "10.1.2.3:99", "10.9.9.9", "192.0.2.7:99"
	for name, test := range map[string]struct {
		from      string
		forwarded bool
		head      [][2]string
		want      asker
	}{
		"nothing said":           {proxy, false, nil, asker{"10.1.2.3", false}},
		"the proxy":              {proxy, false, [][2]string{{"X-Forwarded-For", "198.51.100.7"}, {"X-Forwarded-Proto", "https"}}, asker{"198.51.100.7", true}},
		"a stranger":             {stranger, false, [][2]string{{"X-Forwarded-For", "198.51.100.7"}, {"X-Forwarded-Proto", "https"}}, asker{"192.0.2.7", false}},
		"a client's own before":  {proxy, false, [][2]string{{"X-Forwarded-For", "203.0.113.1, 198.51.100.7"}}, asker{"198.51.100.7", false}},
		"a client's own line":    {proxy, false, [][2]string{{"X-Forwarded-For", "203.0.113.1"}, {"X-Forwarded-For", "198.51.100.7"}}, asker{"198.51.100.7", false}},
		"a client's own scheme":  {proxy, false, [][2]string{{"X-Forwarded-Proto", "https"}, {"X-Forwarded-Proto", "http"}}, asker{"10.1.2.3", false}},
		"two proxies":            {proxy, false, [][2]string{{"X-Forwarded-For", "203.0.113.1, 198.51.100.7, " + outer}, {"X-Forwarded-Proto", "https"}}, asker{"198.51.100.7", true}},
		"with a port":            {proxy, false, [][2]string{{"X-Forwarded-For", "198.51.100.7:4711"}}, asker{"198.51.100.7", false}},
		"IPv6":                   {proxy, false, [][2]string{{"X-Forwarded-For", "2001:db8::1"}}, asker{"2001:db8::/64", false}},
		"no address":             {proxy, false, [][2]string{{"X-Forwarded-For", "203.0.113.1, unknown"}}, asker{"10.1.2.3", false}},
		"the other kind":         {proxy, false, [][2]string{{"Forwarded", "for=198.51.100.7;proto=https"}}, asker{"10.1.2.3", false}},
		"RFC 7239":               {proxy, true, [][2]string{{"Forwarded", "for=198.51.100.7;proto=https;by=203.0.113.43"}}, asker{"198.51.100.7", true}},
		"RFC 7239, the other":    {proxy, true, [][2]string{{"X-Forwarded-For", "198.51.100.7"}, {"X-Forwarded-Proto", "https"}}, asker{"10.1.2.3", false}},
		"RFC 7239, a stranger":   {stranger, true, [][2]string{{"Forwarded", "for=198.51.100.7;proto=https"}}, asker{"192.0.2.7", false}},
		"RFC 7239, IPv6":         {proxy, true, [][2]string{{"Forwarded", `For="[2001:db8:cafe::17]:4711"`}}, asker{"2001:db8:cafe::/64", false}}, // example of its section 4
		"RFC 7239, two":          {proxy, true, [][2]string{{"Forwarded", "for=203.0.113.1;proto=https, for=198.51.100.7;proto=http, for=" + outer + ";proto=https"}}, asker{"198.51.100.7", false}},
		"RFC 7239, unknown":      {proxy, true, [][2]string{{"Forwarded", "for=203.0.113.1, for=unknown;proto=https"}}, asker{"10.1.2.3", true}},
		"RFC 7239, hidden":       {proxy, true, [][2]string{{"Forwarded", `for="_gazonk"`}}, asker{"10.1.2.3", false}}, // another example there
		"RFC 7239, a comma":      {proxy, true, [][2]string{{"Forwarded", `for=198.51.100.7;by="a, for=203.0.113.1"`}}, asker{"198.51.100.7", false}},
		"RFC 7239, broken":       {proxy, true, [][2]string{{"Forwarded", `for=203.0.113.1;x=", for="[2001:db8::1]"`}}, asker{"10.1.2.3", false}},
		"RFC 7239, then a whole": {proxy, true, [][2]string{{"Forwarded", `for="203.0.113.1`}, {"Forwarded", "for=198.51.100.7"}}, asker{"198.51.100.7", false}},
	} {
		r := httptest.NewRequest("GET", "http://127.0.0.1/", nil)
		r.RemoteAddr = test.from
		for _, h := range test.head {
			r.Header.Add(h[0], h[1])
		}
		for _, p := range []Proxy{
			{Trusted: prefixes("10.0.0.0/8"), Forwarded: test.forwarded}, {From: prefixes("10.0.0.0/8"), Header: "X-User", Forwarded: test.forwarded},
		} {
			assert.Equal(t, test.want, p.asker(r), name)
		}
		none := Proxy{Forwarded: test.forwarded}
		own := none.asker(r)
		assert.False(t, own.secure, name)
		assert.True(t, strings.HasPrefix(test.from, own.address+":"), "%s: trusted without being named", name)
	}
}

// Whatever a client writes before it, what the proxy adds holds: nobody can name another's address.
func TestNobodyForgesWhatAProxySays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Proxy{Trusted: prefixes("10.0.0.0/8"), Forwarded: rapid.Bool().Draw(t, "forwarded")}
		r := httptest.NewRequest("GET", "http://127.0.0.1/", nil)
		r.RemoteAddr = "10.1.2.3:99"
		own := rapid.OneOf(
			rapid.StringMatching(`(for=|proto=https|203\.0\.113\.[0-9]|"|\\|,|;| |=|x){0,20}`), rapid.String(),
		).Draw(t, "client's own")
		add := rapid.SampledFrom([]string{`for=198.51.100.7`, `for="198.51.100.7:80"`}).Draw(t, "proxy's")
		header := "Forwarded"
		if !p.Forwarded {
			header, add = "X-Forwarded-For", "198.51.100.7"
		}
		if rapid.Bool().Draw(t, "one line") {
			r.Header[header] = []string{own + ", " + add}
		} else {
			r.Header[header] = []string{own, add}
		}
		got := p.asker(r)
		assert.Contains(t, []string{"198.51.100.7", "10.1.2.3"}, got.address, "%q", r.Header[header])
		assert.False(t, got.secure, "%q", r.Header[header])
	})
}

// Behind a proxy with TLS the cookie is Secure, tries and the trail are of the client, and a form from a
// page without TLS is turned away. From elsewhere the same headers change nothing.
func TestBehindAProxyWithTLS(t *testing.T) {
	f := newFixture(t, func(o *Options) { o.Proxy = Proxy{Trusted: prefixes("10.0.0.0/8")} })
	f.fill()
	signIn := func(from, client, origin, password string) *http.Response {
		r := httptest.NewRequest("POST", "http://127.0.0.1/login", strings.NewReader("name=the+desk&password="+strings.ReplaceAll(password, " ", "+")))
		r.RemoteAddr = from
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("X-Forwarded-For", client)
		r.Header.Set("X-Forwarded-Proto", "https")
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		w := httptest.NewRecorder()
		f.desk.Handler().ServeHTTP(w, r)
		return w.Result()
	}
	for from, secure := range map[string]bool{"10.1.2.3:99": true, "192.0.2.7:99": false} {
		resp := signIn(from, "198.51.100.7", "", testPassword)
		require.Equal(t, http.StatusSeeOther, resp.StatusCode)
		require.Len(t, resp.Cookies(), 1)
		assert.Equal(t, secure, resp.Cookies()[0].Secure, from)
	}
	var said []string
	for _, e := range f.store.audit {
		if e.Action == ActionSignIn {
			said = append(said, e.What)
		}
	}
	assert.ElementsMatch(t, []string{"198.51.100.7", "192.0.2.7"}, said)
	for range triesOfOne { // one client's tries are not another's
		signIn("10.1.2.3:99", "203.0.113.9", "", "wrong wrong wrong")
	}
	assert.Equal(t, http.StatusTooManyRequests, signIn("10.1.2.3:99", "203.0.113.9", "", testPassword).StatusCode)
	assert.Equal(t, http.StatusSeeOther, signIn("10.1.2.3:99", "198.51.100.8", "", testPassword).StatusCode)
	for i := range triesOfOne { // nor does an untrusted address count as many
		signIn("192.0.2.8:99", "203.0.113."+string(rune('1'+i)), "", "wrong wrong wrong")
	}
	assert.Equal(t, http.StatusTooManyRequests, signIn("192.0.2.8:99", "203.0.113.200", "", testPassword).StatusCode)

	assert.Equal(t, http.StatusForbidden, signIn("10.1.2.3:99", "198.51.100.9", "http://127.0.0.1", testPassword).StatusCode)
	assert.Equal(t, http.StatusSeeOther, signIn("10.1.2.3:99", "198.51.100.9", "https://127.0.0.1", testPassword).StatusCode)
	assert.Equal(t, http.StatusSeeOther, signIn("192.0.2.9:99", "198.51.100.9", "http://127.0.0.1", testPassword).StatusCode, "there is no TLS")
}
