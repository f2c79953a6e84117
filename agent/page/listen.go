package page

import (
	"errors"
	"net"
	"net/http"
	"sync"
	"syscall"
)

// hint returns what to do about an address that can't be listened on.
func hint(err error) string {
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return ": port in use by another program: stop it or choose another port"
	case errors.Is(err, syscall.EACCES):
		return ": ports below 1024 need privileges: choose a higher one"
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return ": this machine does not have that address: use one of its own, or just :PORT"
	}
	return ""
}

// unasked holds the connections on which no whole question came yet. Browsers open one to spare, and http.Server.Shutdown waits for such
// a one for 5 s. Its zero value is ready.
type unasked struct {
	mu      sync.Mutex
	conns   map[net.Conn]struct{}
	stopped bool
}

// follow is a server's ConnState hook.
func (u *unasked) follow(c net.Conn, state http.ConnState) {
	u.mu.Lock()
	defer u.mu.Unlock()
	switch {
	case state != http.StateNew:
		delete(u.conns, c)
	case u.stopped:
		c.Close()
	default:
		if u.conns == nil {
			u.conns = map[net.Conn]struct{}{}
		}
		u.conns[c] = struct{}{}
	}
}

// close closes them, and from now on every new one.
func (u *unasked) close() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.stopped = true
	for c := range u.conns {
		c.Close()
	}
}
