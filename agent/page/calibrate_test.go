package page

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/calibrate"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
	"liftbank/sensors/calibration"
)

// benchDesk is a unit whose channels show what a test sets, with the session's own rules.
type benchDesk struct {
	mu      sync.Mutex
	bench   *calibrate.Bench
	session *calibrate.Session
	fail    error
	ended   int
	applied int
}

func steadyMean(v float64) calibrate.Mean {
	return calibrate.Mean{Value: v, Sigma: 0.01, DF: 7, Spread: 0.02, Drift: 0.005, Count: 20, OverS: 20}
}

func newDesk() *benchDesk {
	open := false
	d := &benchDesk{bench: &calibrate.Bench{Around: calibrate.Around{Contact: &open, RestFor: 3 * time.Hour, OwnA: 0.06}}}
	add := func(name, battery, unit string, q calibrate.Quantity, c calibrate.Class, most, value float64) {
		d.bench.Channels = append(d.bench.Channels, calibrate.Live{
			Name: name, Battery: battery, RatedAh: 100, Unit: unit, From: "configuration", Base: calibrate.Correction{Gain: 1},
			Channel: calibrate.Channel{
				Quantity: q, Class: c, MaxOffset: most, Min: -220, Max: 220, Was: calibration.Correction{Gain: 1},
			},
		})
		d.set(name, value)
	}
	amps := calibrate.Class{Zero: 0.2, Gain: 0.01, Noise: 0.1, Step: 0.02}
	volts := calibrate.Class{Zero: 0.01, Gain: 0.01, Noise: 0.002, Step: 0.0014}
	add("battery_voltage_a", "a", "V", calibrate.Voltage, volts, 2, 12.58)
	add("battery_voltage_b", "b", "V", calibrate.Voltage, volts, 2, 12.61)
	add("battery_current_a", "a", "A", calibrate.Current, amps, 20, 0.24)
	add("battery_current_b", "b", "A", calibrate.Current, amps, 20, -0.11)
	add("battery_temperature_a", "a", "°C", calibrate.Temperature, calibrate.Class{Zero: 1, Noise: 0.1}, 20, 21.4)
	return d
}

// set has a channel show a nominal value, steadily.
func (d *benchDesk) set(name string, nominal float64) {
	l := d.bench.Of(name)
	l.Now = new(l.Was.Apply(nominal))
	l.Hold, l.Long, l.HoldOK, l.LongOK = steadyMean(nominal), steadyMean(nominal), true, true
}

func (d *benchDesk) Bench() *calibrate.Bench {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.bench == nil {
		return nil
	}
	b := *d.bench
	b.Channels = append([]calibrate.Live(nil), d.bench.Channels...)
	return &b
}

func (d *benchDesk) Session() *calibrate.Session {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.session.Copy()
}

func (d *benchDesk) Begin(_ context.Context, id, by string) (*calibrate.Session, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fail != nil {
		return nil, d.fail
	}
	if d.session == nil {
		d.session = calibrate.NewSession(id, by, calibratedAt)
	}
	return d.session.Copy(), nil
}

var calibratedAt = time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)

func (d *benchDesk) Change(
	_ context.Context, id, form string, change func(*calibrate.Session, *calibrate.Bench) *calibrate.Refusal,
) (*calibrate.Session, *calibrate.Refusal, error) {
	b := d.Bench()
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.session == nil || d.session.ID != id {
		return nil, nil, calibrate.ErrNoSession
	}
	next := d.session.Copy()
	if next.Seen(form) {
		return next, nil, nil
	}
	if why := change(next, b); why != nil {
		return nil, why, nil
	}
	if d.fail != nil {
		return nil, nil, d.fail
	}
	next.Revision++
	d.session = next
	return next.Copy(), nil, nil
}

