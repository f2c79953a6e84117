package web

import (
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/pin"
	"liftbank/agent/tries"
)

// Names of cookies: of a session, and of a browser that was let in once.
const (
	SessionCookie = "liftbank_session"
	DeviceCookie  = "liftbank_device"
)

// Access asks for the PIN before what changes something.
type Access struct {
	site   *Site
	toRead bool

	mu   sync.Mutex
	held []heldForm // oldest first
}

// heldForm is a form that waits for its PIN. It stays here: nothing of it is sent back before.
type heldForm struct {
	token string
	form  url.Values
	at    time.Time
}

// Bounds of what is held: a visit's first lines, of a few people at a time.
const (
	heldBytes = 4 << 10
	heldForms = 16
	heldFor   = 10 * time.Minute
)

// NewAccess returns the access to a site's forms. With toRead the PIN is asked for before anything
// is shown, too.
func NewAccess(s *Site, toRead bool) *Access { return &Access{site: s, toRead: toRead} }

// Routes registers the page of the PIN.
func (a *Access) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /pin", a.page)
	mux.HandleFunc("POST /pin", a.signIn)
	mux.HandleFunc("POST /pin/out", a.signOut)
}

// pinView is the form that asks for the PIN. Kept are the fields of a form that came without a
// session from a browser that was let in before: nothing typed is lost. Of anybody else's a short one
// is held here, by a token; of a long one the browser still has the text.
type pinView struct {
	W            map[string]string
	Action, Next string
	Wrong        string
	Kept         []hidden
	Held         string // token of a form that is held here
	GoBack       bool   // a form was sent, and not kept
	ToRead       bool   // the PIN is wanted to read, too
	None         bool   // no PIN was set
}

type hidden struct{ Name, Value string }

// Authorize lets a form pass that comes with a session or with the PIN itself, and else asks for
// it.
func (a *Access) Authorize(w http.ResponseWriter, r *http.Request) bool {
	if a.site.SignedIn(r) {
		return true
	}
	if a.site.PIN != nil && r.PostForm.Has("pin") {
		err := a.site.PIN.Try(tries.AddressOf(r), device(r), r.PostForm.Get("pin"))
		if err == nil {
			a.begin(w, r)
			a.release(r.PostForm)
			return true
		}
		a.ask(w, r, err)
		return false
	}
	a.ask(w, r, nil)
	return false
}

// begin starts a session for the browser, and lets it be known again.
func (a *Access) begin(w http.ResponseWriter, r *http.Request) {
	text, life := a.site.PIN.Session()
	http.SetCookie(w, cookie(r, SessionCookie, text, life))
	if !a.site.known(r) {
		http.SetCookie(w, cookie(r, DeviceCookie, a.site.PIN.Device(), pin.DeviceLife))
	}
}

// cookie returns a cookie for this unit's pages alone; over TLS it never goes out in the clear. A
// life below zero ends it.
func cookie(r *http.Request, name, value string, life time.Duration) *http.Cookie {
	return &http.Cookie{
		Name: name, Value: value, Path: "/", MaxAge: int(life.Seconds()), HttpOnly: true, Secure: r.TLS != nil,
		SameSite: http.SameSiteStrictMode,
	}
}

// ask shows the form for the PIN in place of what was asked. wrong is why the last one wasn't
// taken.
func (a *Access) ask(w http.ResponseWriter, r *http.Request, wrong error) {
	to := words.Of(r)
	v := pinView{W: to.W, Action: r.URL.Path, None: a.site.PIN == nil, ToRead: a.toRead}
	status := http.StatusUnauthorized
	wait, tooMany := errors.AsType[pin.WaitError](wrong)
	switch {
	case v.None:
		status, v.Wrong = http.StatusForbidden, to.W["PINNone"]
	case tooMany:
		status, v.Wrong = http.StatusTooManyRequests, words.Fill(to.W["PINWait"], "time", figures.Span(wait.For))
	case wrong != nil:
		v.Wrong = to.W["PINWrong"]
	}
	if WantsJSON(r) {
		a.site.SendError(w, r, status, strings.TrimSpace(to.W["PINAsk"]+" "+v.Wrong))
		return
	}
	if r.Method == http.MethodGet || r.Method == http.MethodHead {
		v.Action, v.Next = "/pin", OwnPath(r.URL.RequestURI())
	}
	if r.PostForm.Has("next") {
		v.Next = OwnPath(r.PostForm.Get("next"))
	}
	kept := keptOf(r.PostForm)
	switch {
	case a.site.known(r):
		v.Kept = kept
	case r.PostForm.Has("held"): // a wrong PIN: it still waits
		v.Held = r.PostForm.Get("held")
	case len(kept) > 0:
		if v.Held = a.hold(r.PostForm, kept); v.Held == "" {
			v.GoBack, v.Action = true, "/pin"
		}
	}
	a.site.Show(w, r, status, Content{Template: "pin", Data: v, Title: to.W["PINTitle"]})
}

