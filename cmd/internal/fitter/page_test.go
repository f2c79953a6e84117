package fitter_test

import (
	"context"
	"encoding/json"
	"html"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/fit"
	"liftbank/agent/safefile"
	settings "liftbank/agent/technician"
	"liftbank/cmd/internal/fitter"
	"liftbank/cmd/internal/fitting"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/internal/rig/gate"
	"liftbank/cmd/slowtest"
	"liftbank/sim"
)

// phone is somebody who fits a running unit on its page, without scripts.
type phone struct {
	t      *testing.T
	dir    string // of configuration and what is kept
	disk   *crash.Disk
	pin    string // file
	rig    *rig.Rig
	who    *fitter.Fitter
	lang   string
	unit   *agent.Agent
	gate   *gate.Clock
	client *http.Client
	addr   string
	stop   func()
	steps  map[string]fit.Step
	cfg    config.Config // as written
	locked bool          // the configuration's file can't be written
	ended  chan error    // of the agent
	seen   strings.Builder
}

// atPage returns somebody at a unit that is wired as one text says and configured as that with changes.
func atPage(t *testing.T, wiredText []byte, wrong func(*config.Config) []fit.Change, seed uint64, errs bool) *phone {
	t.Helper()
	x := before(t, wiredText, wrong, seed, errs)
	if x != nil {
		x.start()
	}
	return x
}

// before is atPage before the agent starts.
func before(t *testing.T, wiredText []byte, wrong func(*config.Config) []fit.Change, seed uint64, errs bool) *phone {
	t.Helper()
	wired, text := parse(t, wiredText), wiredText
	if wrong != nil {
		changes := wrong(&wired)
		if changes == nil {
			return nil
		}
		var err error
		text, err = fit.Edit("unit.yaml", wiredText, changes)
		require.NoError(t, err)
	}
	r, meters, err := fitter.Unit(wired, seed, errs)
	require.NoError(t, err)
	x := &phone{t: t, dir: "/fit", disk: crash.New("/fit"), pin: filepath.Join(t.TempDir(), "pin"), rig: r, who: fitter.New(r), lang: "en"}
	x.who.Meters = meters
	const few = "liftbank-pin-1 1000 XRHOStGhGEqNZfTp6i6y1g " + // 482915 in few rounds: a test is quick
		"u9pm4/VUZTAlt7nkoEED9bekQDQ5+85quIHqAgY+HQg BumezirLifEkzz7FLb6PyrZlp6JLfGKlLn21w6qo3js\n"
	require.NoError(t, os.WriteFile(x.pin, []byte(few), 0o600))
	t.Cleanup(disk.Use(x.disk))
	require.NoError(t, safefile.WriteFile(x.file(), text))
	return x
}

func (x *phone) file() string { return filepath.Join(x.dir, "unit.yaml") }

// start starts the agent with the configuration as it is now.
func (x *phone) start() {
	x.t.Helper()
	text, err := disk.ReadFile(x.file())
	require.NoError(x.t, err)
	x.cfg = parse(x.t, text)
	x.steps = map[string]fit.Step{}
	for _, st := range fit.Steps(&x.cfg) {
		x.steps[st.ID] = st
	}
	cfg := x.cfg
	cfg.MQTT = nil
	cfg.Visits.Dir, cfg.Visits.PINFile = filepath.Join(x.dir, "visits"), x.pin
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(x.t, err)
	x.gate = gate.NewWithin(x.rig.Clock)
	parts := x.rig.PartsAs(&cfg)
	parts.Clock = x.gate
	write := safefile.WriteFile
	if x.locked {
		write = func(string, []byte) error { return &os.PathError{Op: "open", Path: x.file(), Err: os.ErrPermission} }
	}
	x.unit, err = agent.New(agent.Options{
		Config: cfg, File: agent.File{Path: x.file(), Text: text, Write: write, Restarts: true}, Parts: parts, Listener: l, Session: "s", Version: "test",
		Log: slog.New(slog.DiscardHandler), Now: time.Now, StateFile: filepath.Join(x.dir, "state.json"),
	})
	require.NoError(x.t, err)
	ctx, cancel := context.WithCancel(x.t.Context())
	done := make(chan error, 1)
	x.ended = done
	go func() { done <- x.unit.Run(ctx) }()
	jar, err := cookiejar.New(nil)
	require.NoError(x.t, err)
	x.addr = "http://" + l.Addr().String()
	x.client = &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	x.stop = func() {
		cancel()
		x.gate.Open()
		assert.NoError(x.t, <-done)
		x.client.CloseIdleConnections()
	}
	x.passes(3 * time.Second)
}

// passes lets the unit's time go on by a span.
func (x *phone) passes(span time.Duration) {
	x.t.Helper()
	x.gate.Move(span)
	for deadline := time.Now().Add(time.Minute); !x.gate.Came(); time.Sleep(50 * time.Microsecond) {
		require.True(x.t, time.Now().Before(deadline), "the loop hangs")
	}
}

// send sends a form; time goes on meanwhile, for the loop takes orders between scans.
func (x *phone) send(path string, form url.Values) (int, string) {
	x.t.Helper()
	over, dripped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(dripped)
		for {
			select {
			case <-over:
				return
			case <-time.After(200 * time.Microsecond):
				if x.gate.Came() { // the loop has come this far
					x.gate.Move(100 * time.Millisecond)
				}
			}
		}
	}()
	code, text := x.do(http.MethodPost, path, form)
	close(over)
	<-dripped
	x.passes(0)
	return code, text
}

