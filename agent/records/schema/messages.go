package schema

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strconv"

	"github.com/invopop/jsonschema"

	"liftbank/agent/config"
	"liftbank/agent/fit"
	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
	"liftbank/agent/visit"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Message is one kind of message.
type Message struct {
	File   string // of its schema
	Type   reflect.Type
	Schema string // what its member schema says; "" for one without
	Stream string // what its member stream says; "" for one without
	List   bool   // the message is a list of the type
	Title  string
	About  string
}

// Messages is every message that the program sends, answers or takes.
var Messages = []Message{
	{
		File: "status.schema.json", Type: reflect.TypeFor[records.Status](), Schema: records.StatusSchema,
		Title: "Status", About: "Whether a unit's agent is there. Retained; also the last will.",
	},
	{
		File: "snapshot.schema.json", Type: reflect.TypeFor[snapshot.Snapshot](), Schema: snapshot.Schema,
		Title: "Snapshot",
		About: "All that is known of a unit at one moment. Over MQTT retained; " +
			"over HTTP the answer of /api/v1/snapshot.",
	},
	{
		File: "run.schema.json", Type: reflect.TypeFor[records.Run](), Schema: records.RunSchema,
		Stream: outbox.Runs.String(),
		Title:  "Motor run", About: "One motor run.",
	},
	{
		File: "finding.schema.json", Type: reflect.TypeFor[records.Finding](), Schema: records.FindingSchema,
		Stream: outbox.Findings.String(), Title: "Finding", About: "A change of a finding.",
	},
	{
		File: "findings.schema.json", Type: reflect.TypeFor[records.Findings](), Schema: records.FindingsSchema,
		Title: "Findings", About: "The answer of /api/v1/findings: what is active now, and what can't be judged.",
	},
	{
		File: "history.schema.json", Type: reflect.TypeFor[history.Window](),
		Title: "History", About: "The answer of /api/v1/history: a span of the past on one time axis.",
	},
	{
		File: "first-second.schema.json", Type: reflect.TypeFor[history.Trace](),
		Title: "First second", About: "The answer of /api/v1/history/run: a motor run's first second at full rate.",
	},
	{
		File: "readings.schema.json", Type: reflect.TypeFor[records.Readings](), Schema: records.ReadingsSchema,
		Stream: outbox.Readings.String(),
		Title:  "Readings", About: "A batch of minute aggregates, thinned within stated bounds.",
	},
	{
		File: "readings-senml.schema.json", Type: reflect.TypeFor[records.SenMLRecord](), List: true,
		Title: "Readings as SenML",
		About: "A batch of minute aggregates as a SenML pack (RFC 8428) of resolved records, " +
			"where a unit is set to send that.",
	},
	{
		File: "visit.schema.json", Type: reflect.TypeFor[records.Visit](), Schema: records.VisitSchema,
		Stream: outbox.Visits.String(), Title: "Visit", About: "The record of one service visit.",
	},
	{
		File: "gap.schema.json", Type: reflect.TypeFor[records.Gap](), Schema: records.GapSchema,
		Title: "Gap", About: "Stands in a stream for records that will never come.",
	},
	{
		File: "received.schema.json", Type: reflect.TypeFor[records.Received](), Schema: records.ReceivedSchema,
		Title: "Received", About: "What the collector has of a unit's streams, and what it wants again.",
	},
	{
		File: "fit.schema.json", Type: reflect.TypeFor[fit.Document](), Schema: fit.Schema,
		Title: "Fitting", About: "The record of a board's fitting, written beside its configuration by liftbank fit.",
	},
}

// limit narrows what a member takes beyond its Go type.
type limit func(*jsonschema.Schema)

func oneOf(words ...string) limit {
	return func(s *jsonschema.Schema) {
		for _, w := range words {
			s.Enum = append(s.Enum, w)
		}
	}
}

// wordsOf is oneOf for values that know their word.
func wordsOf[T fmt.Stringer](values ...T) limit {
	var words []string
	for _, v := range values {
		words = append(words, v.String())
	}
	return oneOf(words...)
}

func from(least int) limit {
	return func(s *jsonschema.Schema) { s.Minimum = json.Number(strconv.Itoa(least)) }
}

func fromTo(least, most int) limit {
	return func(s *jsonschema.Schema) {
		from(least)(s)
		s.Maximum = json.Number(strconv.Itoa(most))
	}
}

func atMost(items uint64) limit {
	return func(s *jsonschema.Schema) { s.MaxItems = &items }
}

func constant(v any) limit {
	return func(s *jsonschema.Schema) { s.Const = v }
}

// battery is the ID of a battery.
func battery(s *jsonschema.Schema) { s.Pattern = "^[a-d]$" }

