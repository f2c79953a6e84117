package desk

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"

	"liftbank/agent/page/words"
	"liftbank/agent/tries"
)

// Proxy is reverse proxies before the pages.
type Proxy struct {
	// Trusted are their addresses. What a request says of the client and of TLS is believed from there
	// alone: anybody can write such a header.
	Trusted []netip.Prefix
	// Forwarded: the proxies say it in Forwarded (RFC 7239), else in X-Forwarded-For and X-Forwarded-Proto.
	// The other headers are not looked at: a proxy that sets the one hands on a client's own of the other.
	Forwarded bool

	// Sign-on by a proxy that has checked who somebody is; what From says of the client is believed, too.
	From   []netip.Prefix // a header from elsewhere is not heard; none: no such sign-on
	Header string         // that names the account, such as X-Forwarded-User
	Role   Role           // of a name without an account; empty: nobody without one is let in
}

func within(all []netip.Prefix, a netip.Addr) bool {
	a = a.Unmap().WithZone("")
	return slices.ContainsFunc(all, func(x netip.Prefix) bool { return x.Contains(a) })
}

func (p *Proxy) trusted(a netip.Addr) bool { return within(p.Trusted, a) || within(p.From, a) }

// asker is who asks: behind proxies their client.
type asker struct {
	address string // by which tries are counted
	secure  bool   // it asked over TLS
}

// mostHops bounds how many proxies are looked through.
const mostHops = 16

// asker returns who a request is from.
func (p *Proxy) asker(r *http.Request) asker {
	c := asker{tries.AddressOf(r), r.TLS != nil}
	peer, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !p.trusted(peer.Addr()) {
		return c
	}
	var hops []hop
	if p.Forwarded {
		hops = forwarded(r.Header.Values("Forwarded"))
	} else {
		hops = xForwarded(r.Header)
	}
	// The last is what the nearest proxy saw; one before it is believed if that was a trusted proxy, too.
	for _, h := range slices.Backward(hops[max(0, len(hops)-mostHops):]) {
		c.secure = h.secure
		if !h.from.IsValid() { // a proxy that tells no address: its own is what is known
			break
		}
		c.address = tries.Host(net.JoinHostPort(h.from.String(), "0"))
		if !p.trusted(h.from) {
			break
		}
	}
	return c
}

// hop is what one proxy saw of who asked it.
type hop struct {
	from   netip.Addr // not valid: not said
	secure bool
}

func xForwarded(h http.Header) (hops []hop) {
	secure := strings.EqualFold(lastOf(h.Values("X-Forwarded-Proto")), "https")
	for _, line := range h.Values("X-Forwarded-For") {
		for item := range strings.SplitSeq(line, ",") {
			hops = append(hops, hop{addressIn(item), secure})
		}
	}
	if hops == nil {
		hops = []hop{{secure: secure}}
	}
	return hops
}

// lastOf returns the last item of a header that is a list.
func lastOf(lines []string) string {
	if len(lines) == 0 {
		return ""
	}
	last := lines[len(lines)-1]
	return strings.TrimSpace(last[strings.LastIndexByte(last, ',')+1:])
}

// addressIn reads an address, with a port or without.
func addressIn(text string) netip.Addr {
	text = strings.TrimSpace(text)
	if a, err := netip.ParseAddrPort(text); err == nil {
		return a.Addr()
	}
	a, _ := netip.ParseAddr(strings.TrimSuffix(strings.TrimPrefix(text, "["), "]")) // none: not valid
	return a
}

// forwarded reads the elements of RFC 7239, section 4. One that can't be read ends all before it: what
// it hides could be anybody's.
func forwarded(lines []string) (hops []hop) {
	rest := strings.Join(lines, ",")
	for more := true; more; {
		var h hop
		var ok bool
		h, rest, more, ok = element(rest)
		if !ok {
			hops = nil
			rest, more = afterElement(rest)
			hops = append(hops, hop{})
			continue
		}
		hops = append(hops, h)
	}
	return hops
}

// element reads name=value pairs up to a comma; more: there is one.
func element(s string) (h hop, rest string, more, ok bool) {
	for {
		s = strings.TrimLeft(s, " \t;")
		if s == "" {
			return h, "", false, true
		}
		if s[0] == ',' {
			return h, s[1:], true, true
		}
		name, value, found := strings.Cut(s, "=")
		if !found || strings.ContainsAny(name, " \t,;\"") {
			return h, s, false, false
		}
		var text string
		if text, s, ok = valueOf(value); !ok {
			return h, value, false, false
		}
		switch strings.ToLower(name) {
		case "for":
			h.from = addressIn(text)
		case "proto":
			h.secure = strings.EqualFold(text, "https")
		}
		if t := strings.TrimLeft(s, " \t"); t != "" && t[0] != ';' && t[0] != ',' {
			return h, s, false, false
		}
	}
}

// valueOf reads a token or a quoted string.
func valueOf(s string) (text, rest string, ok bool) {
	if s == "" || s[0] != '"' {
		end := strings.IndexAny(s, " \t,;")
		if end < 0 {
			end = len(s)
		}
		return s[:end], s[end:], end > 0
	}
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch s[i] {
		case '"':
			return b.String(), s[i+1:], true
		case '\\':
			if i++; i == len(s) {
				return "", "", false
			}
		}
		b.WriteByte(s[i])
	}
	return "", "", false
}

// afterElement skips to the next comma.
func afterElement(s string) (rest string, more bool) {
	_, rest, more = strings.Cut(s, ",")
	return rest, more
}

// sameScheme turns away a form that a page without TLS sends to one with it: whoever stands between
// could have written that page. The name is looked at by [web.Guard].
func (d *Desk) sameScheme(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		safe := r.Method == http.MethodGet || r.Method == http.MethodHead
		if o := strings.ToLower(r.Header.Get("Origin")); !safe && strings.HasPrefix(o, "http:") && d.opts.Proxy.asker(r).secure {
			http.Error(w, words.English.W["ForeignForm"], http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}