func (x *phone) do(method, path string, form url.Values) (int, string) {
	x.t.Helper()
	r, err := http.NewRequestWithContext(x.t.Context(), method, x.addr+path, strings.NewReader(form.Encode()))
	require.NoError(x.t, err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept-Language", x.lang)
	resp, err := x.client.Do(r)
	require.NoError(x.t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(x.t, err)
	require.NoError(x.t, resp.Body.Close())
	return resp.StatusCode, strings.ReplaceAll(html.UnescapeString(string(text)), "\u00a0", " ")
}

func (x *phone) page() string {
	x.t.Helper()
	code, text := x.do(http.MethodGet, "/fit", nil)
	require.Equal(x.t, http.StatusOK, code)
	x.seen.WriteString(text)
	return text
}

func (x *phone) begin(do string) {
	x.t.Helper()
	code, text := x.send("/fit/begin", url.Values{"by": {"K. Fitter"}, "pin": {"482915"}, "do": {do}})
	require.Equal(x.t, http.StatusSeeOther, code, problemOf(text))
}

var (
	hiddenField = regexp.MustCompile(`<input type="hidden" name="(session|token|revision|step)" value="([^"]*)"`)
	askedField  = regexp.MustCompile(`<input id="a-([a-z0-9_]+)" name`)
	problem     = regexp.MustCompile(`role="alert">([^<]*)`)
)

func problemOf(text string) string {
	if m := problem.FindStringSubmatch(text); m != nil {
		return m[1]
	}
	return ""
}

// form returns the hidden fields of a page.
func form(page, do string) url.Values {
	f := url.Values{"do": {do}}
	for _, m := range hiddenField.FindAllStringSubmatch(page, -1) {
		f.Set(m[1], m[2])
	}
	return f
}

// up returns the step that is up; ok is false at the end.
func (x *phone) up(page string) (fit.Step, bool) {
	id := form(page, "").Get("step")
	if id == "" {
		return fit.Step{}, false
	}
	st, known := x.steps[id]
	if !known { // a label, which follows from what was found
		name, is := strings.CutPrefix(id, "label-")
		require.True(x.t, is, id)
		ch := slices.IndexFunc(x.cfg.Board.Channels, func(c config.Channel) bool { return c.Name() == name })
		st = fit.Step{ID: id, Kind: fit.Label, Channel: ch, Battery: x.cfg.Board.Channels[ch].Battery}
	}
	st.Asks = nil
	for _, m := range askedField.FindAllStringSubmatch(page, -1) {
		st.Asks = append(st.Asks, fit.Ask{Name: m[1]})
	}
	return st, true
}

const waits = 8 // that an answer is sent again

// step does the step that is up; ok is false at the end.
func (x *phone) step() bool {
	x.t.Helper()
	page := x.page()
	st, ok := x.up(page)
	if !ok {
		return false
	}
	x.who.Step(st)
	lines := x.acts()
	for range waits {
		f := form(page, "answer")
		if why, skips := strings.CutPrefix(lines[0], "skip"); skips {
			f.Set("do", "skip")
			f.Set("why", strings.TrimSpace(why))
		} else {
			for i, a := range st.Asks {
				f.Set(a.Name, lines[i])
			}
		}
		code, text := x.send("/fit", f)
		if code == http.StatusSeeOther {
			return true
		}
		require.Equal(x.t, http.StatusUnprocessableEntity, code, "%s: %s", st.ID, problemOf(text))
		x.passes(4 * time.Second)
		page = text
	}
	require.Fail(x.t, "not taken", "%s: %s: %s", st.ID, lines, problemOf(page))
	return false
}

// acts does what was planned for a step and returns what was typed.
func (x *phone) acts() (lines []string) {
	for {
		after, do, line, more := x.who.Next()
		if !more {
			return lines
		}
		if after > 0 {
			x.passes(after)
		}
		if do != nil {
			x.rig.ByHand(do)
			continue
		}
		lines = append(lines, line())
	}
}

// fits goes through all steps, and returns the page at the end.
func (x *phone) fits() string {
	x.t.Helper()
	const most = 120
	for range most {
		if !x.step() {
			return x.page()
		}
	}
	require.Fail(x.t, "no end", x.page())
	return ""
}

// ends signs, and returns the record.
func (x *phone) ends(do string) fit.Document {
	x.t.Helper()
	f := form(x.page(), do)
	f.Set("by", "K. Fitter")
	code, text := x.send("/fit/end", f)
	require.Equal(x.t, http.StatusSeeOther, code, problemOf(text))
	code, text = x.send("/fit/end", f) // tapped twice
	require.Equal(x.t, http.StatusSeeOther, code, problemOf(text))
	return x.record()
}

func (x *phone) record() (doc fit.Document) {
	x.t.Helper()
	names := x.papers(".json")
	require.NotEmpty(x.t, names)
	text, err := disk.ReadFile(names[len(names)-1])
	require.NoError(x.t, err)
	require.NoError(x.t, json.Unmarshal(text, &doc))
	return doc
}

// papers returns the files that came of fittings, oldest first.
func (x *phone) papers(ext string) (names []string) {
	x.t.Helper()
	all, err := x.disk.ReadDir(filepath.Join(x.dir, "visits"))
	require.NoError(x.t, err)
	for _, e := range all {
		if strings.HasPrefix(e.Name(), "fit-") && filepath.Ext(e.Name()) == ext {
			names = append(names, filepath.Join(x.dir, "visits", e.Name()))
		}
	}
	slices.Sort(names)
	return names
}

func (x *phone) written() config.Config {
	x.t.Helper()
	text, err := disk.ReadFile(x.file())
	require.NoError(x.t, err)
	return parse(x.t, text)
}

func saidIn(d fit.Document, o fit.Outcome) (all []string) {
	return said(fitting.Result{Document: d}, o)
}

// Each mis-wiring is found and mended through the phone's forms, on a whole running unit; nothing is raised
// meanwhile.
func TestEachMiswiringOnThePage(t *testing.T) {
	slowtest.SkipUnderRace(t)
	mended := 0
	for name, text := range boards(t) {
		for _, m := range fitter.Miswirings {
			t.Run(name+"/"+m.Name, func(t *testing.T) {
				if !usual(name, m.Name) {
					slowtest.Long(t)
				}
				x := atPage(t, text, m.Of, 7, true)
				if x == nil {
					t.Log("this board can't have it")
					return
				}
				defer func() { x.stop() }()
				x.begin("anew")
				end := x.fits()
				s := x.unit.Hub().Current()
				require.NotNil(t, s.Work)
				assert.Equal(t, "K. Fitter", s.Work.By)
				for _, f := range s.Findings {
					assert.NotEqual(t, "active", f.State, f.Name)
				}
				assert.Contains(t, end, "Wrong, and certain")
				doc := x.ends("write")
				assert.NotEmpty(t, saidIn(doc, fit.Changed))
				assert.Empty(t, saidIn(doc, fit.ByHand))
				now, wired := x.written(), parse(t, text)
				assert.True(t, fit.Same(&wired.Board, &now.Board), "%v", saidIn(doc, fit.Changed))
				assert.Nil(t, x.unit.Hub().Current().Work, "it ends with the fitting")
				if !t.Failed() {
					mended++
				}
			})
		}
	}
	t.Logf("%d mis-wirings found and mended on the page", mended)
}

// Sound boards change nothing.
func TestSoundBoardsOnThePage(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for name, text := range boards(t) {
		t.Run(name, func(t *testing.T) {
			x := atPage(t, text, nil, 3, true)
			defer func() { x.stop() }()
			x.begin("anew")
			end := x.fits()
			assert.NotContains(t, end, "new.yaml")
			doc := x.ends("sign")
			assert.Empty(t, saidIn(doc, fit.Changed))
			assert.Empty(t, saidIn(doc, fit.ByHand))
			assert.Equal(t, doc.Before, doc.After)
			got, err := disk.ReadFile(x.file())
			require.NoError(t, err)
			assert.Equal(t, string(text), string(got))
		})
	}
}

// does does so many steps.
func (x *phone) does(steps int) {
	x.t.Helper()
	for range steps {
		require.True(x.t, x.step())
	}
}

// tries sends a form for the step that is up.
func (x *phone) tries(do string, pairs ...string) (int, string) {
	x.t.Helper()
	f := form(x.page(), do)
	for i := 0; i < len(pairs); i += 2 {
		f.Set(pairs[i], pairs[i+1])
	}
	return x.send("/fit", f)
}

func (x *phone) signIn() {
	x.t.Helper()
	code, _ := x.send("/pin", url.Values{"pin": {"482915"}})
	require.Equal(x.t, http.StatusSeeOther, code)
}

// stepIs returns the step that is up, empty at the end.
func (x *phone) stepIs() string { return form(x.page(), "").Get("step") }

// The agent is stopped and started again after each few steps, and in the middle of a run: it goes on where it
// was, and comes to the same end.
func TestAgentRestartsDuringAFitting(t *testing.T) {
	slowtest.SkipUnderRace(t)
	x := atPage(t, two(t), miswired(t, "reversed-clamp"), 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	for k := 0; x.stepIs() != ""; k++ {
		if k%6 == 3 {
			at, page := x.stepIs(), x.page()
			x.rig.ByHand(func(u *sim.Unit) { u.Button(true) })
			x.passes(3 * time.Second)
			x.rig.ByHand(func(u *sim.Unit) { u.Button(false) })
			x.stop()
			x.start()
			assert.Equal(t, at, x.stepIs())
			assert.Equal(t, form(page, "").Get("session"), form(x.page(), "").Get("session"), "forms of before still count")
			x.signIn()
			x.passes(10 * time.Second)
		}
		x.does(1)
	}
	doc := x.ends("write")
	assert.Empty(t, saidIn(doc, fit.ByHand))
	now, wired := x.written(), parse(t, two(t))
	assert.True(t, fit.Same(&wired.Board, &now.Board))
	x.stop()
	x.start()
	assert.Contains(t, x.page(), "Start fitting")
	assert.Contains(t, x.page(), "Record, ")
}

// Two phones: what one does the other sees; who sends a form of another step, or sends one twice, changes
// nothing; and who has no PIN neither.
func TestTwoFitAtOnce(t *testing.T) {
	x := atPage(t, two(t), nil, 5, true)
	defer func() { x.stop() }()
	code, _ := x.send("/fit/begin", url.Values{"by": {"K. Fitter"}})
	assert.Equal(t, http.StatusUnauthorized, code)
	code, text := x.send("/fit/begin", url.Values{"by": {" "}, "pin": {"482915"}})
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, problemOf(text), "Enter your name")
	x.begin("anew")
	first := form(x.page(), "").Get("session")
	x.begin("anew") // on the other phone: it is the same
	assert.Equal(t, first, form(x.page(), "").Get("session"))
	old := form(x.page(), "answer")
	x.does(2)
	at := x.stepIs()
	require.Equal(t, "post-a", at)
	code, text = x.send("/fit", old)
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, problemOf(text), "Somebody else")
	old.Set("revision", "2")
	code, _ = x.send("/fit", old)
	assert.Equal(t, http.StatusConflict, code, "of another step")
	assert.Equal(t, at, x.stepIs())

	skip := form(x.page(), "skip")
	skip.Set("why", "no meter")
	for range 3 { // tapped thrice
		code, _ = x.send("/fit", skip)
		assert.Equal(t, http.StatusSeeOther, code)
	}
	assert.Equal(t, "post-b", x.stepIs())
	code, _ = x.tries("back")
	require.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "post-a", x.stepIs())
	x.does(1)
	assert.Equal(t, "post-b", x.stepIs())
	code, _ = x.tries("", "go", "look")
	require.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "look", x.stepIs())
	for _, bad := range [][]string{{"", "go", "<b>"}, {"dance"}, {"answer", "token", "x"}, {"answer", "revision", "many"}, {"answer", "session", "other"}} {
		code, text = x.tries(bad[0], bad[1:]...)
		assert.GreaterOrEqual(t, code, 400, bad)
		assert.Less(t, code, 500, bad)
		assert.NotEmpty(t, problemOf(text), bad)
	}

	stop := form(x.page(), "")
	for range 2 {
		code, _ = x.send("/fit/stop", stop)
		assert.Equal(t, http.StatusSeeOther, code)
	}
	assert.Nil(t, x.unit.Hub().Current().Work)
	page := x.page()
	assert.Contains(t, page, "K. Fitter left a fitting")
	code, text = x.send("/fit", old)
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, problemOf(text), "has ended or was stopped")
	x.begin("on")
	assert.NotEqual(t, "begin", x.stepIs())
	code, _ = x.send("/fit/stop", form(x.page(), ""))
	require.Equal(t, http.StatusSeeOther, code)
	x.begin("anew")
	assert.Equal(t, "begin", x.stepIs())

	x.client.Jar, _ = cookiejar.New(nil) // somebody without the PIN
	for _, path := range []string{"/fit", "/fit/stop", "/fit/end", "/fit/begin"} {
		code, _ = x.send(path, form(x.page(), "write"))
		assert.Equal(t, http.StatusUnauthorized, code, path)
	}
	code, _ = x.do(http.MethodGet, "/fit/new.yaml", nil)
	assert.Equal(t, http.StatusSeeOther, code)
	assert.Equal(t, "begin", x.stepIs())

	// An answer that waited for the PIN is of before it: it is sent again, and what was typed is there.
	f := form(x.page(), "answer")
	f.Set("volt_pct", "0.7")
	f.Set("pin", "482915")
	code, text = x.send("/fit", f)
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, problemOf(text), "PIN accepted")
	assert.Contains(t, text, `value="0.7"`)
	assert.Equal(t, "begin", x.stepIs())
}

