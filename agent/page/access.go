package page

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"liftbank/agent/pin"
)

const (
	sessionCookie = "liftbank_session"
	maxBody       = 256 << 10 // of a form; a visit filled to its limits is larger, but not one that a person has typed
)

// readForm reads a form of bounded size, or says what was wrong with it.
func (s *Server) readForm(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	err := r.ParseForm()
	if err == nil {
		return true
	}
	to, status := readerOf(r), http.StatusBadRequest
	m := message{Head: to.W["BadForm"], Text: to.W["BadFormMore"]}
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		status, m = http.StatusRequestEntityTooLarge, message{Head: to.W["TooLarge"], Text: to.W["TooLargeMore"]}
	}
	s.fail(w, r, status, m)
	return false
}

// fail answers with an error, as a page or as JSON for a script.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, status int, m message) {
	if wantsJSON(r) {
		s.sendJSON(w, r, status, errorAnswer{strings.TrimSpace(m.Head + " " + m.Text)})
		return
	}
	s.say(w, r, status, m)
}

func wantsJSON(r *http.Request) bool { return r.Header.Get("Accept") == typeJSON }

// signedIn reports whether the browser has a session.
func (s *Server) signedIn(r *http.Request) bool {
	c, err := r.Cookie(sessionCookie)
	return err == nil && s.opts.PIN != nil && s.opts.PIN.Valid(c.Value)
}

// pinView is the form that asks for the PIN. Kept are the fields of a form that came without a
// session: nothing typed is lost.
type pinView struct {
	W            map[string]string
	Action, Next string
	Wrong        string
	Kept         []hidden
	None         bool // no PIN was set
}

type hidden struct{ Name, Value string }

// authorize lets a form pass that comes with a session or with the PIN itself, and else asks for
// it.
func (s *Server) authorize(w http.ResponseWriter, r *http.Request) bool {
	if s.signedIn(r) {
		return true
	}
	if s.opts.PIN != nil && r.PostForm.Has("pin") {
		err := s.opts.PIN.Try(addressOf(r), r.PostForm.Get("pin"))
		if err == nil {
			s.begin(w)
			return true
		}
		s.askPIN(w, r, err)
		return false
	}
	s.askPIN(w, r, nil)
	return false
}

// begin starts a session for the browser.
func (s *Server) begin(w http.ResponseWriter) {
	text, life := s.opts.PIN.Session()
	http.SetCookie(w, &http.Cookie{
		Name: sessionCookie, Value: text, Path: "/", MaxAge: int(
			life.Seconds(),
		), HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
}

// askPIN shows the form for the PIN in place of what was asked. wrong is why the last one wasn't
// taken.
func (s *Server) askPIN(w http.ResponseWriter, r *http.Request, wrong error) {
	to := readerOf(r)
	v := pinView{W: to.W, Action: r.URL.Path, None: s.opts.PIN == nil}
	status := http.StatusUnauthorized
	wait, tooMany := errors.AsType[pin.WaitError](wrong)
	switch {
	case v.None:
		status, v.Wrong = http.StatusForbidden, to.W["PINNone"]
	case tooMany:
		status, v.Wrong = http.StatusTooManyRequests, fill(to.W["PINWait"], "time", span(wait.For))
	case wrong != nil:
		v.Wrong = to.W["PINWrong"]
	}
	if wantsJSON(r) {
		s.sendJSON(w, r, status, errorAnswer{strings.TrimSpace(to.W["PINAsk"] + " " + v.Wrong)})
		return
	}
	if r.Method == http.MethodGet || r.Method == http.MethodHead {
		v.Action, v.Next = "/pin", ownPath(r.URL.RequestURI())
	}
	for name, values := range r.PostForm {
		for _, value := range values {
			switch name {
			case "pin":
			case "next":
				v.Next = value
			default:
				v.Kept = append(v.Kept, hidden{name, value})
			}
		}
	}
	slices.SortFunc(v.Kept, func(a, b hidden) int { return strings.Compare(a.Name+a.Value, b.Name+b.Value) })
	s.show(w, r, status, content{template: "pin", data: v, title: to.W["PINTitle"]})
}

// signIn checks the PIN and continues where it was required.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	if s.readForm(w, r) && s.authorize(w, r) {
		http.Redirect(w, r, ownPath(r.PostForm.Get("next")), http.StatusSeeOther)
	}
}

// pinPage asks for the PIN at a person's own wish.
func (s *Server) pinPage(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	v := pinView{W: to.W, Action: "/pin", Next: ownPath(r.URL.Query().Get("next")), None: s.opts.PIN == nil}
	if v.None {
		v.Wrong = to.W["PINNone"]
	}
	s.show(w, r, http.StatusOK, content{template: "pin", data: v, title: to.W["PINTitle"]})
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{
		Name: sessionCookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// addressOf returns the address that tries of the PIN are counted by.
func addressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// token returns a random ID for a form, so that a form sent twice is recognized.
func (s *Server) token() string {
	b := make([]byte, 8)
	rand.Read(b) // never fails
	return hex.EncodeToString(b)
}

// requirePIN asks for the PIN before a page that is of use only with it; it reports whether the
// page may be shown.
func (s *Server) requirePIN(w http.ResponseWriter, r *http.Request) bool {
	if s.signedIn(r) {
		return true
	}
	if s.opts.PIN == nil {
		s.askPIN(w, r, nil)
		return false
	}
	http.Redirect(w, r, "/pin?"+url.Values{"next": {ownPath(r.URL.RequestURI())}}.Encode(), http.StatusSeeOther)
	return false
}
