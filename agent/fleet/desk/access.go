package desk

import (
	"context"
	"errors"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/tries"
	"liftbank/agent/visit"
)

const (
	sessionCookie = "liftbank_desk"
	sessionLife   = 12 * time.Hour // a working day; our choice
	maxForm       = 64 << 10       // bytes
	maxImport     = 32 << 20       // bytes: 100,000 units of 320
)

// Tries of passwords: bursts, and the pace at which they come back. Our choice: with 12 characters that
// nobody else uses, guessing takes longer than the machine lasts.
const (
	triesOfOne = 10
	triesOfAll = 100
	tryEvery   = 30 * time.Second
)

// hashing is how many passwords are hashed at a time; each takes 19 MiB.
const hashing = 2

type access struct {
	opts  Options
	tries *tries.Limit
	slots chan struct{}
}

func newAccess(o Options) *access {
	return &access{
		opts: o, slots: make(chan struct{}, hashing),
		tries: tries.New(tries.Options{OfOne: triesOfOne, OfAll: triesOfAll, Every: tryEvery, Now: o.Now}),
	}
}

// who is somebody that has signed in.
type who struct {
	Name  string
	Role  Role
	Proxy bool // by a proxy: there is nothing to sign out of
	// Seen is the revision before the page was made: what came after it, the page may not have.
	Seen int64
}

// Desk and Admin are for templates.
func (w who) Desk() bool  { return w.Role.May(RoleDesk) }
func (w who) Admin() bool { return w.Role.May(RoleAdmin) }

// page answers somebody who has signed in.
type page func(w http.ResponseWriter, r *http.Request, by who)

// only lets those pass whose role allows it.
func (d *Desk) only(needed Role, h page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		seen, _, _ := d.live.state()
		by, err := d.access.of(r)
		by.Seen = seen
		switch wait, limited := errors.AsType[waitError](err); {
		case limited:
			d.fail(w, r, http.StatusTooManyRequests, d.text(words.Of(r), "Wait", "time", figures.Span(wait.span)))
			return
		case errors.Is(err, ErrUnknown):
			d.wantLogin(w, r)
			return
		case err != nil:
			d.broken(w, r, err)
			return
		case !by.Role.May(needed):
			d.fail(w, r, http.StatusForbidden, d.text(words.Of(r), "NotAllowed", "role", d.text(words.Of(r), "Role."+string(needed))))
			return
		}
		h(w, r, by)
	}
}

// wantLogin asks a person to sign in, and tells a program.
func (d *Desk) wantLogin(w http.ResponseWriter, r *http.Request) {
	if isAPI(r) || r.URL.Path == "/live" || r.Method != http.MethodGet && r.Method != http.MethodHead {
		d.fail(w, r, http.StatusUnauthorized, d.text(words.Of(r), "WantLogin"))
		return
	}
	http.Redirect(w, r, "/login?"+url.Values{"next": {web.OwnPath(r.URL.RequestURI())}}.Encode(), http.StatusSeeOther)
}

func isAPI(r *http.Request) bool { return strings.HasPrefix(r.URL.Path, "/api/") || web.WantsJSON(r) }

// of returns who a request is from: by the proxy's word, a session, or name and password of a program.
func (a *access) of(r *http.Request) (who, error) {
	if name, ok := a.proxied(r); ok {
		return a.byProxy(r.Context(), name)
	}
	if c, err := r.Cookie(sessionCookie); err == nil {
		l, acc, err := a.opts.Store.Login(r.Context(), hashToken(c.Value))
		if err != nil {
			return who{}, err
		}
		if !a.opts.Now().Before(l.Until) {
			return who{}, ErrUnknown
		}
		return who{Name: acc.Name, Role: acc.Role}, nil
	}
	// A browser sends these only where it was asked for them, and it never is: no page elsewhere can
	// use them.
	if name, password, ok := r.BasicAuth(); ok && isAPI(r) {
		acc, err := a.check(r, name, password)
		if err != nil {
			return who{}, err
		}
		return who{Name: acc.Name, Role: acc.Role}, nil
	}
	return who{}, ErrUnknown
}

// proxied returns the name that the proxy says, if it is the proxy that asks.
func (a *access) proxied(r *http.Request) (string, bool) {
	if !a.isProxy(r) {
		return "", false
	}
	// Twice the header is a client's own beside the proxy's: none is believed.
	values := r.Header.Values(a.opts.Proxy.Header)
	if len(values) != 1 || CheckName(values[0]) != nil {
		return "", false
	}
	return values[0], true
}

// isProxy reports whether a request is from the proxy that signs on.
func (a *access) isProxy(r *http.Request) bool {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && within(a.opts.Proxy.From, from.Addr())
}

// address returns the address that tries are counted by.
func (a *access) address(r *http.Request) string { return a.opts.Proxy.asker(r).address }

