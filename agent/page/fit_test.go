package page

import (
	"context"
	"errors"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/fit"
	"liftbank/agent/page/words"
	"liftbank/sensors"
)

// fitBench is a unit at rest that is fitted; its disconnect's contact is inverted. Its time goes on as a test has it.
type fitBench struct {
	mu                sync.Mutex
	cfg               config.Config
	text              []byte
	session           *fit.Session
	id                string
	at                time.Duration
	said              fit.Phrase
	open              bool // the disconnect
	silent            bool // no scan yet
	locked            error
	fail              error
	forms             map[string]bool
	left              *fit.Left
	changed, restarts bool
	done              fit.Finished
	papers            map[string][]byte
}

func newFitBench(t testing.TB) *fitBench {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	cfg, err := config.Parse("unit.yaml", text)
	require.NoError(t, err)
	return &fitBench{cfg: cfg, text: text, forms: map[string]bool{}, papers: map[string][]byte{}}
}

// passes lets time go on; with run the pump runs from the fifth second for ten.
func (d *fitBench) passes(seconds int, run bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := range seconds * 4 {
		d.at += 250 * time.Millisecond
		on := run && i >= 20 && i < 60
		f := fit.FrameOf(&d.cfg)
		f.At = d.at
		for ch := range d.cfg.Board.Channels {
			c := &d.cfg.Board.Channels[ch]
			v := map[config.Signal]float64{config.BatteryVoltage: 12.61, config.FeedVoltage: 12.6, config.BatteryTemperature: 21.4}[c.Signal]
			if on {
				v += map[config.Signal]float64{config.BatteryVoltage: -0.5, config.FeedVoltage: -0.5, config.BatteryCurrent: -52, config.MotorVoltage: 11.9,
					config.BatteryNegative: 0.03}[c.Signal]
			}
			f.Readings[ch].Value = v
		}
		for i, c := range d.cfg.Board.Contacts {
			level := c.Signal == config.MotorCommand && on || c.Signal == config.Disconnect && d.open
			f.Contacts[i] = map[bool]fit.Level{false: fit.Off, true: fit.On}[level]
		}
		if d.session != nil {
			d.session.Feed(f)
			if s := d.session.Say(); !s.Empty() {
				d.said = s
			}
		}
	}
}

func (d *fitBench) Look() (v fit.View, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.silent {
		return v, false
	}
	v.Left, v.Changed, v.Restarts = d.left, d.changed, d.restarts
	if d.session == nil {
		return v, true
	}
	s := d.session
	state := s.State()
	v = fit.View{Session: d.id, By: state.By, Begun: state.Begun, Revision: state.Done(), Steps: s.Steps(), Verdicts: s.Verdicts(), Wait: s.Ready(), Said: d.said}
	v.Step, v.Some = s.Step()
	for ch := range d.cfg.Board.Channels {
		if c := &d.cfg.Board.Channels[ch]; v.Step.Shows(c) {
			shown := fit.Shown{Channel: c.Name(), Unit: c.Unit(), Value: 12.61}
			if c.Signal == config.MotorVoltage {
				shown.Fault = "no answer"
			}
			v.Now = append(v.Now, shown)
		}
	}
	if v.Step.ShowsContacts() {
		for i, c := range d.cfg.Board.Contacts {
			v.Contacts = append(v.Contacts, fit.ShownContact{Signal: string(c.Signal), Level: fit.Level(i)})
		}
	}
	return v, true
}

func (d *fitBench) Begin(_ context.Context, id, by string, anew bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case by == "":
		return fit.ErrNoName
	case d.fail != nil:
		return d.fail
	case d.session == nil:
		d.session, d.id = fit.NewSession(&d.cfg, fit.State{By: by, Begun: calibratedAt, Config: fit.Hash(d.text)}), id
	}
	return nil
}