func (d *benchDesk) Apply(_ context.Context, id, form, channel, by string, revision int) ([]calibrate.Record, *calibrate.Refusal, error) {
	b := d.Bench()
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.session == nil || d.session.ID != id {
		return nil, nil, calibrate.ErrNoSession
	}
	if d.session.Seen(form) {
		return nil, nil, nil
	}
	if d.session.Revision != revision {
		return nil, nil, calibrate.ErrChanged
	}
	all, why := d.session.Sign(b, channel, by, calibratedAt, true)
	if why != nil || d.fail != nil {
		return nil, why, d.fail
	}
	var records []calibrate.Record
	for i := range all {
		r := all[i].Record
		l := d.bench.Of(r.Channel)
		nominal := l.Was.Undo(*l.Now)
		l.Was, l.From, l.Last = r.After.Board(), "technician", &r
		l.Now = new(l.Was.Apply(nominal))
		records = append(records, r)
	}
	d.session.Revision++
	d.applied += len(records)
	return records, nil, nil
}

func (d *benchDesk) Undo(_ context.Context, channel, by string) (calibrate.Record, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	l := d.bench.Of(channel)
	if l == nil || !l.CanUndo() {
		return calibrate.Record{}, calibrate.ErrNoUndo
	}
	r := calibrate.Record{Channel: channel, Unit: l.Unit, Kind: calibrate.TakenOff, By: by, At: calibratedAt, Before: l.Last.After, After: l.Last.Before}
	l.Was, l.Last = r.After.Board(), &r
	return r, nil
}

func (d *benchDesk) End(_ context.Context, id, _ string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.session == nil || d.session.ID != id {
		return calibrate.ErrNoSession
	}
	d.session = nil
	d.ended++
	return nil
}

// counter is somebody at the pages of calibration, without scripts.
type counter struct {
	t    *testing.T
	s    *Server
	pin  string
	lang string
}

func (c *counter) get(path string) (int, string) {
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	r.Header.Set("Accept-Language", c.lang)
	w := httptest.NewRecorder()
	c.s.Handler().ServeHTTP(w, r)
	return w.Code, strings.ReplaceAll(w.Body.String(), "\u00a0", " ")
}

// does sends a form with the hidden fields of its page, over those a pair says.
func (c *counter) does(path, do string, pairs ...string) (int, string) {
	c.t.Helper()
	_, page := c.get(path)
	form := url.Values{"do": {do}}
	for _, name := range []string{"session", "token", "revision"} {
		if m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page); m != nil {
			form.Set(name, m[1])
		}
	}
	for i := 0; i < len(pairs); i += 2 {
		form.Set(pairs[i], pairs[i+1])
	}
	return c.post(path, form)
}

func (c *counter) post(path string, form url.Values) (int, string) {
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1"+path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://127.0.0.1")
	r.Header.Set("Accept-Language", c.lang)
	r.Host = "127.0.0.1"
	if c.pin != "" && c.s.opts.PIN != nil {
		session, _ := c.s.opts.PIN.Session()
		r.AddCookie(&http.Cookie{Name: "liftbank_session", Value: session})
	}
	w := httptest.NewRecorder()
	c.s.Handler().ServeHTTP(w, r)
	return w.Code, strings.ReplaceAll(w.Body.String(), "\u00a0", " ")
}

func atCounter(t *testing.T, change ...func(*Options)) (*counter, *benchDesk, *visit.Store) {
	d := newDesk()
	var kept *visit.Store
	all := append([]func(*Options){full(t, func(o *Options) { o.Calibrate = d; kept = o.Visits })}, change...)
	s, _, _ := unit(t, sample(t, "healthy"), all...)
	return &counter{t: t, s: s, pin: rightPIN, lang: "en"}, d, kept
}

