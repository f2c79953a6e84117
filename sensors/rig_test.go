package sensors_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
	"liftbank/sim/board"
)

const ms = time.Millisecond

// script is a clock that passes only by being waited for, and the contacts whose changes it goes
// through.
type script struct {
	now     time.Duration
	changes []sensors.Edge // to come, in time order
	edges   []sensors.Edge // past, not taken
	on      []bool
	stirs   []time.Duration // wake-ups without an edge, to come
	woken   bool
}

var (
	_ sensors.Clock    = (*script)(nil)
	_ sensors.Contacts = (*script)(nil)
)

func (s *script) Now() time.Duration { return s.now }

// pass goes to a time, or to the next change before it if stop is set.
func (s *script) pass(at time.Duration, stop bool) {
	for {
		next, what := at, 0
		if len(s.changes) > 0 && s.changes[0].At <= next {
			next, what = s.changes[0].At, 1
		}
		if len(s.stirs) > 0 && s.stirs[0] <= next {
			next, what = s.stirs[0], 2
		}
		s.now = max(s.now, next)
		switch what {
		case 0:
			return
		case 1:
			e := s.changes[0]
			s.changes = s.changes[1:]
			s.on[e.Contact] = e.On
			s.edges = append(s.edges, e)
		case 2:
			s.stirs = s.stirs[1:]
		}
		s.woken = true
		if stop {
			return
		}
	}
}

func (s *script) WaitUntil(ctx context.Context, at time.Duration) error {
	s.pass(at, false)
	return ctx.Err()
}

func (s *script) WaitUntilOrEdge(ctx context.Context, at time.Duration) (bool, error) {
	if !s.woken {
		s.pass(at, true)
	}
	woken := s.woken
	s.woken = false
	return woken, ctx.Err()
}

func (s *script) Level(i int) (on, known bool) { return s.on[i], true }

func (s *script) Take(buf []sensors.Edge) []sensors.Edge {
	buf = append(buf, s.edges...)
	s.edges = s.edges[:0]
	return buf
}

// press adds a change of a contact from off to on and back.
func (s *script) press(contact int, at, length time.Duration) {
	s.changes = append(
		s.changes,
		sensors.Edge{Contact: contact, On: true, At: at},
		sensors.Edge{Contact: contact, At: at + length},
	)
}

// Channels of the rig, in the order of the configuration.
const (
	voltA = iota
	voltB
	ampA
	ampB
	feed
	motor
	tempA
	tempB
	channels
)

// rig is a board of two emulated chips with four inputs each, wired as a two-battery unit.
type rig struct {
	*script
	chips [2]*board.Chip
	bus   *board.Bus
	board *sensors.Board
	value [channels]float64 // true quantities
	cfg   sensors.Config
}

// The wiring: volts and amperes of a battery on different chips, so that they convert at the same
// time.
func rigConfig() sensors.Config {
	divider := calibration.Divider{TopOhm: 56e3, BottomOhm: 10e3}
	hall := calibration.Hall{ZeroV: 2.5, VPerA: 0.01}
	ntc := calibration.NTCBeta{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3}
	channel := func(
		name string, chip int, mux ads1115.Mux, inRun bool, scale calibration.Scale, low, high float64,
	) sensors.ChannelConfig {
		in := &ads1115.Input{Mux: mux, FullScale: ads1115.Range4V096, RestRate: ads1115.SPS128, RunRate: ads1115.SPS860}
		if scale == hall {
			in.FullScale = ads1115.Range6V144
		}
		return sensors.ChannelConfig{Name: name, Chip: chip, Input: in, InRun: inRun, Scale: scale, Min: low, Max: high}
	}
	cfg := sensors.Config{Contacts: 2, Schedule: sensors.DefaultSchedule(), Channels: []sensors.ChannelConfig{
		voltA: channel("volt a", 0, ads1115.AIN0, true, divider, 0, 30),
		voltB: channel("volt b", 1, ads1115.AIN0, true, divider, 0, 30),
		ampA:  channel("amp a", 1, ads1115.AIN2, true, hall, -240, 240),
		ampB:  channel("amp b", 0, ads1115.AIN2, true, hall, -240, 240),
		feed:  channel("feed", 0, ads1115.AIN1, false, divider, 0, 30),
		motor: channel("motor", 1, ads1115.AIN1, true, divider, 0, 30),
		tempA: channel("temp a", 0, ads1115.AIN3, false, ntc, -40, 90),
		tempB: channel("temp b", 1, ads1115.AIN3, false, ntc, -40, 90),
	}}
	cfg.Schedule.RunContact = 0
	return cfg
}