// limits are by type and member. A test reports one that no message has.
var limits = map[string]limit{
	"Status.status":     oneOf(records.Online, records.Stalled, records.Saving, records.Asleep, records.Offline, records.Lost),
	"Status.connection": from(1),

	"Head.first":  from(1),
	"Head.seq":    from(1),
	"Head.stream": streamNames(),
	"Gap.from":    from(1),

	"Snapshot.seq":      from(1),
	"Snapshot.uptime_s": from(0),
	"Scan.took_s":       from(0),
	"Estimate.sigma":    from(0),
	"Bank.motor_leads":  arrangement,
	"Bank.feed_leads":   arrangement,
	"Bank.layout":       wordsOf(unit.Layouts()...),
	"Mixed.battery":     battery,
	"Mixed.from":        battery,
	"Mixed.older":       battery,
	"Mixed.what": oneOf(
		string(config.OtherKind), string(config.OtherAh), string(config.OtherCCA), string(config.OtherAge),
	),
	"String.from":             battery,
	"String.to":               battery,
	"String.weakest":          battery,
	"Link.side":               side,
	"Link.from":               battery,
	"Link.to":                 battery,
	"Battery.id":              battery,
	"Battery.chemistry":       wordsOf(leadacid.All()...),
	"Battery.verdict":         verdict,
	"Battery.rated_ah":        from(0),
	"Battery.rated_cca_a":     from(0),
	"Power.level":             oneOf("awake", "saving", "asleep"),
	"Motor.run_time_s":        from(0),
	"SinceService.kind":       oneOf("service", "filter", "oil"),
	"SinceService.run_time_s": from(0),
	"Feed.status":             feedStatus,
	"Feed.wake_time_s":        from(0),
	"Feed.feed_time_s":        from(0),
	"Run.duration_s":          from(0),
	"Finding.name":            findingName,
	"Finding.severity":        severity,
	"Finding.state":           findingState,
	"NotJudged.name":          findingName,
	"Channel.unit":            oneOf("V", "A", "°C"),
	"Chip.address":            fromTo(0x48, 0x4b),
	"Findings.seq":            from(1),

	"Window.step_s":       from(0),
	"TraceSeries.figure":  oneOf(readings.VoltageV, readings.CurrentA, readings.MotorV),
	"TraceSeries.battery": battery,
	"Span.severity":       severity,
	"Span.name":           findingName,

	"Batch.step_s":         constant(60),
	"Batch.bins":           fromTo(1, 7*24*60),
	"Series.battery":       battery,
	"SenMLRecord.t":        senMLTime,
	"SenMLRecord.u":        oneOf("V", "A", "Cel", "%EL"),
	"ReceivedEntry.stream": streamNames(),
	"ReceivedEntry.missing": func(s *jsonschema.Schema) {
		atMost(256)(s)
		s.Items.Items.Minimum = "1"
	},
	"Received.streams": atMost(64),

	"Verdict.outcome": oneOf(string(fit.Good), string(fit.Changed), string(fit.ByHand), string(fit.Untested)),
	"Change.list":     oneOf("channels", "contacts"),
	"Change.index":    from(0),
	"Mean.count":      from(0),

	"Visit.schema":           constant(visit.Schema),
	"CheckedItem.state":      oneOf(visit.States...),
	"CheckedItem.judged":     oneOf(visit.Within, visit.Below, visit.Above),
	"Remaining.severity":     severity,
	"Remaining.name":         findingName,
	"Remaining.state":        findingState,
	"BatteryFigures.id":      battery,
	"BatteryFigures.verdict": verdict,
	"LinkFigures.side":       side,
	"StringFigures.from":     battery,
	"StringFigures.to":       battery,
	"Test.battery":           battery,
}

var side = oneOf("positive", "negative", "middle")

func streamNames() limit {
	var all []outbox.Stream
	for i := range outbox.Streams {
		all = append(all, outbox.Stream(i))
	}
	return wordsOf(all...)
}

func senMLTime(s *jsonschema.Schema) {
	from(1 << 28)(s)
	s.Description = "Seconds since 1970-01-01 UTC; a smaller number would be relative."
}

// mapped returns the schema of types with a JSON form of their own, nil for others.
func mapped(t reflect.Type) *jsonschema.Schema {
	switch t {
	case timeType:
		return &jsonschema.Schema{Type: "string", Format: "date-time"}
	case reflect.TypeFor[readings.Polyline]():
		corners := uint64(2)
		return &jsonschema.Schema{
			Type: "array", Items: nullable(&jsonschema.Schema{Type: "number"}), MinItems: &corners,
			Description: "Corners of a polyline: bin, value, bin, value and so on; " +
				"null: nothing is known from that bin on until the next corner.",
		}
	}
	return nil
}