// While somebody fits it, the board is read four times a second, and as before when nobody does.
func TestTheBoardIsReadFasterWhileItIsFitted(t *testing.T) {
	x := atPage(t, two(t), nil, 5, false)
	defer func() { x.stop() }()
	scans := func() int {
		from := x.unit.Core().Stats().Scans // the loop waits
		x.passes(20 * time.Second)
		return int(x.unit.Core().Stats().Scans - from)
	}
	assert.InDelta(t, 20, scans(), 2)
	x.begin("anew")
	x.passes(2 * time.Second)
	assert.InDelta(t, 80, scans(), 4)
	code, _ := x.send("/fit/stop", form(x.page(), ""))
	require.Equal(t, http.StatusSeeOther, code)
	x.passes(2 * time.Second)
	assert.InDelta(t, 20, scans(), 2)
}

// Whatever is typed, it is a figure within its bounds or refused with what is wanted, and what was typed stays.
func TestGarbageOnThePage(t *testing.T) {
	x := atPage(t, two(t), nil, 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	code, text := x.tries("answer", "volt_pct", "7")
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, problemOf(text), "want a figure from 0 to 3 %")
	x.does(2)
	x.passes(6 * time.Second)
	for _, typed := range []string{"", "much", "12.7.1", "1e3", "NaN", "--4", "61", "-61 V", "<script>alert(1)</script>", strings.Repeat("9", 300), "12 A", "\x00"} {
		code, text = x.tries("answer", "volts", typed)
		assert.Equal(t, http.StatusUnprocessableEntity, code, "%q", typed)
		assert.Contains(t, text, "want a figure from −60 to 60 V", "%q", typed)
		assert.Equal(t, "post-a", x.stepIs())
	}
	code, _ = x.tries("answer", "volts", "12,71 v")
	assert.Equal(t, http.StatusSeeOther, code)

	// Who reads °F types °F.
	x.lang = "en-US"
	code, _ = x.tries("", "go", "thermistor-a")
	require.Equal(t, http.StatusSeeOther, code)
	assert.Contains(t, x.page(), "Thermometer, °F")
	x.passes(8 * time.Second)
	code, text = x.tries("answer", "celsius", "61.3")
	require.Equal(t, http.StatusSeeOther, code, problemOf(text))
	x.lang = "en"
	doc := x.skipRest()
	for _, s := range doc.Steps {
		if s.Step == "thermistor-a" {
			assert.InDelta(t, (61.3-32)*5/9, s.Records[0].Typed[0].Value, 0.06)
		}
	}
}

