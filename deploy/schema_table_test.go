package deploy_test

import (
	"fmt"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
	"liftbank/sim/scenario"
)

// schemaOf is one kind of message: where its type stands, and where it is seen.
type schemaOf struct {
	file        string // in schema/
	folder, typ string // package folder and type in it
	schema      string // what its field schema says; "" for one without
	stream      string // what its field stream says; "" for one without
	list        bool   // the message is a list of the type
	leaf        string // last level of its topic; "" for one that isn't sent over MQTT
	path        string // where it is got over HTTP; "" for one that isn't
	title       string
	about       string
	// coming is a message whose type isn't in this source yet: its file was drafted ahead. The test says when the type has come; then the
	// word goes and the file is renewed.
	coming bool
	rare   bool   // a demonstration doesn't make any in a few seconds
	sample string // one message, for rare ones
}

// schemas is every message that the program sends, answers or takes.
var schemas = []schemaOf{
	{file: "status.schema.json", folder: "agent/publish", typ: "statusMessage", schema: "liftbank.status.v1", leaf: "status",
		title: "Status", about: "Whether a unit's agent is there. Retained; also the last will."},
	{file: "snapshot.schema.json", folder: "agent/snapshot", typ: "Snapshot", schema: "liftbank.snapshot.v2", leaf: "snapshot", path: "/api/v1/snapshot",
		title: "Snapshot", about: "All that is known of a unit at one moment. Over MQTT retained; over HTTP the answer of /api/v1/snapshot."},
	{file: "run.schema.json", folder: "agent/publish", typ: "runMessage", schema: "liftbank.run.v1", stream: "runs", leaf: "runs",
		title: "Motor run", about: "One motor run."},
	{file: "finding.schema.json", folder: "agent/publish", typ: "findingMessage", schema: "liftbank.finding.v1", stream: "findings", leaf: "findings",
		title: "Finding", about: "A change of a finding."},
	{file: "findings.schema.json", folder: "agent/page", typ: "findingsAnswer", schema: "liftbank.findings.v2", path: "/api/v1/findings",
		title: "Findings", about: "The answer of /api/v1/findings: what holds now, and what can't be judged."},
	{file: "history.schema.json", folder: "agent/history", typ: "Window",
		title: "History", about: "The answer of /api/v1/history: a span of the past on one time axis."},
	{file: "readings.schema.json", folder: "agent/publish", typ: "readingsMessage", schema: "liftbank.readings.v1", stream: "readings", leaf: "readings",
		title: "Readings", about: "A batch of minute aggregates, thinned inside stated bounds.", rare: true, sample: readingsSample},
	{file: "readings-senml.schema.json", folder: "agent/readings", typ: "Record", list: true, leaf: "readings",
		title: "Readings as SenML", about: "A batch of minute aggregates as a SenML pack (RFC 8428) of resolved records, where a unit is set to send that.", rare: true, sample: senmlSample},
	{file: "visit.schema.json", folder: "agent/publish", typ: "visitMessage", schema: "liftbank.visit.v1", stream: "visits", leaf: "visits",
		title: "Visit", about: "The record of one service visit.", rare: true, sample: visitSample},
	{file: "gap.schema.json", folder: "agent/publish", typ: "gapMessage", schema: "liftbank.gap.v1",
		title: "Gap", about: "Stands in a stream for records that will never come.", rare: true, sample: gapSample},
	{file: "received.schema.json", folder: "agent/publish", typ: "received", schema: "liftbank.received.v1", leaf: "received",
		title: "Received", about: "What the collector has of a unit's streams, and what it wants again.", rare: true, sample: receivedSample},
}

// limit is what a type or field takes beyond its Go type.
type limit struct {
	pairs []any  // members of the schema
	whole bool   // pairs are the whole schema, not an addition
	ref   string // folder.Type that a raw field holds
}

func enum[T fmt.Stringer](values ...T) limit {
	var words []any
	for _, v := range values {
		words = append(words, v.String())
	}
	return limit{pairs: []any{"enum", words}}
}

