// Package page serves one unit's local HTTP: the pages that a technician reads and fills in on a phone, the snapshot and findings as
// JSON, both live as server-sent events, and what machines ask for (/metrics, /healthz, /readyz).
//
// Reading is open to whoever reaches the address; what changes something is a form from a page of the unit's own and wants a PIN.
// Every page is whole without script; small scripts put in the parts that have changed, save a visit as it is typed, and move charts.
// What is shown of the present is made from the one snapshot.
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

	"golang.org/x/net/netutil"

	"liftbank/agent/history"
	"liftbank/agent/pin"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// Options say what is served. Fields without a stated default must be set.
type Options struct {
	Hub        *snapshot.Hub
	Now        func() time.Time // the process's clock (time.Now)
	Metrics    http.Handler     // /metrics; nil: not found
	StaleAfter time.Duration    // age at which readings are called old and the agent unwell; 0 is 10 s
	Hosts      []string         // names the page may be asked by besides IP addresses and localhost; "*" takes any
	MaxStreams int              // clients that follow live at a time; 0 is 64
	Log        *slog.Logger     // nil logs nothing

	PIN     *pin.Gate      // who may change something; nil: nobody
	Visits  *visit.Store   // nil: visits are not kept
	Actions visit.Actions  // what can be done about findings; nil: nothing
	History history.Source // nil: no past is kept

	Calibration map[string]Calibration // that channels have, by their names in the snapshot
}

// Time limits of the server.
const (
	readLimit   = 10 * time.Second // for a whole request
	writeLimit  = 10 * time.Second // for an answer, and for each event of a stream
	idleLimit   = 60 * time.Second
	stopLimit   = 5 * time.Second  // for answers under way at the end
	pingEvery   = 15 * time.Second // of a stream without events, so that dead ones are noticed
	apiGap      = 200 * time.Millisecond
	sheetGap    = 200 * time.Millisecond // a new snapshot comes once a second: this only holds back a burst
	maxHeader   = 16 << 10
	maxConns    = 256 // a phone has one stream and a few more open
	maxStreams  = 64
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
	sheets   atomic.Uint64 // made so far
	rendered [kinds][variants]atomic.Pointer[sheet]
}

// New prepares a server; Serve runs it.
func New(opts Options) (*Server, error) {
	if opts.Hub == nil || opts.Now == nil {
		return nil, errors.New("page: want a hub and a clock")
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
	mux.HandleFunc("GET /{$}", s.now)
	mux.HandleFunc("GET /live", s.live)
	mux.HandleFunc("GET /assets/{name}", s.asset)
	mux.HandleFunc("GET /api/v1/snapshot", s.apiSnapshot)
	mux.HandleFunc("GET /api/v1/findings", s.apiFindings)
	mux.HandleFunc("GET /api/v1/stream", s.apiStream)
	mux.HandleFunc("GET /check", s.check)
	mux.HandleFunc("GET /history", s.past)
	mux.HandleFunc("GET /findings", s.findings)
	mux.HandleFunc("GET /findings/act", s.actPage)
	mux.HandleFunc("GET /findings/{name}", s.explainFinding)
	mux.HandleFunc("GET /pin", s.pinPage)
	mux.HandleFunc("GET /visit", s.visitPage)
	mux.HandleFunc("GET /visit/report", s.previewReport)
	mux.HandleFunc("GET /visits", s.visits)
	mux.HandleFunc("GET /visits/{id}", s.visitFile)
	mux.HandleFunc("GET /api/v1/history", s.apiHistory)
	mux.HandleFunc("GET /api/v1/history/run", s.apiRun)
	mux.HandleFunc("GET /api/v1/visits", s.apiVisits)
	mux.HandleFunc("GET /api/v1/visits/{id}", s.apiVisit)
	s.changes(mux)
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.HandleFunc("GET /readyz", s.readyz)
	if s.opts.Metrics != nil {
		mux.Handle("GET /metrics", s.opts.Metrics)
	}
	return mux
}

// changes are the routes that change something. All of them take a form of bounded size from a page of this unit's own; all but the
// choice of language and unit, which stay in the browser, and the end of a session want the PIN.
func (s *Server) changes(mux *http.ServeMux) {
	mux.HandleFunc("POST /settings", s.choose)
	mux.HandleFunc("POST /pin", s.signIn)
	mux.HandleFunc("POST /pin/out", s.signOut)
	mux.HandleFunc("POST /findings/act", s.act)
	mux.HandleFunc("POST /visit/begin", s.beginVisit)
	mux.HandleFunc("POST /visit/save", s.saveVisit)
	mux.HandleFunc("POST /visit/work", s.addWork)
	mux.HandleFunc("POST /visit/finish", s.finishVisit)
	mux.HandleFunc("POST /visit/discard", s.discardVisit)
	mux.HandleFunc("POST /check/compare", s.noteComparison)
}

// Handler returns the routes with all checks and headers, for a server of the caller's.
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

// Serve answers on l until ctx ends, then lets answers under way finish for up to 5 s, cuts what is left and returns nil. It
// closes l and leaves no goroutine behind. It may be called once.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	var spare unasked
	srv := &http.Server{
		Handler: s.handler, ConnState: spare.follow, ReadTimeout: readLimit, ReadHeaderTimeout: readLimit, WriteTimeout: writeLimit,
		IdleTimeout: idleLimit, MaxHeaderBytes: maxHeader,
		ErrorLog: slog.NewLogLogger(s.opts.Log.Handler(), slog.LevelDebug), // renderFailed clients: of no use to anybody else
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(netutil.LimitListener(l, maxConns)) }()
	select {
	case err := <-failed:
		s.stop()
		return errors.Join(fmt.Errorf("page: serve on %s: %w", l.Addr(), err), srv.Close())
	case <-ctx.Done():
	}
	s.stop()
	finish, cancel := context.WithTimeout(context.Background(), stopLimit)
	defer cancel()
	spare.close()
	err := srv.Shutdown(finish)
	if errors.Is(err, context.DeadlineExceeded) { // a phone out of reach in the middle of a page
		s.opts.Log.Info("page: open responses were cut off at shutdown", "address", l.Addr(), "after", stopLimit)
		err = srv.Close()
	}
	<-failed // http.ErrServerClosed
	if err != nil {
		return fmt.Errorf("page: stop on %s: %w", l.Addr(), err)
	}
	return nil
}