// A zero and a gain, as a technician takes them without scripts: each refusal with its reason, the
// figures typed in any usual way, the second tap, the line in the visit and its report, and the way back.
func TestCalibrateWithoutScript(t *testing.T) {
	for _, lang := range []string{"en", "es"} {
		t.Run(lang, func(t *testing.T) {
			c, d, kept := atCounter(t)
			c.lang = lang
			w := words.Languages[map[string]int{"en": 0, "es": 1}[lang]].W
			code, _ := c.post("/visit/begin", url.Values{"by": {"R. Vale"}})
			require.Equal(t, http.StatusSeeOther, code)
			_, text := c.get("/calibrate")
			assert.Contains(t, text, w["ZeroTitle"])
			assert.Contains(t, text, w["NoCorrection"])
			code, text = c.post("/calibrate/begin", url.Values{"by": {" "}})
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, text, w["WantName"])
			code, _ = c.post("/calibrate/begin", url.Values{"by": {"R. Vale"}, "next": {"//elsewhere"}})
			require.Equal(t, http.StatusSeeOther, code)

			// What stands in the way of a zero is said.
			shut := true
			for _, bad := range []struct {
				change func(b *calibrate.Bench)
				want   string
			}{
				{func(b *calibrate.Bench) { b.MotorRuns = true }, calibrate.MotorRuns},
				{func(b *calibrate.Bench) { b.ChargerOn = true }, calibrate.ChargerOn},
				{func(b *calibrate.Bench) { b.Contact = &shut }, calibrate.ContactShut},
				{func(b *calibrate.Bench) { b.Channels[3].Long.Drift = 3 }, calibrate.Drifts},
				{func(b *calibrate.Bench) { b.Channels[3].LongOK = false }, calibrate.TooFew},
				{func(b *calibrate.Bench) { b.Channels[3].Now = nil }, calibrate.NoReading},
				{func(b *calibrate.Bench) { b.Channels[2].Long = steadyMean(7) }, calibrate.ZeroLarge},
			} {
				was := d.bench
				d.bench = d.Bench()
				bad.change(d.bench)
				code, text = c.does("/calibrate/zero", "take")
				assert.Equal(t, http.StatusUnprocessableEntity, code, bad.want)
				assert.Contains(t, text, beginning(w["Refused."+bad.want]), bad.want)
				d.bench = was
			}
			code, _ = c.does("/calibrate/zero", "take")
			require.Equal(t, http.StatusSeeOther, code)
			_, text = c.get("/calibrate/zero")
			assert.Contains(t, text, w["SignNext"])
			assert.NotContains(t, text, w["SignGive"], "one tap more")
			_, text = c.get("/calibrate/zero?sign")
			assert.Contains(t, text, w["SignGive"])
			assert.Contains(t, text, w["ChangesZero.1"])
			code, text = c.does("/calibrate/zero", "apply", "by", "")
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			assert.Contains(t, text, w["WantName"])
			code, _ = c.does("/calibrate/zero", "apply", "by", "R. Vale")
			require.Equal(t, http.StatusSeeOther, code)
			assert.Equal(t, 2, d.applied, "both sensors at once")
			assert.InDelta(t, 0, *d.bench.Of("battery_current_a").Now, 1e-9)

			// The gain: a held load, the meter's value, refused with what is wanted, or taken.
			const path = "/calibrate/channel/battery_current_a"
			d.set("battery_current_a", -98.76)
			code, _ = c.does(path, "hold")
			require.Equal(t, http.StatusSeeOther, code)
			_, text = c.get(path)
			assert.Contains(t, text, w["HeldTitle"])
			for value, want := range map[string]string{
				"": "WantMeter", "much": "WantMeter", "1e3": "WantMeter", "--4": "WantMeter", "12.7 V": "WantMeterUnit",
				"100": "Refused.reversed", "-40": "Refused.gain-wrong", "−400": "Refused.meter-beyond", "9999999 A": "Refused.meter-beyond",
			} {
				code, text = c.does(path, "enter", "meter", "clamp-fine", "value", value)
				assert.Equal(t, http.StatusUnprocessableEntity, code, value)
				assert.Contains(t, text, beginning(w[want]), value)
			}
			for _, accuracy := range [][2]string{{"", ""}, {"much", "1"}, {"40", "1"}, {"1", "-1"}} {
				code, text = c.does(path, "enter", "meter", "other", "value", "-100", "share", accuracy[0], "fixed", accuracy[1])
				assert.Equal(t, http.StatusUnprocessableEntity, code, accuracy)
				assert.Contains(t, text, w["WantAccuracy"])
			}
			code, _ = c.does(path, "enter", "meter", "nonsense", "value", "-100")
			assert.Equal(t, http.StatusUnprocessableEntity, code)
			code, _ = c.does(path, "enter", "meter", "other", "value", "−100,0 A", "share", "1 %", "fixed", "0,1")
			require.Equal(t, http.StatusSeeOther, code)
			assert.Equal(t, calibrate.Meter{ID: "other", Share: 0.01, Fixed: 0.1}, d.session.Meters[calibrate.Current])
			_, text = c.get(path + "?sign")
			assert.Contains(t, text, w["ResultGainU"])
			assert.Contains(t, text, "−100.0 A ± ")
			assert.Contains(t, text, w["ChangesMeter.current.2"])
			code, _ = c.does(path, "apply", "by", "R. Vale")
			require.Equal(t, http.StatusSeeOther, code)
			assert.InDelta(t, -100, *d.bench.Of("battery_current_a").Now, 0.01)
			_, text = c.get(path + "?done=applied")
			assert.Contains(t, text, w["CalibrateSaid.applied"])
			_, text = c.get(path + "?done=%3Cb%3Ehostile")
			assert.NotContains(t, text, "<b>hostile")
			assert.NotContains(t, text, `role="status"><b>&lt;b`)

			// It is in the visit, with who and by how much, and in its report.
			draft := kept.Draft()
			require.Len(t, draft.Work, 3)
			last := draft.Work[2]
			assert.Equal(t, visit.ChannelCalibrated, last.Kind)
			assert.True(t, last.Acted)
			assert.Equal(t, "R. Vale", last.Calibrated.By)
			assert.Contains(t, last.Note, "Signed: R. Vale")
			_, text = c.get("/visit/work")
			assert.Contains(t, text, w["Work.channel-calibrated"])

			// The second tap of the way back.
			_, text = c.get(path)
			assert.NotContains(t, text, w["UndoGive"])
			_, text = c.get(path + "?back")
			assert.Contains(t, text, w["UndoGive"])
			code, _ = c.does(path, "undo", "by", "K. Ruiz")
			require.Equal(t, http.StatusSeeOther, code)
			code, text = c.does(path, "undo", "by", "K. Ruiz")
			assert.Equal(t, http.StatusConflict, code)
			assert.Contains(t, text, w["CalibrateNoUndo"])
			assert.Len(t, kept.Draft().Work, 4)
			code, _ = c.post("/visit/finish", url.Values{"id": {draft.ID}})
			require.Equal(t, http.StatusSeeOther, code)
			_, text = c.get("/visits/" + draft.ID)
			assert.Contains(t, text, w["Work.channel-calibrated"])
			assert.Contains(t, text, "K. Ruiz")

			_, page := c.get("/calibrate")
			session := regexp.MustCompile(`name="session" value="([^"]*)"`).FindStringSubmatch(page)[1]
			for range 2 { // on two phones
				code, _ = c.post("/calibrate/end", url.Values{"session": {session}})
				assert.Equal(t, http.StatusSeeOther, code)
			}
			assert.Equal(t, 1, d.ended)
		})
	}
}

