package rules_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/rules/unit"
)

// inSeries is a bank of strings of 100 Ah flooded batteries with everything wired.
func inSeries(l unit.Layout) rules.Config {
	cfg := rules.Config{Layout: l, HasCommand: true}
	for i, id := range []string{"a", "b", "c", "d"}[:2*(l.Blocks()-1)*int(l)] {
		cfg.Batteries = append(cfg.Batteries, rules.BatteryConfig{ID: id, Chemistry: leadacid.Flooded, RatedAh: 100, RatedCCA: 950})
		cfg.NegativeTap[i] = true
	}
	return cfg
}

// duet steps a unit of one battery and one of two such in series through the same.
type duet struct {
	one, two   *rules.Engine
	a, b       *rules.Output
	in, strung rules.Input
	v, amps, c float64
	feedV      float64
	motorV     float64
}

func newDuet(t require.TestingT) *duet {
	cfg := twoFlooded()
	cfg.Batteries = cfg.Batteries[:1]
	one, err := rules.New(cfg)
	require.NoError(t, err)
	two := inSeries(unit.Series)
	// The upper one is known by two taps: with a perfect one of its own it is known as well as the lower.
	two.Classes[unit.ChannelOf(unit.BatteryVoltage, 1)] = unit.SensorClass{Step: 1e-12, Noise: 1e-12}
	series, err := rules.New(two)
	require.NoError(t, err)
	d := &duet{one: one, two: series, v: 12.7, c: 25}
	d.in.WakeLine, d.in.MotorCommand, d.in.Disconnect = unit.ContactOff, unit.ContactOff, unit.ContactOn
	d.in.At.WallTrusted = true
	return d
}

func (d *duet) step(dt time.Duration) {
	d.in.At.Mono += dt
	d.in.Battery[0] = rules.BatteryInput{VoltageV: good(d.v), CurrentA: good(d.amps), TempC: good(d.c)}
	d.in.FeedV, d.in.MotorV = good(d.feedV), good(d.motorV)
	d.strung = d.in
	d.strung.Battery[1] = rules.BatteryInput{VoltageV: good(2 * d.v), NegativeV: good(d.v), TempC: good(d.c)}
	d.strung.FeedV, d.strung.MotorV = good(2*d.feedV), good(2*d.motorV)
	d.a, d.b = d.one.Step(&d.in), d.two.Step(&d.strung)
	d.in.CommandEdges = nil
}

func (d *duet) rest(hours float64) {
	d.v, d.amps, d.motorV, d.in.WakeLine = 12.2+0.5*d.charge(), -0.06, 0, unit.ContactOff
	d.feedV = d.v
	for range int(hours * 60) {
		d.step(time.Minute)
	}
}

// The middle of a string is read by two taps where the upper battery has one at its negative post, or by none when its
// wire is off: what they err by is not the bank's, whose rested voltage is that of the tap at its plus.
func TestRestedVoltageOfAString(t *testing.T) {
	for name, middle := range map[string]struct {
		low, up float64
		read    unit.Quality
	}{
		"right": {12.3, 12.3, unit.Good}, "lower tap high": {12.4, 12.3, unit.Good}, "upper's negative low": {12.3, 12.2, unit.Good},
		"wire off": {0, 12.45, unit.OutOfRange},
	} {
		engine, err := rules.New(inSeries(unit.Series))
		require.NoError(t, err)
		in := rules.Input{WakeLine: unit.ContactOff, MotorCommand: unit.ContactOff, Disconnect: unit.ContactOn}
		in.FeedV, in.MotorV = good(24.6), good(24.6)
		in.Battery[0] = rules.BatteryInput{VoltageV: unit.Reading{Value: middle.low, Quality: middle.read}, CurrentA: good(-0.06), TempC: good(25)}
		in.Battery[1] = rules.BatteryInput{VoltageV: good(24.6), NegativeV: good(middle.up), TempC: good(25)}
		var out *rules.Output
		for range 60 * 24 {
			in.At.Mono += time.Minute
			out = engine.Step(&in)
		}
		require.True(t, out.Bank.Rested, name)
		assert.InDelta(t, 24.6, out.Bank.RestedV.Value, 0.02, name)
	}
}

