// Package listen serves HTTP on one address, within limits of time and connections.
package listen

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"syscall"
	"time"
)

// Limits of the server.
const (
	readLimit = 10 * time.Second // for a whole request
	idleLimit = 60 * time.Second
	StopLimit = 5 * time.Second // for answers under way at the end
	maxHeader = 16 << 10

	// WriteLimit is the time for an answer, and for each event of a stream.
	WriteLimit = 10 * time.Second
)

// Open opens addr (HOST:PORT; port 0 takes a free one).
func Open(ctx context.Context, addr string) (net.Listener, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("page: %w%s", err, hint(err))
	}
	return l, nil
}

// Serve answers on l with h until ctx ends, then lets answers under way finish for up to 5 s, cuts
// what is left and returns nil. It closes l and leaves no goroutine behind. What clients do wrong
// is logged for debugging only.
func Serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger) error {
	var places places
	srv := &http.Server{
		Handler: h, ConnState: places.follow, ReadTimeout: readLimit, ReadHeaderTimeout: readLimit,
		WriteTimeout: WriteLimit, IdleTimeout: idleLimit, MaxHeaderBytes: maxHeader,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(bounded{l, &places}) }()
	select {
	case err := <-failed:
		return errors.Join(fmt.Errorf("page: serve on %s: %w", l.Addr(), err), srv.Close())
	case <-ctx.Done():
	}
	finish, cancel := context.WithTimeout(context.Background(), StopLimit)
	defer cancel()
	places.stop()
	err := srv.Shutdown(finish)
	if errors.Is(err, context.DeadlineExceeded) { // a phone out of reach in the middle of a page
		log.Info("page: open responses were cut off at shutdown", "address", l.Addr(), "after", StopLimit)
		err = srv.Close()
	}
	<-failed // http.ErrServerClosed
	if err != nil {
		return fmt.Errorf("page: stop on %s: %w", l.Addr(), err)
	}
	return nil
}

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
