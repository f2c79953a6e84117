// Package scenariofile reads scenarios: what happens to a simulated unit. Parse reads a file, Load
// one of the library's.
//
// A scenario is a YAML file. It says only where its unit differs from a healthy one with two
// batteries on a working day; of a unit built for strings, from one with a 24 V feed and motor, and
// voltages of feed and motor are those of its bank. The fields of [scenario.Scenario] and the types in
// it give each key with its unit, range and default. Reading is strict, see [strict]: an unknown key, a value out of
// range, a fault that begins after the run or an unknown finding is an error with file, line, field
// and what is accepted, and all mistakes are reported at once.
//
//	description: A loose clamp on battery b, and a current sensor that reads 2 % too much.
//	days: 10
//	start: 2025-03-03T05:00:00Z   # the unit's own time of day, written as UTC
//	seed: 7
//	bank:
//	  layout: parallel            # or series, series-pairs: 24 V
//	  configured: parallel        # what unit and monitor are for, where the wiring is another
//	  batteries:                  # 1 to 4
//	    - {id: a, chemistry: flooded, rated_ah: 100, rated_cca: 950, soc_pct: 95}
//	    - {id: b, aging: {lost_capacity_pct: 10, raised_resistance_pct: 20, sulfation_pct: 5}}
//	  wiring:                     # mΩ; one value stands for all
//	    positive_link_mohm: [0.5]
//	    load_leads: {at: diagonal, positive_mohm: 1.5, negative_mohm: 1}
//	    feed_leads: {positive_at: a, negative_at: a}
//	feed: {power_w: 500, limit_a: 40, absorption_v: 14.4}
//	motor: {run_a: 120, relief_a: 160, breaker_a: 150}
//	duty:
//	  work_days: [mon, tue, wed, thu, fri]
//	  stops: [8, 12]              # from and to
//	  up: [8s, 14s]
//	  parked: [{at: 5d, for: 2d}]
//	weather: {mean_c: 12, season_c: 10, day_c: 5}
//	sensors:
//	  errors:
//	    - {channel: current, gain_pct: 2, noise_rms: 0.2}
//	  faults:
//	    - {kind: channel-open, channel: voltage-b, at: 8d, for: 6h}
//	service: {lift_cycles: 2000}
//	faults:
//	  - {kind: post-resistive, battery: b, side: positive, mohm: 3, at: 2d}
//	expect: [link-resistive, sense-fault]
//
// Times are written as 300ms, 90s, 6h30m or 14d. `at` counts from the start, `for` is the duration
// (to the end if not given). [scenario.Kinds] lists what can go wrong with the unit and
// [scenario.SensorKinds] what can with its board, each with the fields it needs and the findings it
// is the root cause of. Sensors are data only: whoever puts a board in front of the bank applies
// them.
//
// The package is not below cmd/internal because the simulator's tests play the library.
package scenariofile

import (
	"cmp"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"

	"liftbank/agent/config/strict"
	"liftbank/sim/scenario"
)

// Parse reads a scenario file. file is its name for errors and, without its ending, the default of
// the scenario's name. The error, if any, is [strict.Errors].
func Parse(file string, data []byte) (scenario.Scenario, error) {
	sc := defaultOf(file, data)
	r := strict.Open(file, data, options)
	if r.Root(func(s *strict.Section) { fields(s, &sc) }) {
		sc.Name = cmp.Or(sc.Name, strings.TrimSuffix(path.Base(file), path.Ext(file)))
		sc.Complete()
		(&checks{r, &sc}).all()
	}
	if err := r.Err(); err != nil {
		return scenario.Scenario{}, err
	}
	return sc, nil
}

// options of reading.
var options = strict.Options{Sections: "bank, duty, faults and so on", EmptyOK: true}

// defaultOf returns the scenario that a file says where it differs from: its layout decides.
func defaultOf(file string, data []byte) scenario.Scenario {
	sc := scenario.Default()
	sc.Bank.Layout, sc.Bank.Configured, sc.Bank.Batteries = "", "", nil
	r := strict.Open(file, data, options)
	r.Root(func(s *strict.Section) { fields(s, &sc) }) // its errors are found again
	layout := cmp.Or(sc.Bank.Layout, scenario.Parallel)
	built := cmp.Or(sc.Bank.Configured, layout)
	if n := len(sc.Bank.Batteries); sc.Bank.Configured == "" && built == scenario.SeriesPairs && n > 0 && n <= 2 {
		built = scenario.Series
	}
	sc = scenario.DefaultFor(built)
	sc.Bank.Layout = layout
	return sc
}

// Load returns a scenario of the library.
func Load(name string) (scenario.Scenario, error) {
	file := name + ".yaml"
	data, err := scenario.Library.ReadFile(path.Join("library", file))
	if err != nil || strings.ContainsAny(name, `/\`) {
		const form = "scenario: %q: not in the library: want one of %s"
		return scenario.Scenario{}, fmt.Errorf(form, name, strings.Join(names(), ", "))
	}
	return Parse(file, data)
}

// Entry is one scenario of the library.
type Entry struct {
	Name        string `json:"name"`
	Description string `json:"description"`
}

// Names returns the library by name.
func Names() []Entry { return listed() }

var listed = sync.OnceValue(func() []Entry {
	var all []Entry
	for _, name := range names() {
		sc, err := Load(name)
		if err != nil {
			panic("bug: scenario library: " + err.Error())
		}
		all = append(all, Entry{name, sc.Description})
	}
	return all
})

// names returns the names of the library's files, which fs.ReadDir sorts.
func names() []string {
	files, err := fs.ReadDir(scenario.Library, "library")
	if err != nil {
		panic("bug: scenario library: " + err.Error())
	}
	all := make([]string, len(files))
	for i, f := range files {
		all[i] = strings.TrimSuffix(f.Name(), ".yaml")
	}
	return all
}