// beginning returns a text up to what is filled in.
func beginning(text string) string {
	text, _, _ = strings.Cut(text, "{")
	return strings.TrimSpace(text)
}

// Voltages and temperatures: one point each, typed in the reader's units.
func TestCalibrateVoltageAndTemperature(t *testing.T) {
	c, d, _ := atCounter(t)
	_, _ = c.post("/calibrate/begin", url.Values{"by": {"R. Vale"}})
	for name, typed := range map[string]string{"battery_voltage_a": "12,70", "battery_voltage_b": "12700 mV"} {
		path := "/calibrate/channel/" + name
		code, _ := c.does(path, "hold")
		require.Equal(t, http.StatusSeeOther, code)
		code, text := c.does(path, "enter", "meter", "multimeter-fine", "value", typed)
		require.Equal(t, http.StatusSeeOther, code, text)
		assert.Equal(t, 12.70, d.session.Taken[name].Points[0].Meter)
		code, _ = c.does(path, "apply", "by", "R. Vale")
		require.Equal(t, http.StatusSeeOther, code)
		assert.InDelta(t, 12.70, *d.bench.Of(name).Now, 0.001)
	}
	assert.InDelta(t, 12.70/12.58, d.bench.Of("battery_voltage_a").Was.Gain, 1e-5)
	for value, half := range map[string]float64{"12,70": 0.005, "12.700": 0.0005, "12700 mV": 0.0005, "13": 0.5, "12,700": 0.0005} {
		v, got, problem := meterValue(words.Readers[0], value, "V")
		assert.Empty(t, problem, value)
		assert.InDelta(t, 12.85, v, 0.2, value)
		assert.InDelta(t, half, got, 1e-9, value)
	}
	v, half, problem := meterValue(words.Readers[1], "68.0", "°C") // who reads °F types °F
	assert.Empty(t, problem)
	assert.InDelta(t, 20, v, 0.01)
	assert.InDelta(t, 0.05*5/9, half, 1e-9)
	v, _, _ = meterValue(words.Readers[1], "20 °C", "°C")
	assert.InDelta(t, 20, v, 0.01)
	code, _ := c.does("/calibrate/channel/battery_temperature_a", "hold")
	require.Equal(t, http.StatusSeeOther, code)
	code, _ = c.does("/calibrate/channel/battery_temperature_a", "enter", "meter", "thermometer", "value", "20.0")
	require.Equal(t, http.StatusSeeOther, code)
	_, text := c.get("/calibrate/channel/battery_temperature_a")
	assert.Contains(t, text, "20.0 °C")
	assert.NotContains(t, text, "Uncertainty of the gain")
}

