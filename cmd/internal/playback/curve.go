package playback

import (
	"context"
	"fmt"
	"io"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/rules/unit"
	"liftbank/sensors"
	"liftbank/sim/curve"
)

// Curve returns what gives a unit's recording as a curve of its batteries, instant by instant, and
// what is to be said of it in the end. A battery is left out of an instant in which its voltage or
// current can't be used. The voltages of a curve are each battery's own, also of those that stand on another.
//
// A board with the contactor's coil wired scans right after a change. What it read before held
// until then, so that is given at the time of the change too: otherwise the current would seem to
// rise to that of a run over the whole second since the scan before.
func Curve(ctx context.Context, in io.Reader, name string, batteries []string, layout unit.Layout) (
	func() (curve.Instant, error), func() []string, error) {
	cfg := config.Config{}
	cfg.Bank.Layout = config.Layout(layout.String())
	cfg.Board.Scan.RestEvery = config.Default().Board.Scan.RestEvery
	signals := []config.Signal{config.BatteryVoltage, config.BatteryCurrent, config.BatteryTemperature,
		config.BatteryNegative}
	for _, id := range batteries {
		for _, s := range signals {
			cfg.Board.Channels = append(cfg.Board.Channels, config.Channel{Signal: s, Battery: id})
		}
	}
	cfg.Board.Contacts = []config.Contact{{Signal: config.MotorCommand}}
	scans := recording.New(&cfg, recording.Options{Others: true}, recording.Input{
		Name: name, Open: func() (io.ReadCloser, error) { return io.NopCloser(in), nil },
	})
	if err := scans.Begin(); err != nil {
		return nil, nil, err
	}
	c := &curveOf{ctx: ctx, scans: scans, ids: batteries, layout: layout}
	notes := func() []string {
		all := scans.Notes()
		if n := scans.LeftOut(); n > 0 {
			all = append(all, fmt.Sprintf("%d rows of other signals were left out: --config takes them all", n))
		}
		return all
	}
	return c.next, notes, nil
}

// curveOf makes instants of scans.
type curveOf struct {
	ctx    context.Context
	scans  *recording.Scans
	ids    []string
	layout unit.Layout
	rows   []curve.Row // of the last instant
	at     time.Duration
	begun  bool
	ahead  *sensors.Scan // its instant comes after that of a change
}

func (c *curveOf) next() (curve.Instant, error) {
	for {
		scan := c.ahead
		if c.ahead = nil; scan == nil {
			var err error
			if scan, err = c.scans.Next(c.ctx); err != nil {
				return curve.Instant{}, err
			}
			if e := scan.Edges; len(e) > 0 && c.begun && e[0].At > c.at && e[0].At < scan.At {
				c.ahead, c.at = scan, e[0].At
				return curve.Instant{TimeS: c.at.Seconds(), Rows: c.rows}, nil
			}
		}
		if c.read(scan) {
			return curve.Instant{TimeS: c.at.Seconds(), Rows: c.rows}, nil
		}
	}
}

// read takes a scan and reports whether some battery was read.
func (c *curveOf) read(scan *sensors.Scan) bool {
	rows := c.rows[:0]
	of := func(r *sensors.Reading) unit.Reading {
		if r.Fault != sensors.None {
			return unit.Reading{}
		}
		return unit.Reading{Value: r.Value, Quality: unit.Good}
	}
	var all unit.Scan
	for i := range c.ids {
		all.Battery[i] = unit.Battery{VoltageV: of(&scan.Readings[4*i]), CurrentA: of(&scan.Readings[4*i+1]), NegativeV: of(&scan.Readings[4*i+3])}
	}
	c.layout.Bring(&all, len(c.ids))
	for i, id := range c.ids {
		v, a, t := all.Battery[i].OwnV(), all.Battery[i].CurrentA, scan.Readings[4*i+2]
		if !v.OK() || !a.OK() {
			continue
		}
		rows = append(rows, curve.Row{Battery: id, VoltageV: v.Value, CurrentA: a.Value, TempC: t.Value,
			TempKnown: t.Fault == sensors.None})
	}
	if len(rows) == 0 {
		return false
	}
	c.rows, c.at, c.begun = rows, scan.At, true
	return true
}