func (d *fitBench) Do(_ context.Context, a fit.Act) (err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	state := fit.State{}
	if d.session != nil {
		state = d.session.State()
	}
	st := fit.Step{}
	if d.session != nil {
		st, _ = d.session.Step()
	}
	switch {
	case d.forms[a.Form]:
		return nil
	case d.session == nil || d.id != a.Session:
		return fit.ErrNoSession
	case a.Revision != state.Done() || a.Do != fit.DoGo && st.ID != a.Step:
		return fit.ErrMoved
	case d.fail != nil:
		return d.fail
	case a.Do == fit.DoAnswer:
		err = d.session.Answer(a.Typed, calibratedAt)
	case a.Do == fit.DoSkip:
		d.session.Skip(a.Text, calibratedAt)
	case a.Do == fit.DoBack:
		d.session.Back()
	default:
		err = d.session.Choose(a.Text)
	}
	if err == nil {
		d.forms[a.Form], d.said = true, fit.Phrase{}
	}
	return err
}

func (d *fitBench) Stop(_ context.Context, id, _ string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.session == nil || d.id != id {
		return fit.ErrNoSession
	}
	state := d.session.State()
	d.left, d.session = &fit.Left{By: state.By, Begun: state.Begun, Done: state.Done()}, nil
	return nil
}

func (d *fitBench) Propose() (*fit.Proposal, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.session == nil {
		return nil, fit.ErrNoSession
	}
	p := &fit.Proposal{Changes: fit.Changes(d.session.Verdicts()), File: "/etc/liftbank/unit.yaml", Locked: d.locked}
	if len(p.Changes) == 0 {
		return p, nil
	}
	if p.Text, p.Problem = fit.Edit("unit.yaml", d.text, p.Changes); p.Problem == nil {
		p.Diff = fit.Diff(d.text, p.Text)
	}
	stored := fit.Stored{Channel: "battery_current_a", To: "battery_current_a", Offset: 0.3, Gain: 1.02, By: "R. Vale", At: calibratedAt, Fate: fit.Stays}
	p.Stored = append(p.Stored, stored.Say(&d.cfg))
	return p, nil
}

func (d *fitBench) Finish(_ context.Context, a fit.Act, write bool) (fit.Finished, error) {
	p, err := d.Propose()
	if err != nil {
		return fit.Finished{}, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case a.By == "":
		return fit.Finished{}, fit.ErrNoName
	case d.fail != nil:
		return fit.Finished{}, d.fail
	}
	d.done = fit.Finished{Record: "fit-lift-1-20260309T120000Z.json", Written: write}
	d.papers[d.done.Record] = []byte("{}\n")
	if p.Text != nil {
		d.done.File = "fit-lift-1-20260309T120000Z.yaml"
		d.papers[d.done.File] = p.Text
	}
	d.session = nil
	return d.done, nil
}

func (d *fitBench) Restart(string) error { return d.fail }

func (d *fitBench) Papers() (all []fit.Paper) {
	for name := range d.papers {
		all = append(all, fit.Paper{Name: name, At: calibratedAt, Record: strings.HasSuffix(name, ".json")})
	}
	slices.SortFunc(all, func(a, b fit.Paper) int { return strings.Compare(a.Name, b.Name) })
	return all
}

func (d *fitBench) Read(name string) ([]byte, error) {
	if text, ok := d.papers[name]; ok {
		return text, nil
	}
	return nil, fit.ErrNoPaper
}

func atFit(t testing.TB) (*counter, *fitBench) {
	d := newFitBench(t)
	s, _, _ := unit(t, sample(t, "healthy"), full(t, func(o *Options) { o.Fit = d }))
	return &counter{s: s, pin: rightPIN, lang: "en"}, d
}

// does sends a form with the hidden fields of the page, over those a pair says.
func (c *counter) fits(path, do string, pairs ...string) (int, string) {
	_, page := c.get("/fit")
	form := url.Values{"do": {do}}
	for _, name := range []string{"session", "token", "revision", "step"} {
		if m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page); m != nil {
			form.Set(name, m[1])
		}
	}
	for i := 0; i < len(pairs); i += 2 {
		form.Set(pairs[i], pairs[i+1])
	}
	return c.post(path, form)
}