// skipRest skips what is left, and signs.
func (x *phone) skipRest() fit.Document {
	x.t.Helper()
	for x.stepIs() != "" {
		code, text := x.tries("skip", "why", "enough")
		require.Equal(x.t, http.StatusSeeOther, code, problemOf(text))
	}
	return x.ends("sign")
}

// A sensor that comes off in a step, and a chip that falls silent in a run, are said, and nothing is measured
// of them.
func TestUnpluggedOnThePage(t *testing.T) {
	x := atPage(t, two(t), nil, 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	x.does(2)
	x.passes(5 * time.Second)
	x.rig.ByHand(func(*sim.Unit) { x.rig.Silence(0, true) })
	x.passes(6 * time.Second)
	code, text := x.tries("answer", "volts", "12.7")
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, problemOf(text), "input chip volts gave no readings (no answer): check its wires and supply")
	assert.Contains(t, text, `value="12.7"`)
	assert.Contains(t, text, "(no answer)")
	x.rig.ByHand(func(*sim.Unit) { x.rig.Silence(0, false) })
	x.passes(20 * time.Second)
	x.does(1)
	for x.stepIs() != "run-a" {
		x.does(1)
	}
	x.passes(8 * time.Second)
	x.rig.ByHand(func(u *sim.Unit) { u.Button(true) })
	x.passes(5 * time.Second)
	assert.Contains(t, x.page(), "the pump runs")
	x.rig.ByHand(func(*sim.Unit) { x.rig.BrownOut() })
	x.passes(6 * time.Second)
	x.rig.ByHand(func(u *sim.Unit) { u.Button(false) })
	x.passes(4 * time.Second)
	assert.Contains(t, x.page(), "This run does not count")
	code, text = x.tries("answer", "amps", "53")
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, problemOf(text), "no run of 7.5 s has been seen")
	x.passes(20 * time.Second)
	x.does(1)
	assert.NotEqual(t, "run-a", x.stepIs())
}

