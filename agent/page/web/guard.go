package web

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"

	"liftbank/agent/page/words"
)

// securityHeaders are on every answer. The policy allows our own script, style, pictures and
// requests, pictures that our script makes of a photo, and nothing else.
var securityHeaders = map[string]string{
	"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; " +
		"img-src 'self' blob:; manifest-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
	"X-Content-Type-Options": "nosniff",
	"X-Frame-Options":        "DENY",
	// Not "no-referrer": with it a browser sends Origin: null with our own forms (Fetch, 3.1), and
	// over plain HTTP to an address that isn't loopback nothing else says where they come from.
	"Referrer-Policy":              "same-origin",
	"Cross-Origin-Opener-Policy":   "same-origin",
	"Cross-Origin-Resource-Policy": "same-origin",
	"Permissions-Policy":           "camera=(), geolocation=(), microphone=()",
	"Cache-Control":                "no-store", // assets, named by their content, say otherwise
}

// Guard puts the headers on every answer and turns away requests under a name that isn't ours:
// neither an IP address, nor localhost, nor one of hosts, of which "*" takes any.
func Guard(hosts []string, next http.Handler) http.Handler {
	// A form from elsewhere is turned away by what the browser says of where it comes from; without
	// a browser there is no session to misuse, and the PIN is asked for.
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, words.English.W["ForeignForm"], http.StatusForbidden)
	}))
	sameOrigin := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for name, value := range securityHeaders {
			w.Header().Set(name, value)
		}
		if !knownHost(hosts, r.Host) {
			http.Error(w, words.English.W["WrongHost"], http.StatusMisdirectedRequest)
			return
		}
		sameOrigin.ServeHTTP(w, r)
	})
}

// knownHost reports whether the page may be asked by this name. A web site elsewhere that lets its
// own name point at the unit could otherwise read the page through a visitor's browser (DNS
// rebinding).
func knownHost(hosts []string, hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if _, err := netip.ParseAddr(host); err == nil || host == "localhost" {
		return true
	}
	return slices.ContainsFunc(hosts, func(known string) bool {
		return known == "*" || strings.EqualFold(strings.TrimSuffix(known, "."), host)
	})
}
