package rig_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"regexp"
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
	"liftbank/agent/pin"
	"liftbank/agent/recording"
	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
	"liftbank/cmd/internal/playback"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/internal/rig/gate"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/sim/scenario"
)

// technician is somebody with a phone and a clamp meter at a simulated unit. What flows through the
// sensors is set in stages of the unit's time, stageTime each: nothing, then one load after the other.
type technician struct {
	t      *testing.T
	unit   *agent.Agent
	gate   *gate.Clock
	client *http.Client
	addr   string
	stop   func()
	dir    string
}

const stageTime = 4 * time.Minute

// errors are what a sensor errs by.
type errors struct{ zero, gainPct, noise, wander, perDay float64 }

// bench returns a unit with n batteries whose current sensors err so, and through which these loads flow.
func bench(t *testing.T, n int, seed uint64, off []errors, loads []float64) *technician {
	return benchIn(t, t.TempDir(), n, seed, off, loads)
}

// benchIn is bench with what is kept in a folder.
func benchIn(
	t *testing.T, dir string, n int, seed uint64, off []errors, loads []float64, change ...func(*agent.Options),
) *technician {
	t.Helper()
	var batteries []string
	for i := range n {
		batteries = append(batteries, fmt.Sprintf("{id: %c, soc_pct: 97}", 'a'+i))
	}
	sc, err := scenariofile.Parse("calibrated", []byte("description: A parked unit.\ndays: 1\nstart: 2025-06-02T05:00:00Z\n"+
		"bank:\n  batteries: ["+strings.Join(batteries, ", ")+"]\nweather: {mean_c: 14}\nduty: {work_days: []}\n"))
	require.NoError(t, err)
	sc.Seed = seed
	for i, e := range off {
		channel := "current-" + string(rune('a'+i))
		sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{
			Channel: channel, Offset: e.zero, GainPct: e.gainPct, NoiseRMS: e.noise, WanderRMS: e.wander, DriftPerDay: e.perDay,
		})
		for k, a := range append([]float64{0}, loads...) {
			sc.Sensors.Faults = append(sc.Sensors.Faults, scenario.SensorFault{
				Kind: "channel-stuck", Channel: channel, At: time.Duration(k) * stageTime, For: stageTime, Value: a,
			})
		}
	}
	cfg, err := refboard.Config(&sc, "lift-1", refboard.Options{})
	require.NoError(t, err)
	r, err := rig.New(sc, cfg, false)
	require.NoError(t, err)
	secret, err := pin.Parse("liftbank-pin-1 1000 XRHOStGhGEqNZfTp6i6y1g " +
		"u9pm4/VUZTAlt7nkoEED9bekQDQ5+85quIHqAgY+HQg BumezirLifEkzz7FLb6PyrZlp6JLfGKlLn21w6qo3js") // few rounds: a test is quick
	require.NoError(t, err)
	require.NoError(t, secret.Save(filepath.Join(dir, "pin")))
	cfg.MQTT = nil
	cfg.Visits.Dir, cfg.Visits.PINFile = filepath.Join(dir, "visits"), filepath.Join(dir, "pin")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	g := gate.New(r.Clock)
	parts := r.Parts()
	parts.Clock = g
	o := agent.Options{
		Config: cfg, Parts: parts, Listener: l, Session: "s", Version: "test", Log: slog.New(slog.DiscardHandler), Now: time.Now,
		StateFile: filepath.Join(dir, "state.json"),
	}
	for _, f := range change {
		f(&o)
	}
	a, err := agent.New(o)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	x := &technician{t: t, unit: a, gate: g, dir: dir, addr: "http://" + l.Addr().String(), client: &http.Client{
		Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	x.stop = func() {
		cancel()
		assert.NoError(t, <-done)
		x.client.CloseIdleConnections()
	}
	return x
}

// passes lets the unit's time go on by a span.
func (x *technician) passes(span time.Duration) {
	x.t.Helper()
	x.gate.Move(span)
	require.Eventually(x.t, x.gate.Came, 30*time.Second, time.Millisecond)
}

// stage goes to a stage, and half a minute into it.
func (x *technician) stage(k int) {
	x.t.Helper()
	x.passes(time.Duration(k)*stageTime + 40*time.Second - x.gate.Until())
}

// send posts a form; time goes on meanwhile, for the loop takes orders between scans.
func (x *technician) send(path string, pairs ...string) (int, string) {
	x.t.Helper()
	form := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		form.Set(pairs[i], pairs[i+1])
	}
	over := make(chan struct{})
	dripped := make(chan struct{})
	go func() {
		defer close(dripped)
		for {
			select {
			case <-over:
				return
			case <-time.After(time.Millisecond):
				if x.gate.Came() { // the loop has come this far
					x.gate.Move(time.Second)
				}
			}
		}
	}()
	defer func() { close(over); <-dripped }()
	resp, err := x.client.PostForm(x.addr+path, form)
	require.NoError(x.t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(x.t, err)
	resp.Body.Close()
	return resp.StatusCode, string(text)
}

func (x *technician) get(path string) string {
	x.t.Helper()
	resp, err := x.client.Get(x.addr + path)
	require.NoError(x.t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(x.t, err)
	resp.Body.Close()
	return string(text)
}

var alertText = regexp.MustCompile(`role="alert">([^<]*)`)

// does sends a form with the hidden fields of its page, and wants it taken.
func (x *technician) does(path, do string, pairs ...string) {
	x.t.Helper()
	code, text := x.tries(path, do, pairs...)
	for again := 0; again < 5 && strings.Contains(text, "Not steady"); again++ { // as anybody would
		x.passes(10 * time.Second)
		code, text = x.tries(path, do, pairs...)
	}
	require.Equal(x.t, http.StatusSeeOther, code, "%s %s: %s", path, do, alertText.FindStringSubmatch(text))
}

func (x *technician) tries(path, do string, pairs ...string) (int, string) {
	x.t.Helper()
	page := x.get(path)
	all := []string{"do", do}
	for _, name := range []string{"session", "token", "revision"} {
		m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page)
		require.NotNil(x.t, m, "%s: %s", path, name)
		all = append(all, name, m[1])
	}
	return x.send(path, append(all, pairs...)...)
}

func (x *technician) begins() {
	x.t.Helper()
	code, _ := x.send("/calibrate/begin", "by", "R. Vale", "pin", "482915")
	require.Equal(x.t, http.StatusSeeOther, code)
}

func (x *technician) shows(channel string) *snapshot.Channel {
	if s := x.unit.Hub().Current(); s != nil {
		for i := range s.Channels {
			if s.Channels[i].Name == channel {
				return &s.Channels[i]
			}
		}
	}
	return nil
}

// mean returns what the page shows of a channel as its mean, A.
func (x *technician) mean(channel string) float64 {
	x.t.Helper()
	text := strings.NewReplacer("\u00a0", " ", "−", "-", "&#43;", "+").Replace(x.get("/calibrate/now?of=" + channel))
	m := regexp.MustCompile(`<td>([-+0-9.]+) A ± `).FindStringSubmatch(text)
	require.NotNil(x.t, m, text)
	v, err := strconv.ParseFloat(strings.TrimPrefix(m[1], "+"), 64)
	require.NoError(x.t, err)
	return v
}

// Sensors with a known wrong zero and gain, calibrated on the pages with a clamp meter that is itself
// within its stated accuracy: what they show under a load is then within the uncertainty that the page
// stated, 95 times in 100 or more. Ideal, random and drifting sensors, one to four batteries.
func TestCalibratedOnThePages(t *testing.T) {
	slowtest.SkipUnderRace(t) // the others here have all its goroutines
	kinds := map[string]func(r *rand.Rand) errors{
		"ideal": func(*rand.Rand) errors { return errors{} },
		"random": func(r *rand.Rand) errors {
			return errors{zero: r.NormFloat64() * 0.6, gainPct: 2.5 * r.NormFloat64(), noise: 0.1}
		},
		"drifting": func(r *rand.Rand) errors {
			return errors{zero: r.NormFloat64() * 0.6, gainPct: 2.5 * r.NormFloat64(), noise: 0.1, wander: 0.05, perDay: 0.1}
		},
	}
	units := 2
	if !slowtest.LongAsked() {
		units = 1
	}
	inside, all, wrong, sumWas, sumNow := 0, 0, 0, 0.0, 0.0
	for name, kind := range kinds {
		for n := 1; n <= 4; n++ {
			for seed := range uint64(units) {
				r := rand.New(rand.NewPCG(seed, uint64(n)))
				var off []errors
				for range n {
					off = append(off, kind(r))
				}
				load := -60 - 60*r.Float64()
				loads := []float64{load, -30, load} // beside the meter, and the first again afterwards
				x := bench(t, n, seed+1, off, loads)
				x.stage(0)
				x.begins()
				x.passes(25 * time.Second)
				x.does("/calibrate/zero", "take", "parted", "1")
				x.does("/calibrate/zero", "apply", "by", "R. Vale")
				share, fixed := 0.005*(2*r.Float64()-1), 0.05*(2*r.Float64()-1) // of the meter "shunt"
				for k := 1; k <= 2; k++ {
					x.stage(k)
					for i := range n {
						path := fmt.Sprintf("/calibrate/channel/battery_current_%c", 'a'+i)
						x.does(path, "hold")
						shown := strings.Replace(fmt.Sprintf("%.1f", loads[k-1]*(1+share)+fixed), "-", "−", 1)
						x.does(path, "enter", "meter", "shunt", "value", strings.Replace(shown, ".", ",", 1)+" A")
					}
				}
				for i := range n {
					x.does(fmt.Sprintf("/calibrate/channel/battery_current_%c", 'a'+i), "apply", "by", "R. Vale")
				}
				x.stage(3)
				x.passes(5 * time.Second)
				for i := range n {
					name := fmt.Sprintf("battery_current_%c", 'a'+i)
					const ownU = 0.07 // of the mean that is looked at: 0.1 A of noise, eight readings
					now, stated := math.Abs(x.mean(name)-load), x.stated(name)+ownU
					was := math.Abs((load+off[i].zero)*(1+off[i].gainPct/100) - load)
					all++
					if off[i] != (errors{}) {
						wrong++
						sumWas, sumNow = sumWas+was*was, sumNow+now*now
					}
					if now <= stated {
						inside++
					}
				}
				x.stop()
			}
		}
		t.Logf("%s: so far %d of %d within what was stated", name, inside, all)
	}
	assert.GreaterOrEqual(t, float64(inside), 0.93*float64(all), "%d of %d", inside, all)
	before, after := math.Sqrt(sumWas/float64(wrong)), math.Sqrt(sumNow/float64(wrong))
	t.Logf("under load, sensors that are wrong are off by %.2f A RMS before, %.2f after", before, after)
	assert.Less(t, after, before/3)
}

// stated returns the uncertainty at the largest load of a channel's last calibration, as it was signed.
func (x *technician) stated(channel string) float64 {
	x.t.Helper()
	over, err := settings.Look(filepath.Join(x.dir, "visits", "technician.json"))
	require.NoError(x.t, err)
	r := over.Calibration(channel)
	require.NotNil(x.t, r)
	assert.Equal(x.t, "R. Vale", r.By)
	require.Len(x.t, r.Points, 3)
	return r.Points[1].U
}

// A calibration that was begun outlives the agent, and so does what was applied: the next start takes the
// session up with what was taken, shows the correction with who signed it from its first snapshot, and
// takes it back.
func TestACalibrationOutlivesTheAgent(t *testing.T) {
	dir := t.TempDir()
	off := []errors{{zero: 0.6, gainPct: 2, noise: 0.1}, {zero: -0.4, gainPct: -1, noise: 0.1}}
	start := func() *technician { return benchIn(t, dir, 2, 4, off, []float64{-80, -30}) }
	x := start()
	x.stage(0)
	code, _ := x.send("/visit/begin", "by", "R. Vale", "pin", "482915")
	require.Equal(t, http.StatusSeeOther, code)
	x.begins()
	x.passes(25 * time.Second)
	x.does("/calibrate/zero", "take", "parted", "1")
	x.stage(1)
	x.does("/calibrate/channel/battery_current_a", "hold")
	x.stop()

	x = start()
	x.stage(0)
	assert.Contains(t, x.get("/calibrate"), "Calibration under way by")
	code, _ = x.send("/pin", "pin", "482915")
	require.Equal(t, http.StatusSeeOther, code)
	const path = "/calibrate/channel/battery_current_a"
	assert.Contains(t, x.get(path), "Held reading")
	x.does(path, "enter", "meter", "shunt", "value", "-80.0")
	x.does(path, "apply", "by", "R. Vale")
	x.does("/calibrate/zero", "apply", "by", "R. Vale")
	x.stop()

	x = start()
	x.stage(0)
	var c *snapshot.Channel
	require.Eventually(t, func() bool {
		x.gate.Move(time.Second)
		c = x.shows("battery_current_a")
		return c != nil
	}, 20*time.Second, 10*time.Millisecond)
	require.NotNil(t, c.Calibration)
	assert.Equal(t, "technician", c.Calibration.From)
	assert.Equal(t, "R. Vale", c.Calibration.By)
	assert.InDelta(t, -0.6*1.02, c.Calibration.Offset, 0.1)
	assert.NotNil(t, c.Calibration.At)
	require.NotNil(t, c.Calibration.Moved.Value)
	assert.InDelta(t, 0, *c.Calibration.Moved.Value, 0.1)
	b := x.shows("battery_current_b")
	require.NotNil(t, b.Calibration, "its zero")
	over, err := settings.Look(filepath.Join(dir, "visits", "technician.json"))
	require.NoError(t, err)
	paths := map[string]bool{}
	for _, e := range over.Journal() {
		assert.Equal(t, "R. Vale", e.By)
		paths[e.Path] = true
	}
	assert.True(t, paths["board.channels.battery_current_a.calibration.gain"], "%v", paths)
	assert.True(t, paths["board.channels.battery_current_b.calibration.offset"])

	code, _ = x.send("/pin", "pin", "482915")
	require.Equal(t, http.StatusSeeOther, code)
	x.does(path, "undo", "by", "K. Ruiz")
	require.Eventually(t, func() bool {
		x.gate.Move(time.Second)
		c = x.shows("battery_current_a")
		return c.Calibration == nil || c.Calibration.Gain != 1 || c.Calibration.From == "configuration"
	}, 20*time.Second, 10*time.Millisecond)
	assert.Contains(t, x.get("/visit/work"), "calibration taken back")
	x.stop()
}

// What is recorded over a calibration replays as the unit lived it: the readings as they were corrected,
// and the rules told where that began.
func TestARecordingOverACalibrationReplays(t *testing.T) {
	dir := t.TempDir()
	recorded := filepath.Join(dir, "recording")
	var cfg config.Config
	x := benchIn(t, dir, 2, 4, []errors{{zero: 0.6, noise: 0.1}, {zero: -0.4, noise: 0.1}}, []float64{-80}, func(o *agent.Options) {
		cfg = o.Config
		r, err := recording.NewRecorder(recording.RecorderOptions{
			Dir: recorded, MaxBytes: recording.LeastBytes, Config: &o.Config, Session: "s", Wait: true, Now: time.Now,
			Log: slog.New(slog.DiscardHandler),
		})
		require.NoError(t, err)
		o.Recorder = r
	})
	x.stage(0)
	x.begins()
	x.passes(25 * time.Second)
	x.does("/calibrate/zero", "take", "parted", "1")
	x.does("/calibrate/zero", "apply", "by", "R. Vale")
	x.passes(30 * time.Second)
	x.stop()
	want := x.unit.Core().State()
	require.True(t, want.Zeros.Calibrated[0].Set)

	inputs, err := recording.Inputs(recorded)
	require.NoError(t, err)
	require.Greater(t, len(inputs), 1, "a file begins with the correction")
	scans := recording.New(&cfg, recording.Options{}, inputs...)
	p, err := playback.New(cfg, scans, nil)
	require.NoError(t, err)
	require.NoError(t, p.Run(t.Context(), func(*rules.Output, []playback.Change) error { return nil }))
	require.NoError(t, scans.Close())
	assert.Equal(t, 1, scans.Starts(), "one start of the agent")
	got := p.Core.State()
	assert.Equal(t, want.Corrections, got.Corrections)
	assert.Equal(t, want.Zeros.Calibrated, got.Zeros.Calibrated)
	assert.Equal(t, want.Zeros.X, got.Zeros.X, "to the last bit")
	assert.Equal(t, want.Zeros.P, got.Zeros.P)
	assert.Equal(t, want.At.Mono, got.At.Mono)
}

// A card that takes nothing changes nothing: the page says so, the board reads as before, and the same
// calibration is applied once the card is back.
func TestACalibrationOnAFullCard(t *testing.T) {
	x := bench(t, 1, 4, []errors{{zero: 0.6, noise: 0.05}}, nil)
	x.stage(0)
	x.begins()
	x.passes(25 * time.Second)
	code, text := x.tries("/calibrate/zero", "take")
	assert.Equal(t, http.StatusUnprocessableEntity, code)
	assert.Contains(t, text, "open the disconnect", "its contact is closed")
	x.does("/calibrate/zero", "take", "parted", "1")
	full := crash.New("/")
	full.FailWith(func(int, string, string) error { return syscall.ENOSPC })
	undo := disk.Use(full)
	code, text = x.tries("/calibrate/zero", "apply", "by", "R. Vale")
	undo()
	assert.Equal(t, http.StatusInternalServerError, code)
	assert.Contains(t, text, "could not write to its disk")
	x.passes(20 * time.Second)
	assert.InDelta(t, 0.6, x.mean("battery_current_a"), 0.1)
	x.does("/calibrate/zero", "apply", "by", "R. Vale")
	x.passes(20 * time.Second)
	assert.InDelta(t, 0, x.mean("battery_current_a"), 0.1)
	x.stop()
}
