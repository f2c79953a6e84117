// Package page serves one unit's local HTTP: the pages that a technician reads and fills in on a
// phone, the snapshot and findings as JSON, both live as server-sent events, and what machines ask
// for (/metrics, /healthz, /readyz).
//
// Reading is open to whoever reaches the address; what changes something is a form from a page of
// the unit's own and wants a PIN. Every page is whole without script; small scripts put in the
// parts that have changed, save a visit as it is typed, and zoom the past. What is shown of the
// present is made from the one snapshot.
package page

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/fit"
	"liftbank/agent/history"
	"liftbank/agent/page/listen"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
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
	// Hosts are the names the page may be asked by besides IP addresses and localhost; "*" takes any.
	Hosts []string
	// Look is told as somebody begins and ends to look at the pages; programs that ask for figures do not
	// look. nil: nobody wants to know.
	Look       func(begins bool)
	MaxStreams int          // clients that follow live at a time; 0 is 64
	Log        *slog.Logger // nil logs nothing

	Place     string                      // where the unit is at home, for people; empty: the last visit says it
	Named     func() (name, place string) // the same, and what people call the unit, as it was set last; nil: Place
	Settings  Settings                    // what can be set at the unit; nil: nothing
	PIN       *pin.Gate                   // who may change something; nil: nobody
	PINToRead bool                        // the PIN is wanted to read, too
	Visits    *visit.Store                // nil: visits are not kept
	Actions   visit.Actions               // what can be done about findings; nil: nothing
	Switch    visit.Switch                // of work under way; nil: none
	WorkTime  time.Duration               // after which that ends by itself
	History   history.Source              // nil: no past is kept
	Recording Recording                   // nil: nothing is recorded

	Calibrate calibrate.Desk // where channels are calibrated; nil: nowhere
	Fit       fit.Desk       // where the board is fitted; nil: nowhere
}

const maxStreams = 64

// UsuallyOld is the age at which readings are called old that come once a second.
const UsuallyOld = 10 * time.Second

// Server serves one unit.
type Server struct {
	opts     Options
	site     *web.Site
	streams  *streams
	handler  http.Handler
	pages    atomic.Pointer[http.Handler] // behind the guard
	stopping context.Context              // of streams
	stop     context.CancelFunc           // ends streams; http.Server.Shutdown doesn't
}

// New prepares a server; Serve runs it.
func New(opts Options) (*Server, error) {
	if opts.Hub == nil || opts.Now == nil {
		return nil, errors.New("page: want a hub and a clock")
	}
	if opts.StaleAfter == 0 {
		opts.StaleAfter = UsuallyOld
	}
	if opts.MaxStreams == 0 {
		opts.MaxStreams = maxStreams
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.History != nil {
		opts.History = timed{opts.History}
	}
	s := &Server{opts: opts}
	s.stopping, s.stop = context.WithCancel(context.Background())
	s.makePages()
	s.handler = web.NewWork().Bound(web.Guard(opts.Hosts, http.HandlerFunc(
		func(w http.ResponseWriter, r *http.Request) { (*s.pages.Load()).ServeHTTP(w, r) })))
	return s, nil
}

// Update changes the PIN, visits or metrics of a server that may be serving. What is being answered
// goes on as it was. With an error nothing changes. One call at a time.
func (s *Server) Update(change func(o *Options) error) error {
	o := s.opts
	if err := change(&o); err != nil {
		return err
	}
	s.opts.PIN, s.opts.Visits, s.opts.Metrics = o.PIN, o.Visits, o.Metrics
	s.makePages()
	return nil
}

func (s *Server) makePages() {
	o := &s.opts
	s.site = web.NewSite(o.Hub, o.Now, o.StaleAfter, o.Log, o.PIN)
	if o.Switch != nil {
		s.site.WorkTime = o.WorkTime
	}
	drawn := &curvesOf{site: s.site, source: o.History}
	made := &sheets{hub: o.Hub, staleAfter: o.StaleAfter, acts: o.Actions != nil && o.PIN != nil, curves: drawn}
	where := newPlaces(o)
	s.site.Place, s.site.At = where.now, where.place
	s.streams = &streams{site: s.site, made: made, most: o.MaxStreams, stopping: s.stopping}
	s.pages.Store(new(s.routes(made, s.stopping)))
}

// routes are those of all pages. What changes something takes a form of bounded size from a page of
// this unit's own; all but the choice of language and unit and the end of a session want the PIN.
func (s *Server) routes(made *sheets, stopping context.Context) http.Handler {
	mux := http.NewServeMux()
	o, access := &s.opts, web.NewAccess(s.site, s.opts.PINToRead)
	reports := visits.NewRecords(s.site, o.Visits, o.History)
	for _, pages := range []interface{ Routes(*http.ServeMux) }{
		s.site, access, s.streams, reports,
		visits.NewForms(s.site, access, o.Visits),
		&livePages{s.site, made, o.Visits, o.Settings},
		&settingPages{s.site, access, o.Visits, o.Settings},
		&calibratePages{s.site, access, o.Visits, o.Calibrate},
		&fitPages{s.site, access, o.Fit},
		&findingPages{s.site, access, o.Visits, o.Actions, made.curves},
		&workPages{s.site, access, o.Visits, o.Switch},
		&historyPages{s.site, o.History, o.Recording},
		&recordingPages{s.site, access, o.Recording, stopping},
		&api{s.site},
	} {
		pages.Routes(mux)
	}
	if o.Metrics != nil {
		mux.Handle("GET /metrics", o.Metrics)
	}
	return access.Readers(looking(o.Look, mux))
}

// looking tells look of each request of a person's page.
func looking(look func(begins bool), next http.Handler) http.Handler {
	if look == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if byProgram(r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		look(true)
		defer look(false)
		next.ServeHTTP(w, r)
	})
}

// byProgram reports whether a path is asked for by programs, whoever looks or not. The stream of snapshots
// is what somebody follows.
func byProgram(path string) bool {
	switch path {
	case "/metrics", "/healthz", "/readyz":
		return true
	case "/api/v1/stream":
		return false
	}
	return strings.HasPrefix(path, "/api/")
}

// Handler returns the routes with all checks and headers, for a server of the caller's.
func (s *Server) Handler() http.Handler { return s.handler }

// Serve answers on l until ctx ends, then lets answers under way finish for up to 5 s, cuts what is
// left and returns nil. It closes l and leaves no goroutine behind. It may be called once.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	defer s.stop()
	defer context.AfterFunc(ctx, s.stop)()
	return listen.Serve(ctx, l, s.handler, s.opts.Log)
}