func (d *duet) charge() float64 { return math.Mod(float64(d.in.At.Mono/time.Hour)*0.37, 1) }

func (d *duet) feed(minutes int, amps, volts float64) {
	d.in.WakeLine, d.motorV = unit.ContactOn, 0
	for k := range minutes * 6 {
		d.amps = amps * math.Exp(-float64(k)/200)
		d.v = min(13.2+float64(k)*0.01, volts)
		d.feedV = d.v + 0.004*d.amps
		d.step(10 * time.Second)
	}
	d.in.WakeLine = unit.ContactOff
}

func (d *duet) run(amps, mohm float64) {
	from := d.v
	d.in.MotorCommand, d.in.CommandEdges = unit.ContactOn, []rules.Edge{{On: true, At: d.in.At.Mono + 5*time.Millisecond}}
	for k := range 150 {
		at := float64(k+1) * 0.02
		d.amps = -amps * (1 + 1.5*math.Exp(-at/0.06))
		d.v = from + d.amps*mohm/1000 - 0.002*at
		d.motorV, d.feedV = d.v+d.amps*0.002, d.v
		d.step(20 * time.Millisecond)
	}
	d.in.MotorCommand, d.in.CommandEdges = unit.ContactOff, []rules.Edge{{At: d.in.At.Mono + 5*time.Millisecond}}
	d.amps, d.v, d.motorV = -0.06, from-0.01, 0
	d.feedV = d.v
	for range 30 {
		d.step(20 * time.Millisecond)
	}
	d.step(5 * time.Second)
}