// newRig builds the rig; change may be nil.
func newRig(t testing.TB, change func(*sensors.Config)) *rig {
	t.Helper()
	r := &rig{script: &script{on: make([]bool, 2)}, cfg: rigConfig()}
	r.value = [channels]float64{12.65, 12.61, -1.5, 2.25, 14.2, 12.4, 21, 23}
	r.chips[0] = board.NewChip(0x48, r.script, board.Options{OscillatorError: 0.1})
	r.chips[1] = board.NewChip(0x49, r.script, board.Options{OscillatorError: -0.1})
	r.wire()
	r.bus = board.NewBus(r.script, r.chips[0], r.chips[1])
	if change != nil {
		change(&r.cfg)
	}
	var contacts sensors.Contacts
	if r.cfg.Contacts > 0 {
		contacts = r.script
	}
	b, err := sensors.New(r.cfg, []sensors.Chip{
		ads1115.New(r.bus, 0x48, r.script), ads1115.New(r.bus, 0x49, r.script),
	}, contacts, r.script)
	require.NoError(t, err)
	r.board = b
	return r
}

func (r *rig) wire() {
	divider := board.Divider{TopOhm: 56e3, BottomOhm: 10e3}
	hall := board.Hall{ZeroV: 2.5, VPerA: 0.01}
	ntc := board.NTC{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3}
	connect := func(channel, chip, ain int, front board.FrontEnd) {
		r.chips[chip].Connect(ain, func(time.Duration) float64 { return front.PinV(r.value[channel]) })
	}
	connect(voltA, 0, 0, divider)
	connect(voltB, 1, 0, divider)
	connect(ampA, 1, 2, hall)
	connect(ampB, 0, 2, hall)
	connect(feed, 0, 1, divider)
	connect(motor, 1, 1, divider)
	connect(tempA, 0, 3, ntc)
	connect(tempB, 1, 3, ntc)
}

// tolerance is half a step of the chip at the channel, with a margin for the thermistor's curve.
var tolerance = [channels]float64{
	voltA: 5e-4, voltB: 5e-4, ampA: 0.01, ampB: 0.01, feed: 5e-4, motor: 5e-4, tempA: 5e-3, tempB: 5e-3,
}

func (r *rig) next(t testing.TB) *sensors.Scan {
	t.Helper()
	s, err := r.board.Next(t.Context())
	require.NoError(t, err)
	return s
}

// until takes scans up to the first one that ends at or after a time, and gives that one.
func (r *rig) until(t testing.TB, at time.Duration) *sensors.Scan {
	t.Helper()
	for {
		if s := r.next(t); s.At >= at {
			return s
		}
	}
}

// set returns the settings of a channel's input.
func set(c *sensors.Config, channel int) *ads1115.Input {
	return c.Channels[channel].Input.(*ads1115.Input)
}

// direct makes the emulated chip without bus bytes sort its errors as the driver does.
type direct struct{ *board.Chip }

func (d direct) Result(ctx context.Context) (int16, error) {
	code, err := d.Chip.Result(ctx)
	switch {
	case errors.Is(err, board.ErrReset):
		err = &sensors.ChipError{Fault: sensors.Reset, Op: "read result", Err: err}
	case errors.Is(err, board.ErrNotReady):
		err = &sensors.ChipError{Fault: sensors.NotReady, Op: "read result", Err: err}
	}
	return code, err
}