// Two phones at one calibration: what one takes the other sees; who signs what has changed meanwhile
// looks again; a form that is sent twice does it once; one from a calibration that ended is told so.
func TestCalibrateOnTwoPhones(t *testing.T) {
	c, d, _ := atCounter(t)
	_, _ = c.post("/calibrate/begin", url.Values{"by": {"R. Vale"}})
	first := d.session.ID
	_, _ = c.post("/calibrate/begin", url.Values{"by": {"K. Ruiz"}})
	assert.Equal(t, first, d.session.ID, "it is the same")
	_, text := c.get("/calibrate")
	assert.Contains(t, text, "R. Vale")

	form := url.Values{"do": {"take"}, "session": {first}, "token": {"0123456789abcdef"}}
	for range 2 {
		code, _ := c.post("/calibrate/zero", form)
		require.Equal(t, http.StatusSeeOther, code)
	}
	assert.Equal(t, 1, d.session.Revision)
	code, text := c.does("/calibrate/zero", "apply", "by", "R. Vale", "revision", "0")
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, text, "another phone")
	assert.Zero(t, d.applied)
	code, _ = c.does("/calibrate/zero", "apply", "by", "R. Vale")
	require.Equal(t, http.StatusSeeOther, code)
	code, text = c.does("/calibrate/channel/battery_current_a", "hold", "session", "another")
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, text, "has ended")

	// A reading that was held long ago is of another moment.
	d.set("battery_current_a", -80)
	_, _ = c.does("/calibrate/channel/battery_current_a", "hold")
	d.session.Taken["battery_current_a"].HeldAt = time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC)
	code, text = c.does("/calibrate/channel/battery_current_a", "enter", "meter", "clamp", "value", "-80")
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, text, "10 minutes")
	code, _ = c.does("/calibrate/channel/battery_current_a", "release")
	assert.Equal(t, http.StatusSeeOther, code)
	code, _ = c.does("/calibrate/channel/battery_current_a", "drop")
	assert.Equal(t, http.StatusSeeOther, code)
}