// Two equal batteries in series are, each, what one alone is: the same current goes through both, and
// everything in volts is twice as much for the bank, its feed and its motor.
func TestSeriesOfEqualsIsOneTwice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := newDuet(t)
		for range rapid.IntRange(2, 5).Draw(t, "days") {
			d.rest(rapid.Float64Range(1, 14).Draw(t, "rest"))
			for range rapid.IntRange(0, 8).Draw(t, "runs") {
				d.run(rapid.Float64Range(50, 120).Draw(t, "amps"), rapid.Float64Range(4, 7).Draw(t, "mohm"))
			}
			d.feed(rapid.IntRange(5, 90).Draw(t, "minutes"), rapid.Float64Range(5, 40).Draw(t, "charge"),
				rapid.Float64Range(13.4, 14.6).Draw(t, "volts"))
		}
		d.one.UpdateForecast()
		d.two.UpdateForecast()
		one, lower, upper := d.a.Battery[0], d.b.Battery[0], d.b.Battery[1]
		one.In = lower.In
		if one.Verdict == loadtest.Tired && lower.Verdict == loadtest.Unknown { // in a string the figure must be surer
			one.Verdict, one.WaitsFor = lower.Verdict, lower.WaitsFor
		}
		assert.Equal(t, one, lower, "the lower battery is what the one is")
		near := func(a, b rules.Estimate, factor float64, what string) {
			require.Equal(t, a.Known, b.Known, what)
			assert.InDelta(t, factor*a.Value, b.Value, 1e-6*(1+math.Abs(b.Value)), what)
			assert.InDelta(t, factor*a.Sigma, b.Sigma, 1e-6*(1+b.Sigma), what)
		}
		near(one.SoCPct, upper.SoCPct, 1, "charge of the upper battery")
		near(one.Resistance, upper.Resistance, 1, "resistance of the upper battery")
		near(one.CrankingA, upper.CrankingA, 1, "capability of the upper battery")
		x, y := &d.a.Bank, &d.b.Bank
		assert.InDelta(t, 2*x.VoltageV.Value, y.VoltageV.Value, 1e-9)
		assert.Equal(t, x.CurrentA, y.CurrentA)
		near(x.SoCPct, y.SoCPct, 1, "charge of the bank")
		near(x.RestedV, y.RestedV, 2, "rested voltage of the bank")
		near(x.LiftsLeft, y.LiftsLeft, 1, "lifts left")
		near(x.TimeToFullS, y.TimeToFullS, 1, "time to full")
		near(d.a.Motor.LiftAh, d.b.Motor.LiftAh, 1, "charge of a lift")
		near(d.a.Motor.LiftWh, d.b.Motor.LiftWh, 2, "energy of a lift")
		for _, k := range [][2]float64{
			{x.ChargedAh, y.ChargedAh}, {x.DrawnAh, y.DrawnAh}, {2 * x.ChargedWh, y.ChargedWh}, {2 * x.DrawnWh, y.DrawnWh},
			{x.FullCycles, y.FullCycles}, {2 * d.a.Motor.Last.MinBankV, d.b.Motor.Last.MinBankV},
		} {
			assert.InDelta(t, k[0], k[1], 1e-9*(1+math.Abs(k[0])))
		}
		p, q := d.one.State(), d.two.State()
		assert.InDelta(t, p.Days.NetAh, q.Days.NetAh, 1e-9, "stored less given")
		assert.InDelta(t, p.Days.RunAs[0], q.Days.RunAs[1], 1e-6)
		assert.Equal(t, p.Duty, q.Duty)
		assert.Equal(t, p.Zeros, q.Zeros)
		assert.InDelta(t, d.a.Power.ParkedPct, d.b.Power.ParkedPct, 1e-9)
		near(x.ParkedDrawA, y.ParkedDrawA, 1, "parked draw")
		assert.InDelta(t, p.Pump.Usual.Mean[0], q.Pump.Usual.Mean[0], 1e-9)
		assert.InDelta(t, 2*p.Pump.Drops.Mohm[0], q.Pump.Drops.Mohm[0], 1e-6)
		assert.Equal(t, d.a.Feed.Status, d.b.Feed.Status)
		assert.Equal(t, d.a.Motor.Runs, d.b.Motor.Runs)
		assert.False(t, y.SpreadPct.Known, "of a single string")
		assert.False(t, y.CirculatingA.Known, "there is nowhere to circulate")
		assert.False(t, upper.DrawSharePct.Known)
		assert.Subset(t, activeOf(d.a), activeOf(d.b), "nothing more is found")
		s := &d.b.Strings[0]
		assert.Equal(t, x.CurrentA, s.CurrentA)
		assert.InDelta(t, y.VoltageV.Value, s.VoltageV.Value, 1e-12)
		if s.RestDiffV.Known {
			assert.InDelta(t, 0, s.RestDiffV.Value, 1e-9)
		}
		assert.InDelta(t, 0, s.SpreadPct.Value, 1e-4)
	})
}

func activeOf(out *rules.Output) (names []string) {
	for i := range out.Findings {
		if r := &out.Findings[i]; r.Active() {
			names = append(names, r.Def.Name)
		}
	}
	return names
}

// A unit in strings through the sensors of the reference board: figures within what the suites of parallel banks
// allow, and the truth within what is said of it.
func TestStringsAgainstTruth(t *testing.T) {
	for name, c := range map[string]struct{ middleMohm float64 }{
		"series-healthy": {0.7}, "pairs-healthy": {0.7}, // link and joints: 0.5 + 2 · 0.1 mΩ
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			sc, err := scenariofile.Load(name)
			require.NoError(t, err)
			p := newPlayer(t, sc, rough{})
			var square, n, within float64
			p.each = func(out *rules.Output) {
				if out.At.Mono < 24*time.Hour || out.Motor.Running {
					return
				}
				for i := range out.Battery {
					soc := out.Battery[i].SoCPct
					require.True(t, soc.Known)
					miss := soc.Value - p.unit.SoCPct(i)
					square, n = square+miss*miss, n+1
					if math.Abs(miss) <= 2*soc.Sigma {
						within++
					}
				}
				require.Empty(t, activeOf(out))
			}
			p.play(t, 4*24*time.Hour)
			assert.Less(t, math.Sqrt(square/n), 2.0, "%% RMS: parallel banks have 0.5 to 2")
			assert.Greater(t, within/n, 0.95)
			out := p.out
			for i := range out.Battery {
				b := &out.Battery[i]
				truth := p.unit.Truth().Batteries[i].CrankingA
				require.True(t, b.CrankingA.Known)
				assert.InEpsilon(t, truth, b.CrankingA.Value, 0.08, "capability of %s", b.ID)
				assert.InDelta(t, truth, b.CrankingA.Value, 2*b.CrankingA.Sigma)
			}
			middles := 0
			for _, l := range out.Links {
				if l.Side == network.Middle {
					middles++
					require.True(t, l.Mohm.Known)
					assert.InDelta(t, c.middleMohm, l.Mohm.Value, 0.1)
					assert.InDelta(t, c.middleMohm, l.Mohm.Value, 2*l.Mohm.Sigma)
					assert.Less(t, l.Mohm.Sigma, 0.1)
				}
			}
			assert.Equal(t, len(out.Strings), middles)
			for k := range out.Strings {
				s := &out.Strings[k]
				for what, d := range map[string]rules.Estimate{"rest": s.RestDiffV, "held": s.HeldDiffV, "run": s.RunDiffV} {
					require.True(t, d.Known, what)
					assert.InDelta(t, 0, d.Value, 2*d.Sigma, what)
					assert.Less(t, d.Sigma, 0.1, "%s: the taps are known after a full charge", what)
				}
			}
		})
	}
}

