// Package fitter is somebody who fits a simulated unit: does at the emulated board what the steps ask for
// and types what meters with errors of their own show.
package fitter

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/fit"
	"liftbank/cmd/internal/fitting"
	"liftbank/cmd/internal/rig"
	"liftbank/sensors"
	"liftbank/sim"
	"liftbank/sim/scenario"
)

// Meters are the errors of what is measured with, each from -1 to 1 of the limit that fit assumes of a
// common one.
type Meters struct{ VoltShare, VoltFixed, ClampShare, ClampFixed, Thermo float64 }

// Fitter works at one unit.
type Fitter struct {
	Name   string
	Meters Meters
	// NoLabels: nothing can be read on the parts.
	NoLabels bool
	// Skip are steps that are left out, by kind.
	Skip map[fit.Kind]bool
	// Instead, if set, may do something else in a step: it returns true if it did.
	Instead func(f *Fitter, st fit.Step) bool
	// Answer, if set, changes a typed line.
	Answer func(st fit.Step, line string) string
	// Echo gets the dialog with what is typed; nil for nobody.
	Echo        io.Writer
	No          bool // to the changes
	EverySecond bool // the board is read at its own pace
	// Answered, if set, is called before the answer at the end.
	Answered func()

	rig  *rig.Rig
	todo []action
	due  time.Duration
	last strings.Builder
	told string // typed last
	wait int    // how often that was typed again
}

// action is something done or typed after a wait.
type action struct {
	after time.Duration
	do    func(*sim.Unit)
	line  func() string
}

// New returns somebody at a unit.
func New(r *rig.Rig) *Fitter { return &Fitter{Name: "K. Fitter", rig: r} }

// Rig returns the unit with its board.
func (f *Fitter) Rig() *rig.Rig { return f.rig }

// Do plans something to do after a wait.
func (f *Fitter) Do(after time.Duration, do func(*sim.Unit)) {
	f.todo = append(f.todo, action{after: after, do: do})
}

// Type plans something to type after a wait.
func (f *Fitter) Type(after time.Duration, line func() string) {
	f.todo = append(f.todo, action{after: after, line: line})
}

func (f *Fitter) enter(after time.Duration) { f.Type(after, func() string { return "" }) }

// Write takes what the terminal prints.
func (f *Fitter) Write(p []byte) (int, error) {
	f.last.Write(p)
	if f.Echo != nil {
		_, _ = f.Echo.Write(p) // a picture of the dialog, nothing depends on it
	}
	return len(p), nil
}

// ErrNothing says that the fitter does not know what is wanted.
var ErrNothing = errors.New("the fitter has nothing to type")

// Poll types the next line when it is time.
func (f *Fitter) Poll() (string, bool, error) {
	now := f.rig.Clock.Now()
	for len(f.todo) > 0 {
		a := &f.todo[0]
		if a.after > 0 {
			f.due, a.after = now+a.after, 0
		}
		if now < f.due {
			return "", false, nil
		}
		f.todo = f.todo[1:]
		if a.do != nil {
			f.rig.ByHand(a.do)
			continue
		}
		return f.typed(a.line()), true, nil
	}
	asked := strings.TrimSpace(f.last.String())
	if i := strings.LastIndexByte(asked, '\n'); i >= 0 {
		asked = asked[i+1:]
	}
	switch {
	case strings.HasPrefix(asked, "Your name"):
		return f.typed(f.Name), true, nil
	case strings.HasPrefix(asked, "Write these changes?"):
		if f.Answered != nil {
			f.Answered()
		}
		if f.No {
			return f.typed("no"), true, nil
		}
		return f.typed("yes"), true, nil
	case strings.HasPrefix(asked, "Enter writes the record"):
		return f.typed(""), true, nil
	}
	if strings.Contains(f.last.String(), "not yet: ") && f.wait < mostWaits { // once more
		f.wait++
		again := f.told
		f.Type(4*time.Second, func() string { return again })
		return "", false, nil
	}
	return "", false, fmt.Errorf("%w at %q", ErrNothing, asked)
}

// mostWaits is how often a line is typed again in a step.
const mostWaits = 6

func (f *Fitter) typed(line string) string {
	f.told = line
	f.last.Reset()
	if f.Echo != nil {
		fmt.Fprintf(f.Echo, "> %s\n", line)
	}
	return line
}

// Next returns what is planned next, for who has no terminal: after a wait something is done, or typed.
func (f *Fitter) Next() (after time.Duration, do func(*sim.Unit), line func() string, more bool) {
	if len(f.todo) == 0 {
		return 0, nil, nil, false
	}
	a := f.todo[0]
	f.todo = f.todo[1:]
	return a.after, a.do, a.line, true
}

