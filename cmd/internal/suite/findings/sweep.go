package findings

import (
	"fmt"
	"time"

	"liftbank/cmd/internal/suite"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// sweepDays is the length of a run.
const sweepDays = 4

// swept is the healthy unit of each layout whose sensors the sweep breaks, and what its board has.
var swept = map[string]struct {
	scenario string
	channels []string
	chips    int
}{
	scenario.Parallel: {"healthy-month", []string{
		"voltage-a", "voltage-b", "negative-b", "current-a", "current-b", "temperature-a", "feed", "motor",
	}, 2},
	scenario.Series: {"series-healthy", []string{
		"voltage-a", "voltage-b", "negative-b", "current-a", "temperature-a", "feed", "motor",
	}, 2},
	scenario.SeriesPairs: {"pairs-healthy", []string{
		"voltage-a", "voltage-b", "voltage-c", "voltage-d", "negative-b", "negative-c", "negative-d", "current-a",
		"current-c", "temperature-a", "feed", "motor",
	}, 4},
}

// sweepFaults returns a channel's faults: open, shorted, stuck at a plausible value and elsewhere,
// noisy, off both ways, dropping out. Values are in the channel's own unit. A shorted pin of a
// current sensor reads its far end, and a shorted thermistor is out of range anyhow.
func sweepFaults(layout, channel string) []scenario.SensorFault {
	quantity, battery, _ := scenario.SplitChannel(channel)
	blocks := 1.0 // that the channel is over the board's ground
	if layout != scenario.Parallel && (battery == "" || battery == "b" || battery == "d") {
		blocks = 2
	}
	f := func(kind string, value float64) scenario.SensorFault {
		return scenario.SensorFault{Kind: kind, Channel: channel, Value: value}
	}
	all := []scenario.SensorFault{
		f("channel-open", 0), {Kind: "dropouts", Channel: channel, Every: 7 * time.Second},
	}
	switch quantity {
	case "current":
		return append(all, f("channel-stuck", -264), f("channel-stuck", 0), f("channel-stuck", -40),
			f("channel-noisy", 8), f("channel-off", 8), f("channel-off", -8))
	case "temperature":
		return append(all, f("channel-stuck", 15), f("channel-stuck", 70),
			f("channel-noisy", 8), f("channel-off", 35), f("channel-off", -35))
	case "negative":
		if blocks > 1 { // the middle of a string
			return append(all, f("channel-stuck", 0), f("channel-stuck", 12.6),
				f("channel-noisy", 0.5), f("channel-off", 0.6), f("channel-off", -0.6))
		}
		return append(all, f("channel-stuck", 0), f("channel-stuck", 0.1),
			f("channel-noisy", 0.05), f("channel-off", 0.1))
	case "motor":
		return append(all, f("channel-stuck", 0), f("channel-stuck", 9*blocks),
			f("channel-noisy", 0.5), f("channel-off", 0.6), f("channel-off", -0.6))
	}
	return append(all, f("channel-stuck", 0), f("channel-stuck", 12.6*blocks), f("channel-stuck", 10.8*blocks),
		f("channel-noisy", 0.5), f("channel-off", 0.6), f("channel-off", -0.6))
}

// sweepJobs returns a run for each fault of each channel, each chip and the bus.
func sweepJobs(o *suite.Options, seed uint64) (jobs []job, err error) {
	var faults []scenario.SensorFault
	of := swept[o.Built()]
	for _, channel := range of.channels {
		faults = append(faults, sweepFaults(o.Built(), channel)...)
	}
	for chip := range of.chips {
		faults = append(faults,
			scenario.SensorFault{Kind: "chip-silent", Chip: chip}, scenario.SensorFault{Kind: "chip-slow", Chip: chip})
	}
	faults = append(faults, scenario.SensorFault{Kind: "bus-stuck"})
	for _, f := range faults {
		sc, err := scenariofile.Load(of.scenario)
		if err != nil {
			return nil, err
		}
		sc.Seed += seed - 1
		o.Draw(&sc, seed)
		sc.Days = sweepDays
		f.At = 28*time.Hour + 11*time.Minute // on a working day, between two stops
		sc.Sensors.Faults = []scenario.SensorFault{f}
		at := f.Channel
		if at == "" {
			at = fmt.Sprintf("chip %d", f.Chip)
		}
		if name := fmt.Sprintf("sweep %s %s %g", at, f.Kind, f.Value); o.Matches(name) {
			jobs = append(jobs, job{name: name, sc: sc, seed: seed, sweep: true})
		}
	}
	return jobs, nil
}
