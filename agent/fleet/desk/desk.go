// Package desk is what the maintenance desk sees of the fleet: the worklist, each unit, their data, who
// did what, and the same as JSON. Pages are made by the server and work without scripts.
package desk

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"time"

	"liftbank/agent/page/web"
)

// Options are what a desk needs.
type Options struct {
	Store Store
	Now   func() time.Time
	Log   *slog.Logger
	Hosts []string // names under which the pages may be asked, besides addresses; "*": any
	Proxy Proxy    // what reverse proxies before the pages say is believed
	// MaxStreams is how many pages are followed live at a time; 0: 256.
	MaxStreams int
}

// Desk serves the pages. Its Handler can be used while Run runs; without Run pages don't follow changes.
type Desk struct {
	opts    Options
	access  *access
	live    *live
	assets  assets
	handler http.Handler
}

// New returns a desk.
func New(o Options) (*Desk, error) {
	switch {
	case o.Store == nil || o.Now == nil || o.Log == nil:
		return nil, errors.New("desk: want a store, a clock and a log")
	case o.Proxy.Role != "" && !o.Proxy.Role.May(RoleRead):
		return nil, CheckRole(o.Proxy.Role)
	case len(o.Proxy.From) > 0 && o.Proxy.Header == "":
		return nil, errors.New("desk: proxy: want the header that names the account")
	}
	if o.MaxStreams == 0 {
		o.MaxStreams = 256
	}
	d := &Desk{opts: o, access: newAccess(o), live: newLive(o), assets: newAssets()}
	d.handler = web.Guard(o.Hosts, d.sameScheme(d.routes()))
	return d, nil
}

// Handler returns the routes with all checks and headers.
func (d *Desk) Handler() http.Handler { return d.handler }

// Run looks for changes and tells the pages that are open, until ctx ends.
func (d *Desk) Run(ctx context.Context) error { return d.live.run(ctx) }

// Problem says what keeps the pages from following the fleet; empty: nothing.
func (d *Desk) Problem() string {
	if p := d.live.problem.Load(); p != nil && *p != "" {
		return "pages: " + *p
	}
	return ""
}

func (d *Desk) routes() http.Handler {
	mux := http.NewServeMux()
	open := func(pattern string, h http.HandlerFunc) { mux.HandleFunc(pattern, h) }
	for _, role := range []struct {
		needed Role
		routes map[string]page
	}{
		{RoleRead, map[string]page{
			"GET /{$}": d.worklistPage, "GET /units": d.unitsPage, "GET /units/{unit}": d.unitPage,
			"GET /units/{unit}/records": d.recordsPage, "GET /units/{unit}/visits/{record}": d.reportPage,
			"GET /parts": d.partsPage, "GET /visits": d.visitsPage, "GET /live": d.live.follow,
			"GET /units.csv": d.exportCSV, "POST /logout": d.signOut, "POST /password": d.changePassword,
			"GET /account":         d.accountPage,
			"GET /api/v1/worklist": d.apiWorklist, "GET /api/v1/units": d.apiUnits, "GET /api/v1/units/{unit}": d.apiUnit,
			"GET /api/v1/units/{unit}/past": d.apiPast,
		}},
		{RoleDesk, map[string]page{
			"POST /units/{unit}/data": d.setData, "POST /units/{unit}/work": d.setWork,
			"GET /import": d.importPage, "POST /import": d.importCSV,
		}},
		{RoleAdmin, map[string]page{
			"GET /audit": d.auditPage, "GET /accounts": d.accountsPage, "POST /accounts": d.setAccount,
		}},
	} {
		for pattern, h := range role.routes {
			mux.HandleFunc(pattern, d.only(role.needed, h))
		}
	}
	open("GET /login", d.loginPage)
	open("POST /login", d.signIn)
	open("POST /settings", d.choose)
	open("GET /assets/{name}", d.assets.serve)
	mux.HandleFunc("/", d.only(RoleRead, d.notFound))
	return mux
}