// A fitting that is taken up shows what the board reads now, not what it read when it was left.
func TestTakenUpShowsWhatIsReadNow(t *testing.T) {
	x := atPage(t, two(t), nil, 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	x.does(2)
	x.rig.ByHand(func(*sim.Unit) { x.rig.Silence(0, true) })
	x.passes(5 * time.Second)
	require.Contains(t, x.page(), "(no answer)")
	code, _ := x.send("/fit/stop", form(x.page(), ""))
	require.Equal(t, http.StatusSeeOther, code)
	x.rig.ByHand(func(*sim.Unit) { x.rig.Silence(0, false) })
	x.passes(time.Minute)
	code, _ = x.send("/work", url.Values{"do": {"begin"}, "by": {"K. Fitter"}}) // so that beginning waits for no scan
	require.Equal(t, http.StatusSeeOther, code)
	x.begin("on")
	page := x.page()
	require.Contains(t, page, "Positive post of battery a")
	assert.NotContains(t, page, "(no answer)")
}

// A configuration's file that the monitor may not write: the new one is shown, kept and handed to who has the
// PIN, and in its place it is right.
func TestAConfigurationThatCantBeWritten(t *testing.T) {
	slowtest.SkipUnderRace(t)
	x := atPage(t, two(t), miswired(t, "swapped-clamps"), 5, true)
	defer func() { x.stop() }()
	x.stop()
	x.locked = true
	x.start()
	x.begin("anew")
	end := x.fits()
	assert.Contains(t, end, "may not write its configuration file")
	assert.NotContains(t, end, `value="write"`)
	code, proposed := x.do(http.MethodGet, "/fit/new.yaml", nil)
	require.Equal(t, http.StatusOK, code)
	f := form(end, "write") // by hand
	f.Set("by", "K. Fitter")
	code, text := x.send("/fit/end", f)
	assert.Equal(t, http.StatusInternalServerError, code)
	assert.Contains(t, problemOf(text), "nothing was changed")
	doc := x.ends("sign")
	got, err := disk.ReadFile(x.file())
	require.NoError(t, err)
	assert.Equal(t, doc.Before, fit.Hash(got), "it is as it was")
	names := x.papers(".yaml")
	require.Len(t, names, 1)
	kept, err := disk.ReadFile(names[0])
	require.NoError(t, err)
	assert.Equal(t, proposed, string(kept))
	assert.Equal(t, doc.After, fit.Hash(kept))
	path := "/fit/papers/" + filepath.Base(names[0])
	code, text = x.do(http.MethodGet, path, nil)
	require.Equal(t, http.StatusOK, code)
	assert.Equal(t, string(kept), text)
	code, _ = x.do(http.MethodGet, "/fit/papers/"+filepath.Base(x.papers(".json")[0]), nil)
	assert.Equal(t, http.StatusOK, code)
	for _, bad := range []string{"technician.json", "..%2Funit.yaml", "fit-x-20260101T000000Z.json", "fit.json"} {
		code, _ = x.do(http.MethodGet, "/fit/papers/"+bad, nil)
		assert.Contains(t, []int{http.StatusNotFound, http.StatusBadRequest}, code, bad)
	}
	x.client.Jar, _ = cookiejar.New(nil)
	code, _ = x.do(http.MethodGet, path, nil)
	assert.Equal(t, http.StatusSeeOther, code, "it may name accounts")

	require.NoError(t, safefile.WriteFile(x.file(), kept)) // somebody puts it in place
	now, wired := x.written(), parse(t, two(t))
	assert.True(t, fit.Same(&wired.Board, &now.Board))
	code, text = x.send("/fit/begin", url.Values{"by": {"K. Fitter"}, "pin": {"482915"}, "do": {"anew"}})
	assert.Equal(t, http.StatusConflict, code, "the monitor runs with the old one yet")
	assert.Contains(t, problemOf(text), "not the one that the monitor runs with")
	x.stop()
	x.start()
	x.begin("anew")
	assert.Equal(t, "begin", x.stepIs())
}

// The page restarts the monitor with the configuration that was written, and with no other, nor with one that can't be
// used. A calibration that was under way has to take its readings again.
func TestRestartFromThePage(t *testing.T) {
	x := atPage(t, two(t), miswired(t, "inverted-disconnect"), 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	x.does(2)
	for x.stepIs() != "opened" {
		code, _ := x.tries("skip")
		require.Equal(t, http.StatusSeeOther, code)
	}
	x.does(2)
	for x.stepIs() != "" {
		code, _ := x.tries("skip")
		require.Equal(t, http.StatusSeeOther, code)
	}
	code, _ := x.send("/calibrate/begin", url.Values{"by": {"K. Fitter"}})
	require.Equal(t, http.StatusSeeOther, code)
	x.rig.ByHand(func(u *sim.Unit) { u.Disconnect(false) })
	x.passes(30 * time.Second)
	_, page := x.do(http.MethodGet, "/calibrate/zero", nil)
	zero := form(page, "take")
	zero.Set("parted", "1")
	code, page = x.send("/calibrate/zero", zero)
	require.Equal(t, http.StatusSeeOther, code, problemOf(page))
	_, page = x.do(http.MethodGet, "/calibrate/zero", nil)
	assert.Contains(t, page, "Take the zero again")
	code, _ = x.send("/fit/restart", nil)
	assert.Equal(t, http.StatusSeeOther, code, "there is no other configuration yet")
	x.ends("write")
	page = x.page()
	assert.Contains(t, page, "Restart the monitor now")
	good, err := disk.ReadFile(x.file())
	require.NoError(t, err)
	require.NoError(t, safefile.WriteFile(x.file(), append([]byte("boards: {}\n"), good...)))
	code, page = x.send("/fit/restart", nil)
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, problemOf(page), "boards")
	require.NoError(t, safefile.WriteFile(x.file(), good))
	jar := x.client.Jar
	x.client.Jar, _ = cookiejar.New(nil)
	code, _ = x.send("/fit/restart", nil)
	assert.Equal(t, http.StatusUnauthorized, code)
	x.client.Jar = jar
	code, page = x.do(http.MethodPost, "/fit/restart", nil)
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, page, "The monitor restarts")
	x.gate.Open()
	x.gate.Move(time.Minute)
	err = <-x.ended
	assert.NoError(t, err)
	x.ended <- err // for stop
	x.stop()
	x.start()
	assert.Contains(t, x.page(), "Start fitting")
	_, page = x.do(http.MethodGet, "/calibrate/zero", nil)
	assert.NotContains(t, page, "Take the zero again")
}

