package findings

import (
	"fmt"
	"time"

	"liftbank/cmd/internal/suite"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// sweepScenario is the healthy unit whose sensors the sweep breaks, sweepDays the length of a run.
const (
	sweepScenario = "healthy-month"
	sweepDays     = 4
)

// sweepFaults returns a channel's faults: open, shorted, stuck at a plausible value and elsewhere,
// noisy, off both ways, dropping out. Values are in the channel's own unit. A shorted pin of a
// current sensor reads its far end, and a shorted thermistor is out of range anyhow.
func sweepFaults(channel string) []scenario.SensorFault {
	quantity, _, _ := scenario.SplitChannel(channel)
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
		return append(all, f("channel-stuck", 0), f("channel-stuck", 0.1),
			f("channel-noisy", 0.05), f("channel-off", 0.1))
	case "motor":
		return append(all, f("channel-stuck", 0), f("channel-stuck", 9),
			f("channel-noisy", 0.5), f("channel-off", 0.6), f("channel-off", -0.6))
	}
	return append(all, f("channel-stuck", 0), f("channel-stuck", 12.6), f("channel-stuck", 10.8),
		f("channel-noisy", 0.5), f("channel-off", 0.6), f("channel-off", -0.6))
}

// sweepJobs returns a run for each fault of each channel, each chip and the bus.
func sweepJobs(o *suite.Options, seed uint64) (jobs []job, err error) {
	var faults []scenario.SensorFault
	channels := []string{"voltage-a", "voltage-b", "negative-b", "current-a", "current-b", "temperature-a", "feed",
		"motor"}
	for _, channel := range channels {
		faults = append(faults, sweepFaults(channel)...)
	}
	for chip := range 2 {
		faults = append(faults,
			scenario.SensorFault{Kind: "chip-silent", Chip: chip}, scenario.SensorFault{Kind: "chip-slow", Chip: chip})
	}
	faults = append(faults, scenario.SensorFault{Kind: "bus-stuck"})
	for _, f := range faults {
		sc, err := scenariofile.Load(sweepScenario)
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