func (a *access) byProxy(ctx context.Context, name string) (who, error) {
	acc, err := a.opts.Store.Account(ctx, name)
	switch {
	case err == nil:
		return who{Name: acc.Name, Role: acc.Role, Proxy: true}, nil
	case errors.Is(err, ErrUnknown) && a.opts.Proxy.Role != "":
		return who{Name: name, Role: a.opts.Proxy.Role, Proxy: true}, nil
	}
	return who{}, err
}

// waitError is for too many tries.
type waitError struct{ span time.Duration }

func (e waitError) Error() string { return "too many tries: wait " + e.span.String() }

// check returns the account of that name if the password is right, ErrUnknown if not.
func (a *access) check(r *http.Request, name, password string) (*Account, error) {
	address := a.address(r)
	if wait := a.tries.Take(address); wait > 0 {
		return nil, waitError{wait}
	}
	ctx := r.Context()
	acc, err := a.opts.Store.Account(ctx, name)
	if err != nil && !errors.Is(err, ErrUnknown) {
		return nil, err
	}
	select {
	case a.slots <- struct{}{}:
		defer func() { <-a.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if acc == nil {
		verify(nobody(), password)
		return nil, ErrUnknown
	}
	if len(password) > MaxPassword || !verify(acc.Hash, password) {
		return nil, ErrUnknown
	}
	a.tries.Right(address, false)
	return acc, nil
}

// begin starts a session.
func (a *access) begin(w http.ResponseWriter, r *http.Request, name string) error {
	token := newToken()
	l := Login{Hash: hashToken(token), Account: name, Until: a.opts.Now().Add(sessionLife)}
	if err := a.opts.Store.AddLogin(r.Context(), l); err != nil {
		return err
	}
	http.SetCookie(w, a.cookie(r, token, sessionLife))
	return nil
}

// cookie returns the session's cookie; over TLS, the proxy's included, it never goes out in the clear.
func (a *access) cookie(r *http.Request, value string, life time.Duration) *http.Cookie {
	return &http.Cookie{
		Name: sessionCookie, Value: value, Path: "/", MaxAge: int(life.Seconds()), HttpOnly: true,
		Secure:   a.opts.Proxy.asker(r).secure,
		SameSite: http.SameSiteStrictMode,
	}
}

type loginView struct {
	view
	Next, Name, Wrong string
	None              bool // there is no account yet
}

func (d *Desk) loginPage(w http.ResponseWriter, r *http.Request) {
	d.askLogin(w, r, http.StatusOK, loginView{Next: web.OwnPath(r.URL.Query().Get("next"))})
}

func (d *Desk) askLogin(w http.ResponseWriter, r *http.Request, status int, v loginView) {
	all, err := d.opts.Store.Accounts(r.Context())
	if err != nil {
		d.broken(w, r, err)
		return
	}
	v.None = len(all) == 0
	v.view = d.viewOf(r, who{})
	d.show(w, r, status, "login", "SignIn", &v)
}

func (d *Desk) signIn(w http.ResponseWriter, r *http.Request) {
	if !d.readForm(w, r, maxForm) {
		return
	}
	v := loginView{Next: web.OwnPath(r.PostForm.Get("next")), Name: visit.Tidy(r.PostForm.Get("name"), false)}
	acc, err := d.access.check(r, v.Name, r.PostForm.Get("password"))
	to := words.Of(r)
	entry := AuditEntry{At: d.opts.Now(), Who: cut(v.Name, maxName), Action: ActionSignIn, What: d.access.address(r)}
	switch wait, limited := errors.AsType[waitError](err); {
	case limited:
		v.Wrong = d.text(to, "Wait", "time", figures.Span(wait.span))
		d.askLogin(w, r, http.StatusTooManyRequests, v)
		return
	case errors.Is(err, ErrUnknown):
		entry.Action = ActionRefused
		if err := d.opts.Store.Note(r.Context(), entry); err != nil {
			d.broken(w, r, err)
			return
		}
		v.Wrong = d.text(to, "WrongPassword")
		d.askLogin(w, r, http.StatusUnauthorized, v)
		return
	case err != nil:
		d.broken(w, r, err)
		return
	}
	if err := errors.Join(d.opts.Store.Note(r.Context(), entry), d.access.begin(w, r, acc.Name)); err != nil {
		d.broken(w, r, err)
		return
	}
	http.Redirect(w, r, v.Next, http.StatusSeeOther)
}

func (d *Desk) signOut(w http.ResponseWriter, r *http.Request, by who) {
	if c, err := r.Cookie(sessionCookie); err == nil {
		entry := AuditEntry{At: d.opts.Now(), Who: by.Name, Action: ActionSignOut}
		if err := errors.Join(d.opts.Store.EndLogin(r.Context(), hashToken(c.Value)), d.opts.Store.Note(r.Context(), entry)); err != nil {
			d.broken(w, r, err)
			return
		}
	}
	http.SetCookie(w, d.access.cookie(r, "", -time.Second))
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

type accountView struct {
	view
	Wrong, Done string
}

func (d *Desk) accountPage(w http.ResponseWriter, r *http.Request, by who) {
	d.show(w, r, http.StatusOK, "account", "Account", &accountView{view: d.viewOf(r, by)})
}

// changePassword sets one's own password. All sessions end by it, but for a new one of this browser.
func (d *Desk) changePassword(w http.ResponseWriter, r *http.Request, by who) {
	if !d.readForm(w, r, maxForm) {
		return
	}
	v := accountView{view: d.viewOf(r, by)}
	acc, err := d.access.check(r, by.Name, r.PostForm.Get("old"))
	fresh := r.PostForm.Get("new")
	status := http.StatusBadRequest
	switch wait, limited := errors.AsType[waitError](err); {
	case limited:
		v.Wrong = d.text(v.To, "Wait", "time", figures.Span(wait.span))
	case errors.Is(err, ErrUnknown):
		v.Wrong = d.text(v.To, "WrongPassword")
	case err != nil:
		d.broken(w, r, err)
		return
	case CheckPassword(fresh) != nil:
		v.Wrong = d.text(v.To, "BadPassword")
	default:
		acc.Hash = HashPassword(fresh)
		if err := errors.Join(d.opts.Store.SetAccount(r.Context(), by.Name, d.opts.Now(), *acc), d.access.begin(w, r, acc.Name)); err != nil {
			d.broken(w, r, err)
			return
		}
		status, v.Done = http.StatusOK, d.text(v.To, "Saved")
	}
	d.show(w, r, status, "account", "Account", &v)
}

type accountsView struct {
	view
	Accounts    []Account
	Roles       []Role
	Wrong, Done string
}

func (d *Desk) accountsPage(w http.ResponseWriter, r *http.Request, by who) {
	d.showAccounts(w, r, http.StatusOK, accountsView{view: d.viewOf(r, by)})
}

func (d *Desk) showAccounts(w http.ResponseWriter, r *http.Request, status int, v accountsView) {
	var err error
	if v.Accounts, err = d.opts.Store.Accounts(r.Context()); err != nil {
		d.broken(w, r, err)
		return
	}
	v.Roles = Roles
	d.show(w, r, status, "accounts", "Accounts", &v)
}

// setAccount adds an account, changes its role or password, or removes it. The last admin stays.
func (d *Desk) setAccount(w http.ResponseWriter, r *http.Request, by who) {
	if !d.readForm(w, r, maxForm) {
		return
	}
	v := accountsView{view: d.viewOf(r, by)}
	f, ctx, store := r.PostForm, r.Context(), d.opts.Store
	name, role := f.Get("name"), Role(f.Get("role"))
	old, err := store.Account(ctx, name)
	if err != nil && !errors.Is(err, ErrUnknown) {
		d.broken(w, r, err)
		return
	}
	all, err := store.Accounts(ctx)
	if err != nil {
		d.broken(w, r, err)
		return
	}
	admins := 0
	for _, a := range all {
		if a.Role == RoleAdmin {
			admins++
		}
	}
	lastAdmin := old != nil && old.Role == RoleAdmin && admins == 1
	switch f.Get("do") {
	case "remove":
		switch {
		case old == nil:
			v.Wrong = d.text(v.To, "NoAccount")
		case lastAdmin:
			v.Wrong = d.text(v.To, "LastAdmin")
		default:
			err = store.RemoveAccount(ctx, by.Name, d.opts.Now(), name)
		}
	default:
		a := Account{Name: name, Role: role, SetAt: d.opts.Now()}
		password := f.Get("password")
		if old != nil {
			a.Hash = old.Hash
		}
		switch {
		case CheckName(name) != nil:
			v.Wrong = d.text(v.To, "BadName")
		case CheckRole(role) != nil:
			v.Wrong = d.text(v.To, "BadRole")
		case (old == nil || password != "") && CheckPassword(password) != nil:
			v.Wrong = d.text(v.To, "BadPassword")
		case lastAdmin && role != RoleAdmin:
			v.Wrong = d.text(v.To, "LastAdmin")
		default:
			if password != "" {
				a.Hash = HashPassword(password)
			}
			err = store.SetAccount(ctx, by.Name, d.opts.Now(), a)
		}
	}
	switch {
	case err != nil:
		d.broken(w, r, err)
	case v.Wrong != "":
		d.showAccounts(w, r, http.StatusBadRequest, v)
	default:
		http.Redirect(w, r, "/accounts", http.StatusSeeOther)
	}
}

func cut(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most])
	}
	return s
}
