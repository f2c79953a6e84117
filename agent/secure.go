package agent

import (
	"bytes"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strconv"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/tries"
)

// Secured returns the listener with TLS where the configuration names a certificate. It reads the
// files at each handshake, so that a renewed certificate is used without a restart. Files that
// can't be used now are an error.
func Secured(l net.Listener, h config.HTTP) (net.Listener, error) {
	if h.CertFile == "" {
		return l, nil
	}
	load := func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		c, err := tls.LoadX509KeyPair(h.CertFile, h.KeyFile)
		return &c, err
	}
	if _, err := load(nil); err != nil {
		return nil, fmt.Errorf("http.cert_file and key_file: %w", err)
	}
	return tls.NewListener(l, &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: load,
		NextProtos: []string{"http/1.1"}}), nil
}

// forScraper restricts a handler to one user where the configuration names one (HTTP basic
// authentication, RFC 7617). It compares hashes, in constant time, so that neither content nor
// length shows.
func forScraper(
	next http.Handler, h config.HTTP, now func() time.Time, log *slog.Logger,
) (http.Handler, error) {
	if h.MetricsUser == "" {
		return next, nil
	}
	text, err := os.ReadFile(h.MetricsPasswordFile)
	if err != nil {
		return nil, fmt.Errorf("http.metrics_password_file: %w", err)
	}
	line, _, _ := bytes.Cut(text, []byte("\n"))
	if line = bytes.TrimRight(line, "\r"); len(line) == 0 {
		return nil, fmt.Errorf("http.metrics_password_file: %s: first line empty: want the password there",
			h.MetricsPasswordFile)
	}
	// Each address has its own tries: nobody can keep the scraper out from elsewhere.
	limit := tries.New(tries.Options{OfOne: 10, Every: 10 * time.Second, Now: now})
	user, password := sha256.Sum256([]byte(h.MetricsUser)), sha256.Sum256(line)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		u, p, given := r.BasicAuth()
		gotUser, gotPassword := sha256.Sum256([]byte(u)), sha256.Sum256([]byte(p))
		right := subtle.ConstantTimeCompare(user[:], gotUser[:])&
			subtle.ConstantTimeCompare(password[:], gotPassword[:]) == 1
		from := tries.AddressOf(r)
		if given {
			if wait := limit.TakeKnown(from); wait > 0 {
				w.Header().Set("Retry-After", strconv.Itoa(int(wait.Seconds())))
				http.Error(w, "too many tries", http.StatusTooManyRequests)
				return
			}
		}
		if !right {
			if given {
				log.Warn("wrong user or password for /metrics", "from", from)
			}
			w.Header().Set("WWW-Authenticate", `Basic realm="liftbank metrics", charset="UTF-8"`)
			http.Error(w, "user and password required", http.StatusUnauthorized)
			return
		}
		limit.Right(from, true)
		next.ServeHTTP(w, r)
	}), nil
}