// What is saved of a bank with strings goes on; under another layout the counts do, and nothing that was learned of
// batteries wired otherwise.
func TestStateKeepsToItsLayout(t *testing.T) {
	d := newDuet(t)
	for range 3 {
		d.rest(6)
		for range 8 {
			d.run(80, 5)
		}
		d.feed(90, 30, 14.4)
	}
	text, err := json.Marshal(d.two.State())
	require.NoError(t, err)
	read := func() *rules.State {
		var s rules.State
		require.NoError(t, json.Unmarshal(text, &s))
		return &s
	}
	cfg := inSeries(unit.Series)
	cfg.Classes[unit.ChannelOf(unit.BatteryVoltage, 1)] = unit.SensorClass{Step: 1e-12, Noise: 1e-12}
	again, err := rules.New(cfg)
	require.NoError(t, err)
	require.NoError(t, again.Restore(read()))
	d.rest(1)
	d.two.UpdateForecast()
	assert.Equal(t, uint64(24), d.b.Motor.Runs)

	other, err := rules.New(twoFlooded())
	require.NoError(t, err)
	err = other.Restore(read())
	require.ErrorContains(t, err, "layout: saved as series: the configuration has parallel")
	require.NotErrorIs(t, err, rules.ErrStateRefused)
	s := other.State()
	assert.Equal(t, read().Motor, s.Motor, "lifts were lifts")
	assert.Equal(t, read().Services, s.Services)
	fresh, err := rules.New(twoFlooded())
	require.NoError(t, err)
	assert.Equal(t, fresh.State().Battery, s.Battery)
	assert.Equal(t, fresh.State().Network, s.Network)
	assert.Equal(t, fresh.State().Zeros, s.Zeros)

	bad := read()
	bad.Layout = 7
	require.ErrorIs(t, other2(t).Restore(bad), rules.ErrStateRefused)
	for what, change := range map[string]func(s *rules.State){
		"taps":   func(s *rules.State) { s.Strung.String[0].Base = math.NaN() },
		"middle": func(s *rules.State) { s.Middle.Link[0].Mohm = math.Inf(1) },
	} {
		broken := read()
		change(broken)
		e, err := rules.New(cfg)
		require.NoError(t, err)
		require.Error(t, e.Restore(broken), what)
	}
}

func other2(t *testing.T) *rules.Engine {
	e, err := rules.New(twoFlooded())
	require.NoError(t, err)
	return e
}