// hold keeps a short form until its PIN is given, and returns its token; empty for a long one.
func (a *Access) hold(form url.Values, kept []hidden) (token string) {
	size := 0
	for _, k := range kept {
		size += len(k.Name) + len(k.Value)
	}
	if size > heldBytes {
		return ""
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.expire()
	if len(a.held) >= heldForms {
		a.held = slices.Delete(a.held, 0, 1)
	}
	token = Token()
	a.held = append(a.held, heldForm{token, maps.Clone(form), a.site.Now()})
	return token
}

// release adds the fields of the form that was held to the one that came with the PIN.
func (a *Access) release(form url.Values) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.expire()
	i := slices.IndexFunc(a.held, func(h heldForm) bool { return h.token == form.Get("held") })
	if i < 0 {
		return
	}
	for name, values := range a.held[i].form {
		if !form.Has(name) {
			form[name] = values
		}
	}
	a.held = slices.Delete(a.held, i, i+1)
}

// expire forgets what nobody gave the PIN for. The caller holds the lock.
func (a *Access) expire() {
	now := a.site.Now()
	a.held = slices.DeleteFunc(a.held, func(h heldForm) bool { return now.Sub(h.at) > heldFor })
}

// keptOf returns the fields of a form that are sent again with the PIN.
func keptOf(form url.Values) (kept []hidden) {
	for name, values := range form {
		for _, value := range values {
			if name != "pin" && name != "next" && name != "held" {
				kept = append(kept, hidden{name, value})
			}
		}
	}
	slices.SortStableFunc(kept, func(a, b hidden) int { return strings.Compare(a.Name+a.Value, b.Name+b.Value) })
	return kept
}

// signIn checks the PIN and continues where it was required.
func (a *Access) signIn(w http.ResponseWriter, r *http.Request) {
	if a.site.ReadForm(w, r) && a.Authorize(w, r) {
		http.Redirect(w, r, OwnPath(r.PostForm.Get("next")), http.StatusSeeOther)
	}
}

// page asks for the PIN at a person's own wish.
func (a *Access) page(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := pinView{
		W: to.W, Action: "/pin", Next: OwnPath(r.URL.Query().Get("next")), None: a.site.PIN == nil, ToRead: a.toRead,
	}
	if v.None {
		v.Wrong = to.W["PINNone"]
	}
	a.site.Show(w, r, http.StatusOK, Content{Template: "pin", Data: v, Title: to.W["PINTitle"]})
}

// signOut ends the session, here and in the browser. The browser stays known.
func (a *Access) signOut(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(SessionCookie); err == nil && a.site.PIN != nil {
		a.site.PIN.End(c.Value)
	}
	http.SetCookie(w, cookie(r, SessionCookie, "", -time.Second))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// Require asks for the PIN before a page that is of use only with it; it reports whether the
// page may be shown.
func (a *Access) Require(w http.ResponseWriter, r *http.Request) bool {
	if a.site.SignedIn(r) {
		return true
	}
	if a.site.PIN == nil {
		a.ask(w, r, nil)
		return false
	}
	http.Redirect(w, r, "/pin?"+url.Values{"next": {OwnPath(r.URL.RequestURI())}}.Encode(), http.StatusSeeOther)
	return false
}

// openPaths are shown to everybody, also where the PIN is wanted to read: without them nobody could
// sign in, and a service manager or Prometheus (which has a password of its own) has no session.
var openPaths = []string{"/pin", "/choices", "/healthz", "/readyz", "/metrics", "/manifest.webmanifest", "/worker.js"}

// Readers turns away those without a session where the PIN is wanted to read.
func (a *Access) Readers(next http.Handler) http.Handler {
	if !a.toRead {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reading := r.Method == http.MethodGet || r.Method == http.MethodHead // forms ask for themselves
		switch {
		case !reading || a.site.SignedIn(r), slices.Contains(openPaths, r.URL.Path),
			strings.HasPrefix(r.URL.Path, "/assets/"):
			next.ServeHTTP(w, r)
		case WantsJSON(r) || strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/live":
			a.site.SendError(w, r, http.StatusUnauthorized, words.Of(r).W["PINAsk"])
		default:
			a.Require(w, r)
		}
	})
}