// From the first step to the end without scripts, in both languages: what is wanted, what is refused and why, what
// was found, the changes, the signature, and the papers.
func TestFitWithoutScript(t *testing.T) {
	for _, l := range words.Languages {
		t.Run(l.Tag, func(t *testing.T) {
			c, d := atFit(t)
			c.lang = l.Tag
			w := l.W
			_, text := c.get("/check")
			assert.Contains(t, text, `href="/fit"`)
			_, text = c.get("/settings")
			assert.Contains(t, text, `href="/fit"`)
			_, text = c.get("/fit")
			assert.Contains(t, text, w["FitIntro"])
			assert.NotContains(t, text, w["FitGoOn"])
			code, text := c.fits("/fit/begin", "anew", "by", " ")
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, text, w["WantName"])
			code, _ = c.fits("/fit/begin", "anew", "by", "K. Ruiz")
			require.Equal(t, http.StatusSeeOther, code)
			_, text = c.get("/fit")
			assert.Contains(t, text, words.Fill(w["FitUsual"], "value", "0.5"))
			code, text = c.fits("/fit", "answer", "volt_pct", "9")
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, text, `value="9"`)
			code, _ = c.fits("/fit", "answer")
			require.Equal(t, http.StatusSeeOther, code)
			code, text = c.fits("/fit", "answer") // everything at rest, and nothing was seen yet
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, text, beginning(w["FitWait"]))
			for _, step := range []struct {
				do    string
				open  bool
				pairs []string
			}{
				{do: "answer"}, // at rest
				{do: "answer", pairs: []string{"volts", "12,61 V"}}, // post a
				{do: "skip", pairs: []string{"why", "no meter"}},
				{do: "answer", open: true}, {do: "answer"}, // disconnect
			} {
				d.open = step.open
				d.passes(20, false)
				code, text = c.fits("/fit", step.do, step.pairs...)
				require.Equal(t, http.StatusSeeOther, code, text)
			}
			d.passes(20, true)
			_, text = c.get("/fit/now")
			assert.Contains(t, text, w["FitReady"])
			assert.Contains(t, text, "9.8 s")
			code, _ = c.fits("/fit", "answer")
			require.Equal(t, http.StatusSeeOther, code)
			for {
				_, text = c.get("/fit")
				if !strings.Contains(text, `name="step"`) {
					break
				}
				code, _ = c.fits("/fit", "skip")
				require.Equal(t, http.StatusSeeOther, code)
			}
			assert.Contains(t, text, w["FitOutcome.changed"])
			assert.Contains(t, text, "active: ")
			assert.Contains(t, text, w["FitStored"])
			assert.Contains(t, text, w["FitWrite"])
			d.locked = errors.New("permission denied")
			_, text = c.get("/fit")
			assert.NotContains(t, text, w["FitWrite"])
			assert.Contains(t, text, w["FitLocked"])
			code, file := c.getAs("/fit/new.yaml")
			assert.Equal(t, http.StatusOK, code)
			_, err := config.Parse("unit.yaml", []byte(file))
			require.NoError(t, err)
			code, text = c.fits("/fit/end", "sign", "by", "")
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, text, w["WantName"])
			d.fail = errors.New("the card <is> full")
			code, text = c.fits("/fit/end", "write", "by", "K. Ruiz")
			assert.Equal(t, http.StatusInternalServerError, code)
			assert.Contains(t, text, "the card &lt;is&gt; full")
			d.fail = nil
			code, _ = c.fits("/fit/end", "sign", "by", "K. Ruiz")
			require.Equal(t, http.StatusSeeOther, code)
			for _, done := range []string{"written", "kept", "same"} {
				_, text = c.get("/fit?done=" + done)
				assert.Contains(t, text, w["FitSaid."+done])
			}
			_, text = c.get("/fit?done=%3Cb%3Ehostile")
			assert.NotContains(t, text, "<b>hostile")
			assert.Contains(t, text, d.done.Record)
			code, _ = c.getAs("/fit/papers/" + d.done.File)
			assert.Equal(t, http.StatusOK, code)
			code, _ = c.get("/fit/papers/" + d.done.File)
			assert.Equal(t, http.StatusSeeOther, code, "with the PIN only")
			code, _ = c.get("/fit/papers/none.json")
			assert.Equal(t, http.StatusNotFound, code)
		})
	}
}

// getAs is get with the session of who has the PIN.
func (c *counter) getAs(path string) (int, string) {
	session, _ := c.s.opts.PIN.Session()
	w := get(c.s, path, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "liftbank_session", Value: session}) })
	return w.Code, w.Body.String()
}

