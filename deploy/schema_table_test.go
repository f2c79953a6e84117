package deploy_test

import "liftbank/agent/records/schema"

// seen is where a message is seen, beside its schema.
type seen struct {
	schema.Message
	leaf   string // last level of its topic; "" for one that isn't sent over MQTT
	path   string // where it is got over HTTP; "" for one that isn't
	rare   bool   // a demonstration doesn't make any in a few seconds
	sample string // one message, for rare ones
}

// places is by the file of the schema. A message without a place here is seen in none of these
// ways.
var places = map[string]seen{
	"status.schema.json":         {leaf: "status"},
	"snapshot.schema.json":       {leaf: "snapshot", path: "/api/v1/snapshot"},
	"run.schema.json":            {leaf: "runs"},
	"finding.schema.json":        {leaf: "findings"},
	"findings.schema.json":       {path: "/api/v1/findings"},
	"history.schema.json":        {},
	"first-second.schema.json":   {rare: true, sample: traceSample},
	"readings.schema.json":       {leaf: "readings", rare: true, sample: readingsSample},
	"readings-senml.schema.json": {leaf: "readings", rare: true, sample: senmlSample},
	"visit.schema.json":          {leaf: "visits", rare: true, sample: visitSample},
	"gap.schema.json":            {rare: true, sample: gapSample},
	"received.schema.json":       {leaf: "received", rare: true, sample: receivedSample},
	"fit.schema.json":            {rare: true, sample: fitSample},
}

// schemas is every message that the program sends, answers or takes.
var schemas = func() (all []seen) {
	for _, m := range schema.Messages {
		s := places[m.File]
		s.Message = m
		all = append(all, s)
	}
	return all
}()

// Samples of messages that a few seconds of demonstration don't bring, by the rules of their
// packages.
const (
	head = `"unit":"t-1042","session":"5f0c2a9e","first":1,"seq":18,"at":"2026-03-09T14:03:22Z",
		"clock_trusted":true,"mono_s":86523.5`
	fitSample = `{"schema":"liftbank.fit.v1","unit":"t-1042","by":"K. Fitter","begun":"2026-03-09T13:30:00Z",
		"finished":"2026-03-09T14:03:22Z","program":"liftbank 0.2.0","config_sha256_before":"5f0c","config_sha256_after":"2a9e",
		"channels":["battery_voltage_a"],"contacts":["wake_line"],
		"steps":[{"step":"post-a","title":"Voltage of battery a","records":[{"at":"2026-03-09T13:31:00Z",
			"typed":[{"name":"volts","value":12.63,"unit":"V","half_digit":0.005}],
			"shown":[{"value":12.6,"sigma":0.001,"df":7,"spread":0.002,"drift":0.001,"count":16,"over_s":4,"ok":true}],
			"levels":["off"]}]}],
		"verdicts":[{"subject":"wake_line","test":"level","outcome":"changed","text":"Inverted",
			"figures":[{"name":"shown","value":1,"unit":"V"}],
			"changes":[{"list":"contacts","index":0,"field":"active","from":"high","to":"low"}]}],
		"trouble":[{"step":"run-a","text":"no readings","chips":[{"chip":"volts","fault":"no answer"}]}],
		"stored_corrections":[{"channel":"battery_current_a","to":"battery_current_b","offset":-0.24,"gain":1.0132,"by":"R. Vale",
			"at":"2026-02-04T10:12:00Z","fate":"stays"}]}`
	readingsSample = `{"schema":"liftbank.readings.v1","stream":"readings",` + head + `,
		"start":"2026-03-09T13:33:00Z","readings":{"step_s":60,"bins":30,
		"within":{"voltage_v":0.01,"current_a":0.5,"temperature_c":0.5,"soc_pct":1},
		"series":[{"figure":"voltage_v","mean":[0,12.65,29,12.61],"min":[0,12.6,12,10.9,13,12.6,29,12.6]},
			{"figure":"temperature_c","battery":"a","mean":[0,14.5,9,null]}]}}`
	senmlSample = `[{"n":"t-1042:readings:session","t":1773063180,"vs":"5f0c2a9e"},{"n":"t-1042:a:voltage_v",
		"u":"V","t":1773063180,"v":12.65}]`
	visitSample = `{"schema":"liftbank.visit.v1","stream":"visits",` + head + `,
		"visit":{"schema":"liftbank.visit-record.v2","id":"20260309t140322-5f0c","unit":"t-1042","by":"technician 7",
		"begun":"2026-03-09T13:30:00Z","finished":"2026-03-09T14:03:22Z","clock_trusted":true,
		"start":{"lift_cycles":206,"runs":412,"motor_time_s":4961.4},"end":{"lift_cycles":207,"runs":414,
		"motor_time_s":4985.6},
		"areas":[{"id":"posts","title":"Posts and links","items":[{"id":"tight","text":"Tight",
		"state":"attention","note":"b- loose"}]}],
		"readings":[{"subject":"a","figure":"voltage_v","value":12.64,"unit":"V","agent":12.65,
		"at":"2026-03-09T13:40:00Z"}],
		"load_tests":[{"battery":"a","load_a":100,"after_s":15,"voltage_v":11.4,"cranking_a":null,
		"resistance_mohm":null,"agent_cranking_a":874,"agent_resistance_mohm":4.62}],
		"oil":{"level":"ok"},"work":[{"id":"w1","at":"2026-03-09T13:50:00Z","kind":"tightened","subject":"b",
		"acted":false}],
		"before":{"at":"2026-03-09T13:30:00Z","batteries":[],"links":[],"feed_v":null,"feed_path_mohm":null,
		"motor_path_mohm":8.1},
		"after":{"at":"2026-03-09T14:03:22Z","batteries":[{"id":"a","voltage_v":12.65,"rested_v":null,
		"soc_pct":86,"resistance_mohm":4.6,"cranking_a":874,"capacity_ah":null,"verdict":"fit"}],
		"links":[{"side":"negative","from":"a","to":"b","resistance_mohm":0.4}],"feed_v":13.9,"feed_path_mohm":12,
		"motor_path_mohm":null},
		"findings":[{"name":"service-due","severity":"note","state":"unacknowledged",
			"summary":"Service is due.","next_check":["Do it."]}],"revision":9}}`
	traceSample = `{"start":"2026-03-09T13:41:07.218Z","times_s":[-0.25,0.01],"series":[
		{"figure":"current_a","battery":"a","values":[null,-60.25]},{"figure":"motor_voltage_v","values":[0,11.25]}]}`
	gapSample      = `{"schema":"liftbank.gap.v1","stream":"runs",` + head + `,"from":7,"because":"no longer kept"}`
	receivedSample = `{"schema":"liftbank.received.v1","unit":"t-1042","streams":[{"stream":"runs",
		"session":"5f0c2a9e","through":17,"missing":[[19,21]]}]}`
)