// Step plans what to do in a step.
func (f *Fitter) Step(st fit.Step) {
	f.todo, f.wait = nil, 0
	f.tidy()
	if f.Instead != nil && f.Instead(f, st) {
		return
	}
	f.Usual(st)
}

// tidy has everything as it should be between steps.
func (f *Fitter) tidy() {
	f.rig.ByHand(func(u *sim.Unit) {
		u.Button(false)
		for k := range u.Batteries() {
			u.Part(k, false)
			u.WarmSensor(k, 0)
		}
	})
}

// Usual does a step as it is asked for.
func (f *Fitter) Usual(st fit.Step) {
	if f.Skip[st.Kind] {
		f.Type(time.Second, func() string { return "skip not today" })
		return
	}
	k := strings.Index("abcd", st.Battery)
	s := f.rig.Unit.Signals()
	say := func(after time.Duration, format string, value func() float64) {
		f.Type(after, func() string {
			text := fmt.Sprintf(format, value())
			if f.Answer != nil {
				text = f.Answer(st, text)
			}
			return text
		})
	}
	switch st.Kind {
	case fit.Begin:
		for range st.Asks {
			f.enter(0)
		}
	case fit.Look, fit.Closed:
		f.Do(0, func(u *sim.Unit) { u.Disconnect(true) })
		f.enter(6 * time.Second)
	case fit.Post:
		say(6*time.Second, "%.2f", func() float64 { return f.volts(s.Battery[k].PositiveV - s.Battery[0].NegativeV) })
	case fit.Foot:
		say(6*time.Second, "%.2f", func() float64 { return f.volts(s.Battery[k].NegativeV - s.Battery[0].NegativeV) })
	case fit.Opened:
		f.Do(0, func(u *sim.Unit) { u.Disconnect(false) })
		f.enter(8 * time.Second)
	case fit.Part:
		layout := f.rig.Config.Bank.Layout.Rules()
		k = layout.Highest(layout.StringOf(k)) // where its string ends
		f.Do(0, func(u *sim.Unit) { u.Part(k, true) })
		f.Run(12*time.Second, 10*time.Second)
		f.Do(0, func(u *sim.Unit) { u.Part(k, false) })
		f.enter(3 * time.Second)
	case fit.Run, fit.Negative, fit.MotorRun:
		read := map[fit.Kind]func() float64{
			fit.Run:      func() float64 { return f.clamp(max(-s.Battery[k].CurrentA, s.Battery[k].CurrentA)) },
			fit.Negative: func() float64 { return 1000 * f.millivolts(s.Battery[k].NegativeV-s.Battery[0].NegativeV) },
			fit.MotorRun: func() float64 { return f.volts(s.MotorV - s.Battery[0].NegativeV) },
		}[st.Kind]
		format := map[fit.Kind]string{fit.Run: "%.1f", fit.Negative: "%.1f", fit.MotorRun: "%.2f"}[st.Kind]
		shown := 0.0
		f.Do(6*time.Second, func(u *sim.Unit) { u.Button(true) })
		f.Do(6*time.Second, func(*sim.Unit) { shown = read() })
		f.Do(4*time.Second, func(u *sim.Unit) { u.Button(false) })
		say(3*time.Second, format, func() float64 { return shown })
	case fit.Breaker:
		f.Do(0, func(u *sim.Unit) { u.ChargeBreaker(false) })
		f.enter(8 * time.Second)
	case fit.Wake:
		f.Do(0, func(u *sim.Unit) { u.ChargeBreaker(true) })
		f.Do(0, func(u *sim.Unit) { u.Ignition(true) })
		say(60*time.Second, "%.1f", func() float64 { return f.clamp(s.FeedA) })
		say(0, "%.2f", func() float64 { return f.volts(s.FeedV - s.Battery[0].NegativeV) })
	case fit.WakeOff:
		f.Do(0, func(u *sim.Unit) { u.ChargeBreaker(true) })
		f.Do(0, func(u *sim.Unit) { u.Ignition(false) })
		f.enter(12 * time.Second)
	case fit.Warm:
		f.Do(4*time.Second, func(u *sim.Unit) { u.WarmSensor(k, 5) })
		f.enter(20 * time.Second)
	case fit.Degrees:
		say(6*time.Second, "%.1f", func() float64 { return s.Battery[k].TempC + f.Meters.Thermo })
	case fit.Label:
		f.label(st)
	}
}

// Run plans a run of the pump.
func (f *Fitter) Run(after, long time.Duration) {
	f.Do(after, func(u *sim.Unit) { u.Button(true) })
	f.Do(long, func(u *sim.Unit) { u.Button(false) })
}

