package playback

import (
	"context"
	"fmt"
	"io"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/sensors"
	"liftbank/sim/curve"
)

// Curve returns what gives a unit's recording as a curve of its batteries, instant by instant, and
// what is to be said of it in the end. A battery is left out of an instant in which its voltage or
// current can't be used.
func Curve(ctx context.Context, in io.Reader, name string, batteries []string) (func() (curve.Instant, error),
	func() []string, error) {
	cfg := config.Config{}
	cfg.Board.Scan.RestEvery = config.Default().Board.Scan.RestEvery
	signals := []config.Signal{config.BatteryVoltage, config.BatteryCurrent, config.BatteryTemperature,
		config.BatteryNegative}
	for _, id := range batteries {
		for _, s := range signals {
			cfg.Board.Channels = append(cfg.Board.Channels, config.Channel{Signal: s, Battery: id})
		}
	}
	scans := recording.New(&cfg, recording.Options{Others: true}, recording.Input{
		Name: name, Open: func() (io.ReadCloser, error) { return io.NopCloser(in), nil },
	})
	if err := scans.Begin(); err != nil {
		return nil, nil, err
	}
	rows := make([]curve.Row, 0, len(batteries))
	next := func() (curve.Instant, error) {
		for {
			scan, err := scans.Next(ctx)
			if err != nil {
				return curve.Instant{}, err
			}
			rows = rows[:0]
			for i, id := range batteries {
				v, a, t, n := scan.Readings[4*i], scan.Readings[4*i+1], scan.Readings[4*i+2], scan.Readings[4*i+3]
				if v.Fault != sensors.None || a.Fault != sensors.None {
					continue
				}
				if n.Fault == sensors.None {
					v.Value -= n.Value
				}
				rows = append(rows, curve.Row{Battery: id, VoltageV: v.Value, CurrentA: a.Value, TempC: t.Value,
					TempKnown: t.Fault == sensors.None})
			}
			if len(rows) > 0 {
				return curve.Instant{TimeS: scan.At.Seconds(), Rows: rows}, nil
			}
		}
	}
	notes := func() []string {
		all := scans.Notes()
		if n := scans.LeftOut(); n > 0 {
			all = append(all, fmt.Sprintf("%d rows of other signals were left out: --config takes them all", n))
		}
		return all
	}
	return next, notes, nil
}
