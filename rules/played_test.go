package rules_test

import (
	"cmp"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
	"liftbank/sim"
	"liftbank/sim/board"
	"liftbank/sim/scenario"
)

var update = flag.Bool("update", false, "write testdata/played")

// player hands the signals of a simulated unit to an engine, each with a sensor's error, without a
// board between.
type player struct {
	unit    *sim.Unit
	engine  *rules.Engine
	in      rules.Input
	out     *rules.Output
	errs    map[sensor]*board.SensorError
	running bool
	edge    time.Duration // next change of a contact
	start   time.Duration // of the last run
	stop    time.Duration // of it
	each    func(*rules.Output)
	over    bool // nothing is left to see
	cfg     rules.Config
	rough   rough
}

// sensorErrors are two thirds of the limits of the reference board's class, with signs that differ
// from channel to channel.
var sensorErrors = map[string]board.SensorError{
	"voltage": {Offset: 0.0067, Gain: 0.0067, NoiseRMS: 0.002}, "negative": {Offset: 0.0067, Gain: 0.0067, NoiseRMS: 0.0005},
	"current": {Offset: 0.13, Gain: 0.0067, NoiseRMS: 0.1}, "temp": {Offset: 0.7, NoiseRMS: 0.1},
}

var layouts = map[string]unit.Layout{
	"": unit.Parallel, scenario.Parallel: unit.Parallel, scenario.Series: unit.Series, scenario.SeriesPairs: unit.SeriesPairs,
}

func newPlayer(t *testing.T, sc scenario.Scenario, r rough) *player {
	u, err := sim.New(sc, sc.Seed)
	require.NoError(t, err)
	cfg := rules.Config{HasCommand: !r.noCommand, Layout: layouts[sc.Bank.Configured]}
	for i, b := range sc.Bank.Batteries {
		chemistry, err := leadacid.Parse(string(b.Chemistry))
		require.NoError(t, err)
		cfg.Batteries = append(cfg.Batteries, rules.BatteryConfig{
			ID: b.ID, Chemistry: chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA,
		})
		cfg.NegativeTap[i] = !r.fewSensors
	}
	engine, err := rules.New(cfg)
	require.NoError(t, err)
	p := &player{unit: u, engine: engine, errs: map[sensor]*board.SensorError{}, start: -time.Hour, stop: -time.Hour, cfg: cfg, rough: r}
	p.look()
	return p
}

// sensor is one of a quantity.
type sensor struct {
	quantity string
	k        int
}

// read returns what a sensor makes of a value.
func (p *player) read(quantity string, k int, value float64) rules.Reading {
	of := sensor{quantity, k}
	e := p.errs[of]
	if e == nil {
		limits := sensorErrors[quantity]
		sign := []float64{1, -1, -1, 1, -1, 1, 1, -1}
		n := len(p.errs)
		limits.Seed = uint64(n + 1)
		limits.Offset *= sign[n%8]
		limits.Gain = 1 + limits.Gain*sign[n*3/2%8]
		e = &limits
		p.errs[of] = e
	}
	return good(e.Apply(value, p.unit.Now(), 25))
}

func (p *player) look() {
	at, found := p.unit.NextEdge(p.unit.Now() + time.Hour)
	p.edge = at
	if !found {
		p.edge = p.unit.Now() + time.Hour
	}
}

// every returns the time to the next scan: short about a run's start and stop, as on a board.
func (p *player) every() time.Duration {
	now := p.unit.Now()
	switch {
	case p.running && now-p.start < time.Second, now-p.stop < 300*time.Millisecond:
		return cmp.Or(p.rough.every, 6*time.Millisecond)
	case p.running || p.rough.noCommand && p.unit.Signals().MotorCommand:
		return max(p.rough.every, 25*time.Millisecond)
	}
	return 5 * time.Second
}

func (p *player) play(t *testing.T, length time.Duration) {
	for p.unit.Now() < length && !p.over {
		to := min(p.unit.Now()+p.every(), p.edge)
		p.unit.AdvanceTo(to)
		if !p.rough.stops(to) {
			p.restart(t)
			p.scan()
		}
		if to == p.edge {
			p.look()
		}
	}
}

func contact(on bool) rules.Contact {
	if on {
		return unit.ContactOn
	}
	return unit.ContactOff
}

func (p *player) scan() {
	s, in, now := p.unit.Signals(), &p.in, p.unit.Now()
	in.At = rules.Moment{Mono: now, Wall: p.unit.StartWall().Add(now), WallTrusted: true}
	for k := range p.unit.Batteries() {
		b := &s.Battery[k]
		in.Battery[k] = rules.BatteryInput{VoltageV: p.read("voltage", k, b.PositiveV)}
		if p.cfg.Layout.Lowest(p.cfg.Layout.StringOf(k)) == k { // a string has one sensor
			in.Battery[k].CurrentA = p.read("current", k, b.CurrentA)
		}
		in.Battery[k].TempC = p.read("temp", k, b.TempC)
		if k > 0 {
			in.Battery[k].NegativeV = p.read("negative", k, b.NegativeV)
		}
	}
	in.FeedV, in.MotorV = p.read("voltage", 8, s.FeedV), p.read("voltage", 9, s.MotorV)
	in.WakeLine, in.Disconnect = contact(s.WakeLine), contact(s.DisconnectClosed)
	in.CommandEdges = nil
	if s.MotorCommand != p.running {
		p.running = s.MotorCommand
		if in.MotorCommand != unit.ContactNotFitted {
			in.CommandEdges = []rules.Edge{{On: p.running, At: now}}
		}
		if p.running {
			p.start = now
		} else {
			p.stop = now
		}
	}
	if !p.rough.noCommand {
		in.MotorCommand = contact(p.running)
	}
	if p.rough.spoil != nil {
		p.rough.spoil(now, in)
	}
	p.out = p.engine.Step(in)
	if p.each != nil {
		p.each(p.out)
	}
}