// What a parked string gives is what one of its batteries gives.
func TestParkedString(t *testing.T) {
	d := newDuet(t)
	d.feed(240, 20, 14.4)
	for k := range 25 * 144 {
		d.v, d.amps, d.motorV = 12.75-0.004*float64(k)/144, -0.06, 0
		d.feedV = d.v
		d.step(10 * time.Minute)
	}
	one, two := d.a.Bank.ParkedDrawA, d.b.Bank.ParkedDrawA
	require.True(t, one.Known)
	require.True(t, two.Known)
	assert.InDelta(t, one.Value, two.Value, 1e-6)
	assert.InDelta(t, one.Sigma, two.Sigma, 1e-6)
	d.one.UpdateForecast()
	d.two.UpdateForecast()
	assert.Equal(t, d.a.Power.Level, d.b.Power.Level)
	assert.InDelta(t, d.a.Power.ParkedAh, d.b.Power.ParkedAh, 1e-9)
}

// A tap of a string that is calibrated brings the resistances that it was part of to what they would have been; a
// current sensor brings those of both batteries.
func TestRecalibratedStrings(t *testing.T) {
	const off = 1.004
	for name, c := range map[string]struct {
		channel unit.Channel
		// of the readings at the lower post and the upper one, of the current, and at the upper battery's negative post,
		// until they are calibrated
		gains  [4]float64
		negTap bool
	}{
		"lower tap":                        {unit.ChannelOf(unit.BatteryVoltage, 0), [4]float64{1 / off, 1, 1, 1}, false},
		"lower tap beside a negative post": {unit.ChannelOf(unit.BatteryVoltage, 0), [4]float64{1 / off, 1, 1, 1}, true},
		"upper tap":                        {unit.ChannelOf(unit.BatteryVoltage, 1), [4]float64{1, 1 / off, 1, 1}, true},
		"negative post in the middle":      {unit.ChannelOf(unit.BatteryNegative, 1), [4]float64{1, 1, 1, 1 / off}, true},
		"current":                          {ampsA, [4]float64{1, 1, 1 / off, 1}, true},
	} {
		t.Run(name, func(t *testing.T) {
			play := func(gains [4]float64) *rules.Engine {
				cfg := inSeries(unit.Series)
				cfg.NegativeTap[1] = c.negTap
				e, err := rules.New(cfg)
				require.NoError(t, err)
				in := rules.Input{WakeLine: unit.ContactOff, MotorCommand: unit.ContactOff, Disconnect: unit.ContactOn}
				step := func(dt time.Duration, v, amps float64) {
					in.At.Mono += dt
					in.Battery[0] = rules.BatteryInput{VoltageV: good(v * gains[0]), CurrentA: good(amps * gains[2]), TempC: good(25)}
					in.Battery[1] = rules.BatteryInput{VoltageV: good(2 * v * gains[1]), TempC: good(25)}
					if c.negTap {
						in.Battery[1].NegativeV = good(v * gains[3])
					}
					in.FeedV, in.MotorV = good(2*v), good(0)
					e.Step(&in)
					in.CommandEdges = nil
				}
				for range 40 {
					for range 60 {
						step(5*time.Second, 12.65, 0)
					}
					in.MotorCommand, in.CommandEdges = unit.ContactOn, []rules.Edge{{On: true, At: in.At.Mono}}
					for range 400 {
						step(10*time.Millisecond, 12.65-100*0.0036, -100)
					}
					in.MotorCommand, in.CommandEdges = unit.ContactOff, []rules.Edge{{At: in.At.Mono}}
					step(10*time.Millisecond, 12.65, 0)
				}
				return e
			}
			e := play(c.gains)
			was := e.State()
			require.NoError(t, e.Recalibrate(unit.Recalibration{Channel: c.channel, Now: unit.Correction{Gain: off}}))
			is := e.State()
			// Of a dip of one at each battery, what was read of it over the current that was read.
			lower, below := c.gains[0], c.gains[0]
			if c.negTap {
				below = c.gains[3]
			}
			read := [2]float64{lower / c.gains[2], (2*c.gains[1] - below) / c.gains[2]}
			for i := range 2 {
				p, q := &was.Battery[i].Load.Parts, &is.Battery[i].Load.Parts
				require.Positive(t, q.Runs, "nothing restarts within the class")
				assert.InEpsilon(t, 1/read[i], q.MetalMohm/p.MetalMohm, 1e-4, "battery %d", i)
			}
		})
	}
}