// The configuration's file is changed by somebody else while the unit is fitted: nothing is written over it.
func TestAConfigurationThatChangesMeanwhile(t *testing.T) {
	x := atPage(t, two(t), miswired(t, "inverted-disconnect"), 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	for x.stepIs() != "" {
		if at := x.stepIs(); at == "begin" || at == "look" || at == "opened" || at == "closed" {
			x.does(1)
			continue
		}
		code, _ := x.tries("skip", "why", "not today")
		require.Equal(t, http.StatusSeeOther, code)
	}
	text, err := disk.ReadFile(x.file())
	require.NoError(t, err)
	other := append(text, "# more\n"...)
	require.NoError(t, safefile.WriteFile(x.file(), other))
	f := form(x.page(), "write")
	f.Set("by", "K. Fitter")
	code, answer := x.send("/fit/end", f)
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, problemOf(answer), "not the one that the monitor runs with")
	got, err := disk.ReadFile(x.file())
	require.NoError(t, err)
	assert.Equal(t, string(other), string(got))
	x.stop()
	x.start()
	page := x.page()
	assert.Contains(t, page, "it can’t be continued")
	x.signIn()
	code, _ = x.send("/fit/begin", url.Values{"by": {"K. Fitter"}, "do": {"on"}})
	assert.Equal(t, http.StatusConflict, code)
	x.begin("anew")
	assert.Equal(t, "begin", x.stepIs())
}