func (f *Fitter) volts(true float64) float64 {
	return true*(1+0.005*f.Meters.VoltShare) + 0.02*f.Meters.VoltFixed
}

func (f *Fitter) millivolts(true float64) float64 {
	return true*(1+0.005*f.Meters.VoltShare) + 0.001*f.Meters.VoltFixed
}

func (f *Fitter) clamp(true float64) float64 {
	return true*(1+0.02*f.Meters.ClampShare) + 0.5*f.Meters.ClampFixed
}

// label types what is printed on the part that a channel is wired to.
func (f *Fitter) label(st fit.Step) {
	if f.NoLabels {
		f.Type(time.Second, func() string { return "skip can't be read" })
		return
	}
	sc := f.rig.Config.Board.Channels[st.Channel].Scale
	for _, a := range st.Asks {
		x := map[string]float64{
			"top_ohm": sc.TopOhm, "bottom_ohm": sc.BottomOhm, "mv_per_a": 1000 * max(sc.VPerA, -sc.VPerA), "zero_v": sc.ZeroV,
			"shunt_mohm": 1000 * sc.ShuntOhm, "gain": max(sc.Gain, -sc.Gain), "r25_ohm": sc.R25Ohm, "beta_k": sc.BetaK, "pullup_ohm": sc.PullupOhm,
		}[a.Name]
		f.Type(time.Second, func() string { return fmt.Sprintf("%.10g", x) })
	}
}

// Unit returns a unit at rest with so many batteries, whose duty is nothing but what the fitter does.
// With errors, its sensors and the meters are anywhere within the limits of their classes.
func Unit(wired config.Config, seed uint64, errors bool) (*rig.Rig, Meters, error) {
	sc := scenario.DefaultFor(string(wired.Bank.Layout))
	sc.Seed, sc.Days = seed, 1
	sc.Duty.WorkDays = nil
	sc.Bank.Batteries = nil
	for _, b := range wired.Bank.Batteries {
		bat := scenario.DefaultBattery(b.ID)
		bat.RatedAh, bat.RatedCCA, bat.SoCPct = b.RatedAh, b.RatedCCA, 92
		sc.Bank.Batteries = append(sc.Bank.Batteries, bat)
	}
	sc.Complete()
	var m Meters
	if errors {
		chance := rand.New(rand.NewPCG(seed, 21))
		to := func() float64 { return 2*chance.Float64() - 1 }
		m = Meters{to(), to(), to(), to(), to()}
		soc := 75 + 25*chance.Float64()
		for i := range sc.Bank.Batteries {
			b := &sc.Bank.Batteries[i]
			b.SoCPct, b.Aging.RaisedResistancePct = soc, 60*chance.Float64()
		}
		sc.Weather.MeanC += 15 * to()
		for i := range wired.Board.Channels {
			c := &wired.Board.Channels[i]
			sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{
				Channel: names(c), Offset: to() * c.Accuracy.Zero, GainPct: to() * c.Accuracy.GainPct, NoiseRMS: c.Accuracy.Noise,
			})
		}
	}
	r, err := rig.New(sc, wired, false)
	return r, m, err
}

// names returns a channel's name in a scenario.
func names(c *config.Channel) string {
	q := map[config.Signal]string{
		config.BatteryVoltage: "voltage", config.BatteryNegative: "negative", config.BatteryCurrent: "current",
		config.BatteryTemperature: "temperature", config.FeedVoltage: "feed", config.MotorVoltage: "motor",
	}[c.Signal]
	if c.Battery != "" {
		q += "-" + c.Battery
	}
	return q
}

// Go has the fitter go through the fitting of a unit whose configuration, at path, says what may not be
// so.
func (f *Fitter) Go(ctx context.Context, t *fitting.Terminal) (fitting.Result, error) {
	board, err := Board(f.rig, t.Config)
	if f.EverySecond {
		board, err = agent.NewBoard(t.Config, f.rig.PartsAs(&t.Config))
	}
	if err != nil {
		return fitting.Result{}, err
	}
	t.Board, t.Lines, t.Out, t.Step = board, f, f, f.Step
	if t.Now == nil {
		t.Now = func() time.Time { return f.rig.Unit.StartWall().Add(f.rig.Clock.Now()) }
	}
	return t.Run(ctx)
}

// Board opens a unit's emulated board as a configuration has it, read four times a second.
func Board(r *rig.Rig, written config.Config) (*sensors.Board, error) {
	return agent.NewBoard(fitting.Paced(written), r.PartsAs(&written))
}
