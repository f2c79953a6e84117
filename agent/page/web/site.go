// Package web is what all pages of a unit share: the frame around them, their files, the guard
// before them, and the PIN.
package web

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"liftbank/agent/page/words"
	"liftbank/agent/pin"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// MaxBody limits a form, in bytes: a visit filled to its limits is larger, but not one that a
// person has typed.
const MaxBody = 256 << 10

const choiceAgeS = 365 * 24 * 3600 // how long a browser keeps a reader's choices

// Site is what every page knows of its unit.
type Site struct {
	Hub        *snapshot.Hub
	Now        func() time.Time // the process's clock
	StaleAfter time.Duration    // age at which readings are called old
	Log        *slog.Logger
	PIN        *pin.Gate     // who may change something; nil: nobody
	WorkTime   time.Duration // after which work under way ends by itself; 0: there is no switch
	Assets     Assets
	Place      func() string // what people call the unit and where it is, for the bar; empty if nobody has said it
	At         func() string // where it is alone
}

// NewSite returns the site of a unit.
func NewSite(
	hub *snapshot.Hub, now func() time.Time, staleAfter time.Duration, log *slog.Logger, gate *pin.Gate,
) *Site {
	nowhere := func() string { return "" }
	return &Site{Hub: hub, Now: now, StaleAfter: staleAfter, Log: log, PIN: gate, Assets: newAssets(), Place: nowhere, At: nowhere}
}

// Routes registers the files of the pages, and the choice of language and unit, which stays in the
// browser.
func (s *Site) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /assets/{name}", s.Assets.serve)
	mux.HandleFunc("POST /choices", s.choose)
	s.offlineRoutes(mux)
}

// ReadForm reads a form of bounded size, or says what was wrong with it. From a browser that was
// never let in, no more is read than a PIN and a few lines.
func (s *Site) ReadForm(w http.ResponseWriter, r *http.Request) bool {
	if !s.Limit(w, r, 0) {
		return false
	}
	err := r.ParseForm()
	if err == nil {
		return true
	}
	to, status := words.Of(r), http.StatusBadRequest
	m := Message{Head: to.W["BadForm"], Text: to.W["BadFormMore"]}
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		status, m = http.StatusRequestEntityTooLarge, Message{Head: to.W["TooLarge"], Text: to.W["TooLargeMore"]}
	}
	s.Fail(w, r, status, m)
	return false
}

// Limit bounds what is read of a form, by who sends it, and reserves the memory for its texts; it
// answers where there is none. A browser that was let in once may send more bytes of files besides,
// which the caller must not keep in memory.
func (s *Site) Limit(w http.ResponseWriter, r *http.Request, files int64) bool {
	most, all := int64(smallBody), int64(smallBody)
	if s.SignedIn(r) || s.known(r) {
		most, all = MaxBody, MaxBody+files
	}
	length := r.ContentLength
	if length < 0 || length > most { // not said, or more than is read
		length = most
	}
	if !reserve(r, length*workOverhead) {
		busy(w)
		return false
	}
	r.Body = http.MaxBytesReader(w, r.Body, all)
	return true
}

// Fail answers with an error, as a page or as JSON for a script.
func (s *Site) Fail(w http.ResponseWriter, r *http.Request, status int, m Message) {
	if WantsJSON(r) {
		s.SendError(w, r, status, strings.TrimSpace(m.Head+" "+m.Text))
		return
	}
	s.Say(w, r, status, m)
}

// WantsJSON reports whether a script asks, not a person.
func WantsJSON(r *http.Request) bool { return r.Header.Get("Accept") == TypeJSON }

// SignedIn reports whether the browser has a session.
func (s *Site) SignedIn(r *http.Request) bool {
	c, err := r.Cookie(SessionCookie)
	return err == nil && s.PIN != nil && s.PIN.Valid(c.Value)
}

// device returns what a browser shows of a time that it was let in.
func device(r *http.Request) string {
	c, err := r.Cookie(DeviceCookie)
	if err != nil {
		return ""
	}
	return c.Value
}

// known reports whether the browser was let in before, under the present PIN.
func (s *Site) known(r *http.Request) bool {
	if s.PIN == nil {
		return false
	}
	_, known := s.PIN.Known(device(r))
	return known
}

// Token returns a random ID for a form, so that a form sent twice is recognized.
func Token() string {
	b := make([]byte, 8)
	rand.Read(b) // never fails
	return hex.EncodeToString(b)
}

// Message is a page that says one thing.
type Message struct {
	W          map[string]string
	Head, Text string
	Path, Link string // where to go on
}

// Say sends a page that says one thing.
func (s *Site) Say(w http.ResponseWriter, r *http.Request, status int, m Message) {
	to := words.Of(r)
	m.W = to.W
	if m.Path == "" {
		m.Path, m.Link = "/", to.W["NavNow"]
	}
	s.Show(w, r, status, Content{Template: "message", Data: m, Title: m.Head})
}

// Facts returns what the agent knows now.
func (s *Site) Facts() visit.Facts {
	f := visit.Facts{At: s.Now().UTC(), Snapshot: s.Hub.Current()}
	if f.Snapshot != nil {
		f.ClockTrusted = f.Snapshot.ClockTrusted
		if s.Hub.Age() < s.StaleAfter {
			f.At = f.Snapshot.At // the unit's own time, which a demonstration's runs faster
		}
	}
	return f
}

// choose keeps a reader's choice in the browser. It changes nothing on the unit.
func (s *Site) choose(w http.ResponseWriter, r *http.Request) {
	if !s.ReadForm(w, r) {
		return
	}
	keep := func(name, value string) {
		http.SetCookie(w, &http.Cookie{
			Name: name, Value: value, Path: "/", MaxAge: choiceAgeS, HttpOnly: true, SameSite: http.SameSiteStrictMode,
		})
	}
	if v := r.PostForm.Get("lang"); v != "" {
		for _, l := range words.Languages {
			if l.Tag == v {
				keep(words.LangCookie, v)
			}
		}
	}
	if v := r.PostForm.Get("temp"); v == "c" || v == "f" {
		keep(words.TempCookie, v)
	}
	http.Redirect(w, r, OwnPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

// OwnPath returns path if it is a path of this unit, or else the first page, so that nobody can be
// sent elsewhere.
func OwnPath(path string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n\t") {
		return "/"
	}
	return path
}