// Each file operation of the end fails, once or from then on: the configuration is the old one or the new one,
// whole; the next try, or the next start, comes to the end.
func TestEachOperationOfTheEndOnThePageFails(t *testing.T) {
	slowtest.SkipUnderRace(t)
	var atEnd []byte
	for _, forever := range []bool{false, true} {
		every := map[bool]int{false: 1, true: 4}[forever] // what fails from then on is much the same for the next
		if !slowtest.LongAsked() {
			every *= 4
		}
		for n, failed := 1, true; failed; n += every {
			x := before(t, two(t), miswired(t, "inverted-disconnect"), 5, true)
			was, err := disk.ReadFile(x.file())
			require.NoError(t, err)
			if atEnd != nil { // with all steps done
				require.NoError(t, safefile.MakeDir(filepath.Join(x.dir, "visits"), 0o750))
				require.NoError(t, safefile.Save(filepath.Join(x.dir, "visits", fit.UnitState), atEnd))
			}
			x.start()
			if atEnd != nil {
				x.signIn()
			} else {
				x.begin("anew")
				for x.stepIs() != "" {
					if at := x.stepIs(); at == "begin" || at == "look" || at == "opened" || at == "closed" {
						x.does(1)
						continue
					}
					code, _ := x.tries("skip", "why", "not today")
					require.Equal(t, http.StatusSeeOther, code)
				}
				atEnd, err = safefile.Look(filepath.Join(x.dir, "visits", fit.UnitState))
				require.NoError(t, err)
			}
			f := form(x.page(), "write")
			f.Set("by", "K. Fitter")
			failed = false
			ours := 0
			x.disk.FailWith(func(_ int, _, name string) error {
				if strings.Contains(name, "state.json") || strings.Contains(name, "tries") {
					return nil
				}
				if ours++; ours == n || forever && ours > n {
					failed = true
					return syscall.EIO
				}
				return nil
			})
			code, text := x.send("/fit/end", f)
			x.disk.FailWith(nil)
			got, err := disk.ReadFile(x.file())
			require.NoError(t, err)
			isNew := string(got) != string(was)
			cfg, wired := parse(t, got), parse(t, two(t))
			assert.Equal(t, isNew, fit.Same(&wired.Board, &cfg.Board), "operation %d", n)
			if code == http.StatusSeeOther {
				assert.True(t, isNew, "operation %d", n)
				assert.Equal(t, fit.Hash(got), x.record().After)
			} else {
				assert.NotEmpty(t, problemOf(text), "operation %d", n)
				if !isNew {
					x.ends("write")
					assert.True(t, fit.Same(&wired.Board, new(x.written().Board)))
				}
			}
			x.stop()
			if n%8 == 1 {
				x.start()
				assert.NotContains(t, x.page(), "can’t be continued", "operation %d", n)
				x.stop()
			}
			require.Less(t, n, 100)
		}
	}
}

// One goes on where the other stopped: the terminal on what the page left, and the page on the terminal's.
func TestPageAndTerminalGoOnWithEachOther(t *testing.T) {
	slowtest.SkipUnderRace(t)
	terminal := func(x *phone) *fitting.Terminal {
		text, err := disk.ReadFile(x.file())
		require.NoError(t, err)
		return &fitting.Terminal{Path: x.file(), Text: text, Config: parse(t, text), Write: safefile.WriteFile, Program: "test", Kept: filepath.Join(x.dir, "visits")}
	}
	x := atPage(t, two(t), miswired(t, "swapped-taps"), 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	x.does(7)
	at := x.stepIs()
	x.stop()
	var out strings.Builder
	x.who.Echo = &out
	first := ""
	x.who.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if first == "" {
			first = st.ID
		}
		if st.Kind == fit.Breaker { // far on
			f.Type(time.Second, func() string { return "quit" })
			return true
		}
		return false
	}
	_, err := x.who.Go(t.Context(), terminal(x))
	require.ErrorIs(t, err, fitting.ErrLeft, &out)
	assert.Equal(t, at, first)
	assert.Contains(t, out.String(), "taken up where K. Fitter left it")

	x.who.Instead = nil
	x.start()
	assert.Contains(t, x.page(), "K. Fitter left a fitting")
	x.begin("on")
	assert.Equal(t, "breaker", x.stepIs())
	x.fits()
	doc := x.ends("write")
	assert.Empty(t, saidIn(doc, fit.ByHand))
	now, wired := x.written(), parse(t, two(t))
	assert.True(t, fit.Same(&wired.Board, &now.Board))
	_, err = disk.ReadFile(fit.StateFile(x.file()))
	require.ErrorIs(t, err, os.ErrNotExist)
	x.stop()

	// Nothing is left for either, and what the terminal ends is over for the page.
	x.start()
	x.begin("anew")
	x.does(3)
	x.stop()
	out.Reset()
	r, err := x.who.Go(t.Context(), terminal(x))
	require.NoError(t, err, &out)
	assert.Contains(t, out.String(), "taken up where")
	assert.False(t, r.Written)
	x.start()
	assert.NotContains(t, x.page(), "left a fitting")
}

// A state that can't be removed by who ends the fitting is known to be over.
func TestAnEndThatCantRemoveTheOthersState(t *testing.T) {
	x := atPage(t, two(t), nil, 5, true)
	defer func() { x.stop() }()
	x.begin("anew")
	x.does(2)
	x.stop()
	state, err := safefile.Look(filepath.Join(x.dir, "visits", fit.UnitState))
	require.NoError(t, err)
	require.NoError(t, safefile.Save(fit.StateFile(x.file()), state)) // as if a terminal had left it
	x.start()
	x.signIn()
	x.disk.FailWith(func(_ int, op, name string) error {
		if strings.HasPrefix(name, fit.StateFile(x.file())) && op == "remove" {
			return syscall.EACCES
		}
		return nil
	})
	x.skipRest()
	x.disk.FailWith(nil)
	for range 2 {
		assert.NotContains(t, x.page(), "left a fitting")
		x.stop()
		x.start()
	}
}