// What is said of played units stays the same, to four digits: testdata/played has the events, and
// every few hours the state. Whoever changes a rule or a constant sees here what it does, and renews the
// files with -update once that is meant. What is true is for the suites and the other tests to say.
func TestPlayed(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, tt := range played {
		t.Run(tt.name, func(t *testing.T) {
			if takesLong(tt.name) && !*update {
				slowtest.Long(t)
			}
			t.Parallel()
			sc, err := scenariofile.Load(cmp.Or(tt.scenario, tt.name))
			require.NoError(t, err)
			if tt.change != nil {
				tt.change(&sc)
			}
			p := newPlayer(t, sc, tt.rough)
			file := filepath.Join("testdata", "played", tt.name+".txt")
			data, err := os.ReadFile(file)
			require.True(t, err == nil || *update, "read what is expected: %v", err)
			want := string(data)
			var text strings.Builder
			const every = 5 * time.Hour
			next := every
			p.each = func(out *rules.Output) {
				writeEvents(&text, out)
				if out.At.Mono >= next {
					next += every
					p.engine.UpdateForecast()
					writeState(&text, out, p.unit)
					if next%(4*every) == 0 {
						writeLearned(&text, p.engine)
					}
				}
				p.over = !*update && !strings.HasPrefix(want, text.String())
			}
			p.play(t, time.Duration(min(tt.days, sc.Days)*24*float64(time.Hour)))
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(text.String()), 0o644))
			} else if text.String() != want {
				assert.Fail(t, "not what "+file+" has", firstDifference(want, text.String()))
			}
		})
	}
}

func firstDifference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for k := range w {
		if k >= len(g) || w[k] != g[k] {
			return fmt.Sprintf("line %d:\n- %s\n+ %s", k+1, w[k], g[min(k, len(g)-1)])
		}
	}
	return "more lines"
}

func writeEvents(text *strings.Builder, out *rules.Output) {
	at := out.At.Mono.Round(time.Second)
	for _, e := range out.Events {
		switch e.Kind {
		case rules.FindingRaised, rules.FindingCleared:
			r := &out.Findings[e.Finding]
			verb := cmp.Or(map[rules.EventKind]string{rules.FindingRaised: "raised"}[e.Kind], "cleared")
			fmt.Fprintf(text, "%v %s %s %s\n", at, verb, r.Def.Name, r.Subject)
			for _, ev := range r.Evidence {
				fmt.Fprintf(text, "    %s %s\n", ev.Name, evidence(&ev))
			}
		}
	}
}

func evidence(e *finding.Evidence) string { return fmt.Sprintf("%.3g", e.Value) }

func writeState(text *strings.Builder, out *rules.Output, u *sim.Unit) {
	fmt.Fprintf(text, "%v bank charge %s lifts %s full in %s circulating %s leads %v %v runs %d\n", out.At.Mono.Round(time.Second),
		said(out.Bank.SoCPct), said(out.Bank.LiftsLeft), said(out.Bank.TimeToFullS), said(out.Bank.CirculatingA),
		out.Bank.LoadLeads.Arrangement, out.Bank.FeedLeads.Arrangement, out.Motor.Runs)
	for i := range out.Battery {
		if b := &out.Battery[i]; b.ID != "" {
			fmt.Fprintf(text, "    %s charge %s (true %.3g) rested %s capacity %s resistance %s cranking %s trend %s share %s %s verdict %v\n", b.ID,
				said(b.SoCPct), u.SoCPct(i), said(b.RestedV), said(b.CapacityAh), said(b.Resistance), said(b.CrankingA), said(b.Trend),
				said(b.DrawSharePct), said(b.ChargeSharePct), b.Verdict)
		}
	}
	for i := range out.Strings {
		s := &out.Strings[i]
		fmt.Fprintf(text, "    string %d-%d spread %s weakest %d %v rest %s held %s run %s share %s %s\n", s.From, s.To, said(s.SpreadPct),
			s.Weakest, s.WeakestKnown, said(s.RestDiffV), said(s.HeldDiffV), said(s.RunDiffV), said(s.DrawSharePct), said(s.ChargeSharePct))
	}
	for i := range out.Links {
		l := &out.Links[i]
		fmt.Fprintf(text, "    link %v %d %s\n", l.Side, l.From, said(l.Mohm))
	}
}

// said returns an estimate to four digits, its uncertainty to three.
func said(e rules.Estimate) string {
	if !e.Known {
		return "-"
	}
	if math.Abs(e.Value) < 1e-9*e.Sigma { // what is left of a difference by rounding
		e.Value = 0
	}
	return fmt.Sprintf("%.4g±%.3g", e.Value, e.Sigma)
}