func oneOf(words ...any) limit { return limit{pairs: []any{"enum", words}} }

func names() limit {
	var words []any
	for _, n := range scenario.Findings {
		words = append(words, n)
	}
	return limit{pairs: []any{"enum", words}}
}

var (
	letter       = limit{pairs: []any{"pattern", "^[a-d]$"}}
	positive     = limit{pairs: []any{"minimum", 0}}
	fromOne      = limit{pairs: []any{"minimum", 1}}
	arrangement  = enum(network.Unknown, network.Diagonal, network.SamePost, network.Between)
	severity     = enum(finding.Note, finding.Repair, finding.Urgent)
	verdict      = enum(loadtest.Unknown, loadtest.Fit, loadtest.FitLow, loadtest.Tired, loadtest.Failed)
	side         = oneOf("positive", "negative")
	streams      = oneOf("findings", "visits", "runs", "readings")
	lifeOfAnItem = oneOf("normal", "unacknowledged", "acknowledged", "returned to normal unacknowledged", "shelved", "out of service") // ISA-18.2 / IEC 62682
)

// limits are by type, or type and member. One that nothing uses any more is an error, unless its type is still coming.
var limits = map[string]limit{
	"statusMessage.status":     oneOf("online", "offline", "lost"),
	"statusMessage.connection": fromOne,
	"streamHead.seq":           fromOne,
	"Snapshot.seq":             fromOne,
	"Snapshot.uptime_s":        positive,
	"Bank.motor_leads":         arrangement,
	"Bank.feed_leads":          arrangement,
	"Link.side":                side,
	"Link.from":                letter,
	"Link.to":                  letter,
	"Battery.id":               letter,
	"Battery.chemistry":        enum(leadacid.All()...),
	"Battery.verdict":          verdict,
	"Feed.status":              enum(feed.Unknown, feed.Off, feed.Awaited, feed.Present, feed.Missing, feed.Unasked),
	"Run.duration_s":           positive,
	"Finding.name":             names(),
	"Finding.severity":         severity,
	"Finding.state":            lifeOfAnItem,
	"NotJudged.name":           names(),
	"Channel.unit":             oneOf("V", "A", "°C"),
	"Chip.address":             {pairs: []any{"minimum", 0x08, "maximum", 0x77}},
	"Span.severity":            severity,
	"Span.name":                names(),

	"streamHead.first":         fromOne,
	"readingsMessage.readings": {ref: "agent/readings.Batch"},
	"visitMessage.visit":       {ref: "agent/visit.Visit"},
	"Batch.step_s":             {pairs: []any{"const", 60}},
	"Batch.bins":               {pairs: []any{"minimum", 1, "maximum", 7 * 24 * 60}},
	"Series.battery":           letter,
	"Line":                     {whole: true, pairs: []any{"type", "array", "description", "Corners of a broken line: bin, value, bin, value and so on; null: nothing is known from that bin on until the next corner.", "items", obj("type", []string{"number", "null"}), "minItems", 2}},
	"streamHead.stream":        streams,
	"gapMessage.from":          fromOne,
	"receivedEntry.stream":     streams,
	"receivedEntry.missing":    {whole: true, pairs: []any{"type", "array", "maxItems", 256, "items", obj("type", "array", "items", obj("type", "integer", "minimum", 1), "minItems", 2, "maxItems", 2)}},
	"received.streams":         {pairs: []any{"maxItems", 64}},
	"Visit.schema":             {pairs: []any{"const", "liftbank.visit-record.v2"}},
	"CheckedItem.state":        oneOf("ok", "attention", "not-checked"),
	"Remaining.severity":       severity,
	"Remaining.name":           names(),
	"Remaining.state":          lifeOfAnItem,
	"BatteryFigures.id":        letter,
	"BatteryFigures.verdict":   verdict,
	"LinkFigures.side":         side,
	"Test.battery":             letter,
	"Estimate.sigma":           positive,
	"Scan.took_s":              positive,
	"Battery.rated_ah":         positive,
	"Battery.rated_cca_a":      positive,
	"Motor.run_time_s":         positive,
	"SinceService.kind":        oneOf("service", "filter", "oil"),
	"SinceService.run_time_s":  positive,
	"Feed.wake_time_s":         positive,
	"Feed.feed_time_s":         positive,
	"Window.step_s":            positive,
	"Record.t":                 {pairs: []any{"minimum", 1 << 28, "description", "Seconds since 1970-01-01 UTC; a smaller number would be relative."}},
	"Record.u":                 oneOf("V", "A", "Cel", "%EL"),
	"findingsAnswer.seq":       fromOne,
}