// Corrections that are stored at the unit: it is measured without them, each is named with what becomes of it, and
// with the new configuration that comes true.
func TestCorrectionsStoredAtTheUnit(t *testing.T) {
	slowtest.SkipUnderRace(t)
	store := func(x *phone) {
		over, err := settings.Open(filepath.Join(x.dir, "visits", "technician.json"))
		require.NoError(t, err)
		values := map[string]string{}
		for _, ch := range []string{"battery_current_a", "battery_current_b", "battery_voltage_b"} {
			values[settings.ChannelPath(ch, settings.Gain)] = "1.2"
		}
		values[settings.ChannelPath("battery_current_a", settings.Offset)] = "0.3"
		values[settings.ChannelPath("battery_current_b", settings.Offset)] = "0.2"
		require.NoError(t, over.Set(&x.cfg, settings.Change{Values: values, By: "R. Vale", At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)}))
	}
	correction := func(x *phone, channel string) [2]float64 {
		for _, c := range x.unit.Hub().Current().Channels {
			if c.Name == channel && c.Calibration != nil {
				return [2]float64{c.Calibration.Offset, c.Calibration.Gain}
			}
		}
		return [2]float64{0, 1}
	}

	// On a sound board they are no reason to change anything.
	x := atPage(t, two(t), nil, 5, true)
	x.stop()
	store(x)
	x.start()
	assert.Equal(t, [2]float64{0.3, 1.2}, correction(x, "battery_current_a"))
	x.begin("anew")
	end := x.fits()
	assert.Contains(t, end, "The current sensor of battery a is corrected at the unit (offset 0.3 A, gain 1.2, by R. Vale on 2026-05-04), and was measured "+
		"without that; the correction stays.")
	doc := x.ends("sign")
	assert.Empty(t, saidIn(doc, fit.Changed))
	assert.Empty(t, saidIn(doc, fit.ByHand))
	require.Len(t, doc.Stored, 3)
	x.stop()

	// Swapped, turned round and of another scale.
	x = atPage(t, two(t), func(cfg *config.Config) []fit.Change {
		all := miswired(t, "swapped-clamps")(cfg)
		all = append(all, fit.Change{List: "channels", Index: clampA, Field: "scale.v_per_a",
			To: strconv.FormatFloat(-cfg.Board.Channels[clampA].Scale.VPerA, 'f', -1, 64)})
		return append(all, miswired(t, "wrong-divider")(cfg)...)
	}, 5, true)
	defer func() { x.stop() }()
	x.stop()
	store(x)
	x.start()
	x.begin("anew")
	end = x.fits()
	for _, want := range []string{
		"the correction goes to the current sensor of battery a with its sensor, the other way round.",
		"the correction goes to the current sensor of battery b with its sensor.",
		"The tap of battery b is corrected at the unit (offset 0 V, gain 1.2, by R. Vale on 2026-05-04), and was measured without that; the correction " +
			"lapses with the new configuration",
	} {
		assert.Contains(t, end, want)
	}
	doc = x.ends("write")
	fates := map[string]fit.Fate{}
	for _, s := range doc.Stored {
		fates[s.Channel] = s.Fate
	}
	assert.Equal(t, map[string]fit.Fate{"battery_current_a": fit.Stays, "battery_current_b": fit.Turns, "battery_voltage_b": fit.Lapses}, fates)
	x.stop()
	x.start()
	assert.Equal(t, [2]float64{0, 1}, correction(x, "battery_voltage_b"))
	assert.Equal(t, [2]float64{-0.2, 1.2}, correction(x, "battery_current_a"))
	assert.Equal(t, [2]float64{0.3, 1.2}, correction(x, "battery_current_b"))
}

// In Spanish nothing is left in English.
func TestAFittingInSpanish(t *testing.T) {
	slowtest.SkipUnderRace(t)
	x := atPage(t, two(t), func(cfg *config.Config) []fit.Change {
		return slices.Concat(miswired(t, "swapped-taps")(cfg), miswired(t, "half-scale-clamp")(cfg), miswired(t, "inverted-coil")(cfg), miswired(t, "wrong-thermistor")(cfg))
	}, 5, true)
	defer func() { x.stop() }()
	x.lang = "es"
	x.begin("anew")
	_, refused := x.tries("answer", "volt_pct", "nada")
	x.seen.WriteString(refused)
	x.fits()
	x.seen.WriteString(x.page())
	text := regexp.MustCompile(`(?s)<pre.*?</pre>|<head>.*?</head>|<svg.*?</svg>|<[^>]*>`).ReplaceAllString(x.seen.String(), " ")
	assert.Empty(t, regexp.MustCompile(`[^.]*\b(?:the|battery|shows|meter|its|not|of|run|step)\b[^.]*`).FindAllString(text, 5))
	for _, want := range []string{
		"La entrada de la toma de la batería b está en el borne positivo de la batería a: cambiados", "su etiqueta lo explica",
		"El contacto de la bobina del contactor está invertido", "hace falta una cifra de 0 a 3 %", "Una marcha sin la batería a",
	} {
		assert.Contains(t, text, want)
	}
}