// Each error of the desk is said, with a fitting code; where no fitting can be, the page says why.
func TestFitSaysWhatIsWrong(t *testing.T) {
	w := words.English.W
	c, d := atFit(t)
	for err, want := range map[error]struct {
		code int
		text string
	}{
		fit.ErrChanged: {http.StatusConflict, w["FitChangedFile"]}, fit.ErrForeign: {http.StatusConflict, ""},
		errors.New("card"): {http.StatusInternalServerError, w["NotKeptMore"]},
	} {
		d.fail = err
		code, text := c.fits("/fit/begin", "on", "by", "K. Ruiz")
		assert.Equal(t, want.code, code)
		assert.Contains(t, text, want.text)
	}
	d.fail = nil
	code, text := c.fits("/fit", "answer", "session", "x", "token", "0123456789", "revision", "0")
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, text, w["FitOver"])
	code, _ = c.get("/fit/now")
	assert.Equal(t, http.StatusNotFound, code)
	code, _ = c.getAs("/fit/new.yaml")
	assert.Equal(t, http.StatusNotFound, code)
	d.left = &fit.Left{By: "<R>", Begun: calibratedAt, Done: 4}
	_, text = c.get("/fit")
	assert.Contains(t, text, "&lt;R&gt; left a fitting that was begun on 2026-03-09, with 4 steps done")
	assert.Contains(t, text, w["FitGoOn"])
	d.left.Foreign = true
	_, text = c.get("/fit")
	assert.Contains(t, text, "can’t be continued")
	assert.NotContains(t, text, w["FitGoOn"])
	d.changed = true
	_, text = c.get("/fit")
	assert.Contains(t, text, w["FitChangedFile"])
	assert.NotContains(t, text, w["FitBegin"])
	assert.NotContains(t, text, w["FitRestart"])
	d.restarts = true
	_, text = c.get("/fit")
	assert.Contains(t, text, w["FitRestart"])
	for err, want := range map[error]int{
		nil: http.StatusOK, fit.ErrNoRestart: http.StatusSeeOther, fmt.Errorf("%w: line 3", fit.ErrUnusable): http.StatusConflict,
		errors.New("card"): http.StatusInternalServerError,
	} {
		d.fail = err
		code, text = c.post("/fit/restart", nil)
		assert.Equal(t, want, code)
		if want == http.StatusConflict {
			assert.Contains(t, text, "line 3")
		}
	}
	d.fail, d.changed, d.left = nil, false, nil
	_, _ = c.fits("/fit/begin", "anew", "by", "K. Ruiz")
	d.fail = fit.ErrLong
	code, text = c.fits("/fit", "skip")
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, text, w["FitLong"])
	d.fail, d.silent = nil, true
	_, text = c.get("/fit")
	assert.Contains(t, text, "No scan yet")
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	none := &counter{t: t, s: s, pin: rightPIN, lang: "en"}
	_, text = none.get("/fit")
	assert.Contains(t, text, w["FitNone"])
	code, _ = none.post("/fit/begin", url.Values{"by": {"x"}})
	assert.Equal(t, http.StatusServiceUnavailable, code)
	code, _ = none.get("/fit/papers/fit-x-20260309T120000Z.json")
	assert.Equal(t, http.StatusNotFound, code)
}

// Who reads °F types °F, or says which.
func TestInCelsius(t *testing.T) {
	degrees, meters := &fit.Step{Kind: fit.Degrees}, &fit.Step{Kind: fit.Begin}
	ask := &fit.Ask{Unit: "°C"}
	for _, tt := range []struct {
		fahrenheit bool
		step       *fit.Step
		typed      string
		want       string
	}{
		{false, degrees, "21.4", "21.4"}, {false, degrees, " 21,4 °C", "21,4"}, {false, degrees, "70.5 F", "21.4"},
		{true, degrees, "70.5", "21.4"}, {true, degrees, "70,5 °F", "21.4"}, {true, degrees, "21.4 C", "21.4"}, {true, degrees, "70", "21"},
		{true, meters, "1.8", "1.0"}, {true, meters, "", ""}, {true, degrees, "warm", "warm"}, {true, degrees, "−4", "-20"},
	} {
		to := &words.Reader{Language: words.English, Fahrenheit: tt.fahrenheit}
		assert.Equal(t, tt.want, inCelsius(to, tt.step, ask, tt.typed), "%+v", tt)
	}
	assert.Equal(t, "12 V", inCelsius(words.Readers[1], degrees, &fit.Ask{Unit: "V"}, " 12 V"))
}