// Samples of messages that a few seconds of demonstration don't bring, by the rules of their packages.
const (
	head           = `"unit":"t-1042","session":"5f0c2a9e","first":1,"seq":18,"at":"2026-03-09T14:03:22Z","clock_trusted":true,"mono_s":86523.5`
	readingsSample = `{"schema":"liftbank.readings.v1","stream":"readings",` + head + `,"start":"2026-03-09T13:33:00Z","readings":{"step_s":60,"bins":30,
		"within":{"voltage_v":0.01,"current_a":0.5,"temperature_c":0.5,"soc_pct":1},
		"series":[{"figure":"voltage_v","mean":[0,12.65,29,12.61],"min":[0,12.6,12,10.9,13,12.6,29,12.6]},{"figure":"temperature_c","battery":"a","mean":[0,14.5,9,null]}]}}`
	senmlSample = `[{"n":"t-1042:readings:session","t":1773063180,"vs":"5f0c2a9e"},{"n":"t-1042:a:voltage_v","u":"V","t":1773063180,"v":12.65}]`
	visitSample = `{"schema":"liftbank.visit.v1","stream":"visits",` + head + `,"visit":{"schema":"liftbank.visit-record.v2","id":"20260309t140322-5f0c","unit":"t-1042","by":"technician 7",
		"begun":"2026-03-09T13:30:00Z","finished":"2026-03-09T14:03:22Z","clock_trusted":true,
		"start":{"lift_cycles":206,"runs":412,"motor_time_s":4961.4},"end":{"lift_cycles":207,"runs":414,"motor_time_s":4985.6},
		"areas":[{"id":"posts","title":"Posts and links","items":[{"id":"tight","text":"Tight","state":"attention","note":"b- loose"}]}],
		"readings":[{"subject":"a","figure":"voltage_v","value":12.64,"unit":"V","agent":12.65,"at":"2026-03-09T13:40:00Z"}],
		"load_tests":[{"battery":"a","load_a":100,"after_s":15,"voltage_v":11.4,"cranking_a":null,"resistance_mohm":null,"agent_cranking_a":874,"agent_resistance_mohm":4.62}],
		"oil":{"level":"ok"},"work":[{"id":"w1","at":"2026-03-09T13:50:00Z","kind":"tightened","subject":"b","acted":false}],
		"before":{"at":"2026-03-09T13:30:00Z","batteries":[],"links":[],"feed_v":null,"feed_path_mohm":null,"motor_path_mohm":8.1},
		"after":{"at":"2026-03-09T14:03:22Z","batteries":[{"id":"a","voltage_v":12.65,"rested_v":null,"soc_pct":86,"resistance_mohm":4.6,"cranking_a":874,"capacity_ah":null,"verdict":"fit"}],
		"links":[{"side":"negative","from":"a","to":"b","resistance_mohm":0.4}],"feed_v":13.9,"feed_path_mohm":12,"motor_path_mohm":null},
		"findings":[{"name":"service-due","severity":"note","state":"unacknowledged","summary":"Service is due.","next_check":["Do it."]}],"revision":9}}`
	gapSample      = `{"schema":"liftbank.gap.v1","stream":"runs",` + head + `,"from":7,"because":"no longer kept"}`
	receivedSample = `{"schema":"liftbank.received.v1","unit":"t-1042","streams":[{"stream":"runs","session":"5f0c2a9e","through":17,"missing":[[19,21]]}]}`
)