// Nobody without the PIN changes anything, and nothing that could not be kept is said to be.
func TestCalibrateIsGuarded(t *testing.T) {
	c, d, _ := atCounter(t)
	c.pin = ""
	for _, path := range []string{"/calibrate/begin", "/calibrate/end", "/calibrate/zero", "/calibrate/channel/battery_current_a"} {
		for _, wrong := range []url.Values{{"by": {"X"}}, {"by": {"X"}, "pin": {"000000"}}} {
			code, _ := c.post(path, wrong)
			assert.Equal(t, http.StatusUnauthorized, code, path)
		}
	}
	assert.Nil(t, d.session)
	c.pin = rightPIN
	_, _ = c.post("/calibrate/begin", url.Values{"by": {"R. Vale"}})

	// A reading that waited for the PIN is of after it: it is held again.
	c.pin = ""
	code, text := c.does("/calibrate/channel/battery_current_a", "hold", "pin", rightPIN)
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, text, "hold the reading again")
	assert.Nil(t, d.session.Taken["battery_current_a"])
	c.pin = rightPIN

	d.fail = errors.New("the card is full")
	code, text = c.does("/calibrate/zero", "take")
	assert.Equal(t, http.StatusInternalServerError, code)
	assert.Contains(t, text, words.English.W["NotKeptMore"])
	d.fail = nil
	_, _ = c.does("/calibrate/zero", "take")
	d.fail = errors.New("the card is full")
	code, _ = c.does("/calibrate/zero", "apply", "by", "R. Vale")
	assert.Equal(t, http.StatusInternalServerError, code)
	assert.Zero(t, d.applied)
	d.fail = nil

	for _, path := range []string{"/calibrate/channel/none", "/calibrate/channel/%3Cscript%3E"} {
		code, text = c.get(path)
		assert.Equal(t, http.StatusNotFound, code)
		assert.NotContains(t, text, "<script>")
	}
	code, _ = c.get("/calibrate/now?of=none")
	assert.Equal(t, http.StatusNotFound, code)
	code, text = c.get("/calibrate/now?of=zero&parted=1")
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, text, "Steady")
	d.bench = nil
	for _, path := range []string{"/calibrate", "/calibrate/zero", "/calibrate/channel/battery_current_a"} {
		code, _ = c.get(path)
		assert.Equal(t, http.StatusOK, code, "before the first scan")
	}
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	assert.Equal(t, http.StatusOK, get(s, "/calibrate").Code, "a unit whose channels can't be calibrated")
}

func TestEveryRefusalHasItsWords(t *testing.T) {
	for _, l := range words.Languages {
		for _, id := range calibrate.Reasons {
			assert.Contains(t, l.W, "Refused."+id, l.Tag)
		}
		for _, q := range []calibrate.Quantity{calibrate.Current, calibrate.Voltage, calibrate.Temperature} {
			for _, m := range calibrate.Meters(q) {
				assert.Contains(t, l.W, "Meter."+m.ID, l.Tag)
			}
			assert.Contains(t, l.W, "MeterStep."+string(q)+".1", l.Tag)
			assert.Contains(t, l.W, "ChangesMeter."+string(q)+".1", l.Tag)
		}
	}
}

// Whatever is sent, the page answers, changes nothing that it should not, and shows it as text.
func FuzzCalibrate(f *testing.F) {
	for _, seed := range [][4]string{
		{"enter", "12,70", "other", "1"}, {"hold", "−120", "clamp", ""}, {"apply", "<script>", "", "x"}, {"undo", "\x00", "other", "1e9"},
	} {
		f.Add(seed[0], seed[1], seed[2], seed[3])
	}
	s, d := fuzzed(f)
	f.Fuzz(func(t *testing.T, do, value, meter, more string) {
		c := &counter{t: t, s: s, pin: rightPIN, lang: "en"}
		form := url.Values{
			"do": {do}, "value": {value}, "meter": {meter}, "share": {more}, "fixed": {more}, "by": {value}, "revision": {more},
			"session": {d.session.ID}, "token": {"fuzz-" + more + "-token"}, "parted": {more},
		}
		for _, path := range []string{"/calibrate/channel/battery_current_a", "/calibrate/zero"} {
			code, text := c.post(path, form)
			if code >= 500 {
				t.Fatalf("%s: %d", path, code)
			}
			if strings.Contains(text, "<script>alert") || strings.Contains(value, "<b") && len(value) > 3 && strings.Contains(text, value) {
				t.Fatalf("%q comes back as markup", value)
			}
		}
		for _, l := range d.Bench().Channels {
			if err := l.Was.Validate(); err != nil {
				t.Fatal(err)
			}
		}
	})
}

func fuzzed(f *testing.F) (*Server, *benchDesk) {
	d := newDesk()
	s, _, _ := unit(f, sample(f, "healthy"), full(f, func(o *Options) { o.Calibrate, o.Visits = d, nil }))
	d.session = calibrate.NewSession("fuzz", "F", calibratedAt)
	b := d.Bench()
	if why := d.session.Hold(b, "battery_current_a", calibratedAt); why != nil {
		f.Fatal(why)
	}
	return s, d
}