// forms returns the forms of all phrases in the sources of the fitting.
func forms(t *testing.T) (all []string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "fit", "*.go"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	at := map[string]int{"phrase": 0, "refuse": 0, "wait": 0, "say": 3, "beside": 5}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				name := ""
				switch fn := n.Fun.(type) {
				case *ast.Ident:
					name = fn.Name
				case *ast.SelectorExpr:
					name = fn.Sel.Name
				}
				if i, is := at[name]; is && len(n.Args) > i {
					if text, ok := literal(n.Args[i]); ok {
						all = append(all, text)
					}
				}
			case *ast.KeyValueExpr: // a form that is chosen among others
				if text, ok := literal(n.Value); ok && strings.Contains(text, "%s") {
					all = append(all, text)
				}
			case *ast.ValueSpec:
				for _, v := range n.Values {
					if text, ok := literal(v); ok && strings.Contains(text, "%s") {
						all = append(all, text)
					}
				}
			}
			return true
		})
	}
	for f := sensors.None + 1; int(f) < sensors.FaultCount; f++ {
		all = append(all, f.String())
	}
	for _, l := range []fit.Level{fit.Unknown, fit.Off, fit.On} {
		all = append(all, l.String())
	}
	all = append(all, "high", "low", "unknown fault")
	slices.Sort(all)
	return slices.Compact(all)
}

// literal returns a text that is written out, in one piece or several.
func literal(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			return constant.StringVal(constant.MakeFromLiteral(e.Value, e.Kind, 0)), true
		}
	case *ast.BinaryExpr:
		a, ok := literal(e.X)
		b, ok2 := literal(e.Y)
		return a + b, ok && ok2
	}
	return "", false
}

var verbs = regexp.MustCompile(`%[^a-z%]*[a-z%]`)

// Every language has each form of the fitting, with the same places in the same order, and no other.
func TestEveryFormOfAFittingIsTranslated(t *testing.T) {
	all := forms(t)
	require.Greater(t, len(all), 150)
	for _, l := range words.Languages {
		if l == words.English {
			assert.Empty(t, l.Fit)
			continue
		}
		for _, form := range all {
			said, have := l.Fit[form]
			if assert.True(t, have, "%s: %q is missing", l.Tag, form) {
				assert.Equal(t, verbs.FindAllString(form, -1), verbs.FindAllString(said, -1), "%s: %q", l.Tag, form)
			}
		}
		for form := range l.Fit {
			assert.Contains(t, all, form, "%s: nobody says it", l.Tag)
		}
	}
}

// Whatever is sent, the page answers and shows it as text.
func FuzzFit(f *testing.F) {
	for _, seed := range [][4]string{
		{"answer", "12,70", "post-a", "1"}, {"skip", "<script>alert(1)</script>", "begin", "0"}, {"back", "\x00", "", "x"}, {"", "look", "é", "-1"},
	} {
		f.Add(seed[0], seed[1], seed[2], seed[3])
	}
	d := newFitBench(f)
	s, _, _ := unit(f, sample(f, "healthy"), full(f, func(o *Options) { o.Fit, o.Visits = d, nil }))
	if err := d.Begin(f.Context(), "fuzz", "F", true); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, do, value, step, revision string) {
		c := &counter{t: t, s: s, pin: rightPIN, lang: "en-US"}
		form := url.Values{
			"do": {do}, "volts": {value}, "volt_pct": {value}, "celsius": {value}, "why": {value}, "go": {value}, "by": {value}, "step": {step},
			"revision": {revision}, "session": {"fuzz"}, "token": {"fuzz-" + revision + step},
		}
		for _, path := range []string{"/fit", "/fit/begin"} {
			code, text := c.post(path, form)
			if code >= 500 {
				t.Fatalf("%s: %d", path, code)
			}
			if strings.Contains(text, "<script>alert") {
				t.Fatalf("%q comes back as markup", value)
			}
		}
	})
}
