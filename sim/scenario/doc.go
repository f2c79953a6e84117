// Package scenario reads what happens to a simulated unit: its bank and how far that has gone, its wiring, feed, motor, duty
// and weather, what goes wrong and when, how its sensors err, and a seed.
//
// A scenario is a YAML file. A file says only where its unit differs from a sound one with two batteries on a working day;
// the fields of [Scenario] and the types in it give every key with its unit, range and default. Reading is strict: an unknown
// key, a value out of range, a fault that begins after the run or an unknown finding is an error with file, line, field and
// what is accepted, and all mistakes of a file are reported at once. Aliases, anchors and tags are not accepted.
//
//	description: A loose clamp on battery b, and a current sensor that reads 2 % too much.
//	days: 10
//	start: 2025-03-03T05:00:00Z   # the unit's own time of day, written as UTC
//	seed: 7
//	bank:
//	  layout: parallel            # or series-pairs, the wrong wiring that gives 25 V
//	  batteries:                  # 1 to 4
//	    - {id: a, chemistry: flooded, rated_ah: 100, rated_cca: 950, soc_pct: 95}
//	    - {id: b, ageing: {lost_capacity_pct: 10, raised_resistance_pct: 20, sulphation_pct: 5}}
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
// Times are written as 300ms, 90s, 6h30m, 1d6h or 2w; `at` counts from the start, `for` is how long it lasts (to the end if
// not given). [Kinds] lists what can go wrong with the unit and [SensorKinds] what can with its board, each with the fields it
// needs and the findings it is the root cause of. Sensors are data only: whoever puts a board in front of the bank applies
// them.
//
// The package also holds a library of named scenarios, see [Names] and [Load]. A scenario is added to it by putting a file into
// the folder library.
package scenario
