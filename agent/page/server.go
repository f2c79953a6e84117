// Package page serves one unit's local HTTP: the sheet that a technician reads on a phone, the snapshot and findings as
// JSON, both live as server-sent events, and what machines ask for (/metrics, /healthz, /readyz).
//
// Nothing here changes anything: every route answers GET and HEAD only. The sheet is whole without script; a small script
// puts in the parts that have changed. All of it is made from the one snapshot.
package page

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"liftbank/agent/snapshot"
)

// Options say what is served. Fields without a stated default must be set.
type Options struct {
	Hub        *snapshot.Hub
	Now        func() time.Time // the process's clock (time.Now)
	Metrics    http.Handler     // /metrics; nil: not found
	StaleAfter time.Duration    // age at which readings are called old and the agent unwell; 0 is 10 s
	Hosts      []string         // names the page may be asked by besides IP addresses and localhost; "*" takes any
	MaxStreams int              // clients that follow live at a time; 0 is 16
	Log        *slog.Logger     // nil logs nothing
}

// Time limits of the server.
const (
	readLimit   = 10 * time.Second // for a whole request
	writeLimit  = 10 * time.Second // for an answer, and for each event of a stream
	idleLimit   = 60 * time.Second
	stopLimit   = 5 * time.Second  // for answers under way at the end
	pingEvery   = 15 * time.Second // of a stream without events, so that dead ones are noticed
	apiGap      = 200 * time.Millisecond
	sheetGap    = time.Second
	maxHeader   = 16 << 10
	maxConns    = 64
	maxStreams  = 16
	defaultOld  = 10 * time.Second
	retryMillis = 3000 // asked of a stream's client
)

// Server serves one unit.
type Server struct {
	opts    Options
	begun   time.Time
	assets  assets
	handler http.Handler

	stopping context.Context // ends streams; http.Server.Shutdown doesn't
	stop     context.CancelFunc
	streams  atomic.Int32
	rendered atomic.Pointer[sheet]
}

// New prepares a server; Serve runs it.
func New(opts Options) (*Server, error) {
	if opts.Hub == nil || opts.Now == nil {
		return nil, errors.New("page: hub or clock not given")
	}
	if opts.StaleAfter == 0 {
		opts.StaleAfter = defaultOld
	}
	if opts.MaxStreams == 0 {
		opts.MaxStreams = maxStreams
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{opts: opts, begun: opts.Now(), assets: newAssets()}
	s.stopping, s.stop = context.WithCancel(context.Background())
	s.handler = s.guard(s.routes())
	return s, nil
}

func (s *Server) routes() *http.ServeMux {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.page)
	mux.HandleFunc("GET /live", s.live)
	mux.HandleFunc("GET /assets/{name}", s.asset)
	mux.HandleFunc("GET /api/v1/snapshot", s.apiSnapshot)
	mux.HandleFunc("GET /api/v1/findings", s.apiFindings)
	mux.HandleFunc("GET /api/v1/stream", s.apiStream)
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.HandleFunc("GET /readyz", s.readyz)
	if s.opts.Metrics != nil {
		mux.Handle("GET /metrics", s.opts.Metrics)
	}
	return mux
}

// Handler gives the routes with all checks and headers, for a server of the caller's.
func (s *Server) Handler() http.Handler { return s.handler }

// Listen opens addr (HOST:PORT; port 0 takes a free one).
func Listen(ctx context.Context, addr string) (net.Listener, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("page: %w%s", err, hint(err))
	}
	return l, nil
}

// Serve answers on l until ctx ends, then lets answers under way finish for up to 5 s and returns nil. It closes l and
// leaves no goroutine behind. It may be called once.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler: s.handler, ReadTimeout: readLimit, ReadHeaderTimeout: readLimit, WriteTimeout: writeLimit,
		IdleTimeout: idleLimit, MaxHeaderBytes: maxHeader,
		ErrorLog: slog.NewLogLogger(s.opts.Log.Handler(), slog.LevelDebug), // broken clients: of no use to anybody else
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(newLimited(l, maxConns)) }()
	select {
	case err := <-failed:
		s.stop()
		return errors.Join(fmt.Errorf("page: serve on %s: %w", l.Addr(), err), srv.Close())
	case <-ctx.Done():
	}
	s.stop()
	finish, cancel := context.WithTimeout(context.Background(), stopLimit)
	defer cancel()
	err := srv.Shutdown(finish)
	if err != nil {
		err = errors.Join(fmt.Errorf("page: stop on %s: %w", l.Addr(), err), srv.Close())
	}
	<-failed // http.ErrServerClosed
	return err
}
