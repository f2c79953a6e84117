package wire

import (
	"bytes"
	"compress/zlib"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/cmd/slowtest"
	"liftbank/deploy/schema"
)

const topic = "fleet/yard/v1/demo/"

func parser(t testing.TB) *Parser {
	t.Helper()
	p, err := NewParser("fleet/yard")
	require.NoError(t, err)
	return p
}

// sample is a message that an agent has sent, and the file of its schema.
type sample struct{ name, leaf, file string }

var samples = []sample{
	{"status", Status, "status"}, {"snapshot", Snapshot, "snapshot"}, {"readings", Readings, "readings"},
	{"runs", Runs, "run"}, {"findings", Findings, "finding"}, {"visits", Visits, "visit"}, {"gap", Runs, "gap"},
	{"senml", Readings, "readings-senml"},
}

func (s sample) body(t testing.TB) []byte {
	t.Helper()
	if s.name == "senml" {
		return pack(t, 7)
	}
	b, err := os.ReadFile("testdata/" + s.name + ".json")
	require.NoError(t, err)
	return bytes.TrimSpace(b)
}

// pack is a SenML pack as package records makes them (its own tests hold that to RFC 8428).
func pack(t testing.TB, seq uint64) []byte {
	t.Helper()
	list := []map[string]any{
		{"n": "demo:readings:session", "t": 1773063180.123, "vs": "5f0c2a9e"},
		{"n": "demo:readings:seq", "t": 1773063180.123, "v": seq},
	}
	for _, bin := range []float64{0, 7, 59} {
		list = append(list, map[string]any{"n": "demo:a:voltage_v", "u": "V", "t": 1773063180.123 + 60*bin, "v": 12.6 + bin/100})
	}
	list = append(list, map[string]any{"n": "demo:a:voltage_v:min", "u": "V", "t": 1773063180.123, "v": 11.9},
		map[string]any{"n": "demo:feed_voltage_v", "u": "V", "t": 1773063180.123, "v": 13.9})
	b, err := json.Marshal(list)
	require.NoError(t, err)
	return b
}

func TestMessagesOfAnAgentAreTaken(t *testing.T) {
	p := parser(t)
	for _, s := range samples {
		m, err := p.Parse(topic+s.leaf, s.body(t))
		require.NoError(t, err, s.name)
		assert.Equal(t, "demo", m.Unit)
		assert.Equal(t, s.leaf, m.Leaf)
		assert.Nil(t, m.Refused)
		assert.NotEmpty(t, m.Head.Session, s.name)
		assert.Equal(t, s.leaf != Status && s.leaf != Snapshot, m.IsRecord())
		assert.Equal(t, m.IsRecord(), m.Numbered)
		assert.False(t, m.Head.At.IsZero(), s.name)

		packed := deflated(t, m.Body)
		again, err := p.Parse(topic+s.leaf, packed)
		require.NoError(t, err, s.name)
		assert.Equal(t, m, again, "deflated")
	}
}

func deflated(t testing.TB, body []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	w := zlib.NewWriter(&b)
	_, err := w.Write(body)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return b.Bytes()
}

func TestWhatADatabaseNeedsIsDecoded(t *testing.T) {
	p := parser(t)
	get := func(name, leaf string) Message {
		m, err := p.Parse(topic+leaf, sample{name: name}.body(t))
		require.NoError(t, err)
		return m
	}
	status := get("status", Status)
	assert.Equal(t, records.Online, status.Status.Status)
	snap := get("snapshot", Snapshot)
	require.NotEmpty(t, snap.Snapshot.Findings)
	assert.Equal(t, snap.Snapshot.UptimeS, snap.Head.MonoS)
	assert.True(t, snap.Head.ClockTrusted)
	assert.Nil(t, snap.Snapshot.Work)
	body := sample{name: "snapshot"}.body(t)
	work := func(text string) []byte {
		return append(append(body[:len(body)-1:len(body)-1], `,"work":`+text...), '}')
	}
	under, err := p.Parse(topic+Snapshot, work(`{"since":"2026-03-09T10:20:00Z","by":"R. V.","ends":"2026-03-09T14:20:00Z","kind":"visit"}`))
	require.NoError(t, err)
	assert.Equal(t, "R. V.", under.Snapshot.Work.By)
	for _, bad := range []string{`{}`, `true`, `{"since":"10:20","by":"","ends":"2026-03-09T14:20:00Z","kind":"visit"}`} {
		_, err = p.Parse(topic+Snapshot, work(bad))
		assert.Error(t, err, bad)
	}
	finding := get("findings", Findings)
	assert.Equal(t, "feed-lost", finding.Finding.Name)
	gap := get("gap", Runs)
	assert.Equal(t, uint64(7), gap.From)
	assert.Equal(t, "no longer stored", gap.Gap.Because)
	assert.Equal(t, "technician 7", get("visits", Visits).Visit.Visit.By)
	senml := get("senml", Readings)
	assert.Equal(t, uint64(7), senml.Head.Seq)
	assert.Zero(t, senml.Head.First, "a pack doesn't say it")
	run := get("runs", Runs)
	assert.Equal(t, uint64(1), run.Head.First)
	decoded, err := DecodeRun(run.Body)
	require.NoError(t, err)
	assert.Equal(t, run.Head, decoded.Head)
	batch, err := DecodeReadings(get("readings", Readings).Body)
	require.NoError(t, err)
	assert.Positive(t, batch.Readings.Bins)
	packed, err := DecodeReadings(senml.Body)
	require.NoError(t, err)
	assert.Equal(t, 60, packed.Readings.Bins)
	require.Len(t, packed.Readings.Series, 2)
	assert.Equal(t, readings.Series{Figure: readings.VoltageV, Battery: "a"}, packed.Readings.Series[0].Series)
	require.NotNil(t, packed.Readings.Series[0].Min)
	assert.Equal(t, map[int]float64{0: 12.6, 7: 12.67, 59: 13.19}, maps.Collect(packed.Readings.Series[0].Mean.Corners()))
}

// Version 1 had plain texts, and severity service for what is repair today.
func TestVersion1IsReadAsVersion2(t *testing.T) {
	p := parser(t)
	body := sample{name: "findings-v1"}.body(t)
	m, err := p.Parse(topic+Findings, body)
	require.NoError(t, err)
	assert.Equal(t, findingV1, m.Schema)
	assert.Equal(t, body, m.Body, "stored as sent")
	f := m.Finding
	assert.Equal(t, "repair", f.Severity)
	assert.True(t, f.Active)
	assert.True(t, f.Muted)
	assert.Equal(t, "corroded plug", f.Causes[0].Cause.English)
	assert.Equal(t, []string{"Measure at the plug."}, f.NextCheck)
	assert.Equal(t, "drop over the feed path", f.Evidence[0].What.English)
	assert.Equal(t, "b", f.Evidence[1].Words.English)
	assert.Nil(t, f.Because)
	assert.NotEmpty(t, f.Title)
	old, err := DecodeFinding(body)
	require.NoError(t, err)
	assert.Equal(t, *f, old.Finding)

	snapshot := `{"schema":"liftbank.snapshot.v1","unit":"demo","session":"5f0c2a9e","seq":7,"at":"2026-03-09T14:03:22Z",
		"clock_trusted":true,"uptime_s":7,"bank":{"soc_pct":{"value":61,"sigma":2},"full_waits_for":""},
		"batteries":[{"id":"a","verdict":"unknown","waits_for":"a motor run"}],
		"channels":[{"name":"battery_voltage a","quality":"good"}],
		"findings":[{"name":"feed-weak","severity":"service","state":"acknowledged","since":"2026-03-09T14:00:22Z",
		"holds":true,"seq":3}]}`
	m, err = p.Parse(topic+Snapshot, []byte(snapshot))
	require.NoError(t, err)
	assert.Equal(t, "repair", m.Snapshot.Findings[0].Severity)
	assert.True(t, m.Snapshot.Findings[0].Active)
	assert.Equal(t, "a motor run", m.Snapshot.Batteries[0].WaitsFor.English)
	assert.Equal(t, "good", m.Snapshot.Channels[0].Quality.English)
	assert.Nil(t, m.Snapshot.Bank.FullWaitsFor)
}

func TestRefused(t *testing.T) {
	slowtest.SkipUnderRace(t)
	p := parser(t)
	run := string(sample{name: "runs"}.body(t))
	change := func(old, replacement string) string {
		require.Contains(t, run, old)
		return strings.Replace(run, old, replacement, 1)
	}
	session := run[strings.Index(run, `"session":`)+11:]
	session = session[:strings.Index(session, `"`)]
	bomb := deflated(t, bytes.Repeat([]byte{' '}, 64<<20))
	for name, c := range map[string]struct {
		topic, payload string
		want           Reason
		numbered       bool
	}{
		"other prefix":            {"fleet/v1/demo/runs", run, BadTopic, false},
		"no unit":                 {"fleet/yard/v1//runs", run, BadTopic, false},
		"unit in capitals":        {"fleet/yard/v1/Demo/runs", run, BadTopic, false},
		"other leaf":              {topic + "received", run, BadTopic, false},
		"leaf below a leaf":       {topic + "runs/x", run, BadTopic, false},
		"too large":               {topic + "runs", strings.Repeat(" ", MaxPayload+1), TooLarge, false},
		"empty":                   {topic + "runs", "", NotJSON, false},
		"text":                    {topic + "runs", "on", NotJSON, false},
		"half":                    {topic + "runs", run[:len(run)-9], NotJSON, false},
		"more after":              {topic + "runs", run + "{}", NotJSON, false},
		"not UTF-8":               {topic + "runs", change(`"runs"`, "\"ru\xff\""), NotJSON, false},
		"nested":                  {topic + "readings", strings.Repeat("[", 1e5), NotJSON, false},
		"bomb":                    {topic + "runs", string(bomb), BadDeflate, false},
		"broken deflate":          {topic + "runs", "\x78\x9cnothing of it", BadDeflate, false},
		"next version":            {topic + "runs", change("run.v1", "run.v9"), UnknownSchema, true},
		"next version, no number": {topic + "runs", strings.Replace(change("run.v1", "run.v9"), `"seq":`, `"sequence":`, 1), UnknownSchema, false},
		"no schema":               {topic + "runs", "{}", UnknownSchema, false},
		"list":                    {topic + "runs", `[{"n":"demo:x","t":1773063180}]`, UnknownSchema, false},
		"other topic":             {topic + "findings", run, UnknownSchema, false},
		"gap on status":           {topic + "status", string(sample{name: "gap"}.body(t)), UnknownSchema, false},
		"senml by name":           {topic + "readings", `{"schema":"senml"}`, UnknownSchema, false},
		"other unit":              {topic + "runs", change(`"demo"`, `"demo-2"`), UnitLies, false},
		"unit by escapes":         {topic + "runs", change(`"demo"`, `"dem\u0065"`), UnitLies, false},
		"no unit in it":           {topic + "runs", change(`"unit":"demo",`, ``), UnitLies, false},
		"senml of another":        {topic + "readings", strings.ReplaceAll(string(pack(t, 1)), "demo:a", "other:a"), UnitLies, false},
		"first above seq":         {topic + "runs", change(`"first":1,`, `"first":100000,`), BadNumbers, false},
		"seq above 2^53":          {topic + "runs", change(`"seq":`, `"seq":90000000000000000`), BadNumbers, false},
		"session too long":        {topic + "runs", change(session, strings.Repeat("s", 65)), BadNumbers, false},
		"other stream":            {topic + "runs", change(`"stream":"runs"`, `"stream":"visits"`), BreaksSchema, false},
		"gap, other stream":       {topic + "visits", string(sample{name: "gap"}.body(t)), BadNumbers, false},
		"negative time":           {topic + "runs", change(`"duration_s":`, `"duration_s":-`), BreaksSchema, true},
		"field missing":           {topic + "runs", change(`"peak_a":`, `"peek_a":`), BreaksSchema, true},
		"field twice":             {topic + "runs", change(`"first":1,`, `"first":1,"first":1,`), BreaksSchema, true},
		"no time":                 {topic + "runs", change(`"at":"2`, `"at":"x`), BreaksSchema, true},
		"corner out of order": {topic + "readings", strings.Replace(string(sample{name: "readings"}.body(t)), `"mean":[0,`,
			`"mean":[5000,`, 1), BreaksSchema, true},
	} {
		m, err := p.Parse(c.topic, []byte(c.payload))
		require.Error(t, err, name)
		assert.Equal(t, c.want, m.Refused.Reason, "%s: %v", name, err)
		assert.LessOrEqual(t, len(m.Refused.Detail), 300, name)
		assert.Equal(t, c.payload, string(m.Body), name)
		assert.Equal(t, c.numbered, m.Numbered, "%s: %v", name, err)
	}
	m, err := p.Parse(topic+"runs", []byte(strings.Replace(run, `"unit":"demo"`, `"unit":"dem\u006f","more":[{"x":1e3}]`, 1)))
	assert.NoError(t, err, "an escape is the letter that it is for; a field that is not known is skipped")
	assert.Equal(t, "demo", m.Head.Unit)
}

// published is a schema as a general library sees it, without the refusal of fields that it doesn't
// know: those may be added within a version.
func published(t *testing.T, file string) *jsonschema.Schema {
	t.Helper()
	b, err := schema.Files.ReadFile(file + ".schema.json")
	require.NoError(t, err)
	b = bytes.ReplaceAll(b, []byte(`"additionalProperties": false`), []byte(`"additionalProperties": true`))
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	require.NoError(t, c.AddResource(file, doc))
	s, err := c.Compile(file)
	require.NoError(t, err)
	return s
}

// The one pass over the bytes judges as a general library does by the published files: for each value
// of each message put in place of it, left out, and made longer.
func TestJudgesAsThePublishedSchemas(t *testing.T) {
	slowtest.SkipUnderRace(t)
	all, err := schemas()
	require.NoError(t, err)
	byFile := map[string]*node{
		"status": all[records.StatusSchema].check, "snapshot": all["liftbank.snapshot.v2"].check,
		"readings": all[records.ReadingsSchema].check, "run": all[records.RunSchema].check,
		"finding": all[records.FindingSchema].check, "visit": all[records.VisitSchema].check,
		"gap": all[records.GapSchema].check, "readings-senml": all[senML].check,
	}
	others := []string{
		`null`, `true`, `0`, `-1`, `1.5`, `61`, `1e3`, `1e400`, `100000000000000000000000`, `""`, `"a"`, `"repair"`,
		`"2026-03-09T14:03:22Z"`, `"2026-13-09T14:03:22Z"`, `[]`, `[1]`, `{}`, `{"value":1,"sigma":null}`,
	}
	for _, s := range samples {
		lib := published(t, s.file)
		refused, taken := 0, 0
		compare := func(text []byte, what string) {
			v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
			require.NoError(t, err, "%s", text)
			want := lib.Validate(v)
			c := check{b: text}
			require.NoError(t, c.run(byFile[s.file]), what)
			if c.wrong == "" {
				taken++
			} else {
				refused++
			}
			// A line of readings and the range of floating-point numbers are checked beyond the schema.
			if (want == nil) != (c.wrong == "") && !strings.Contains(c.wrong, "line") && !strings.Contains(c.wrong, "bins") &&
				!strings.Contains(c.wrong, "out of range") {
				t.Errorf("%s: %s: here %q, by the library %v", s.name, what, c.wrong, want)
			}
		}
		body := s.body(t)
		compare(body, "as sent")
		every := 1
		if bytes.Count(body, []byte(":")) > 100 { // enough of a large one
			every = 5
		}
		place := 0
		var tree any
		d := json.NewDecoder(bytes.NewReader(body))
		d.UseNumber()
		require.NoError(t, d.Decode(&tree))
		each(tree, "", func(path string, set func(any)) {
			if place++; place%every != 0 {
				return
			}
			for _, o := range others {
				set(json.RawMessage(o))
				text, err := json.Marshal(tree)
				require.NoError(t, err)
				compare(text, path+" = "+o)
			}
		}, func(path string) {
			text, err := json.Marshal(tree)
			require.NoError(t, err)
			compare(text, path)
		})
		assert.Greater(t, refused, 10, s.name)
		assert.Greater(t, taken, 10, s.name)
	}
}

// each changes each value below v for a moment, and leaves each member out, and adds one.
func each(v any, path string, change func(path string, set func(any)), changed func(path string)) {
	switch v := v.(type) {
	case map[string]any:
		v["more"] = json.RawMessage(`{"is":[1]}`)
		changed(path + " with more")
		delete(v, "more")
		for _, name := range slices.Sorted(maps.Keys(v)) {
			was := v[name]
			change(path+"."+name, func(x any) { v[name] = x })
			delete(v, name)
			changed(path + " without " + name)
			v[name] = was
			each(was, path+"."+name, change, changed)
		}
	case []any:
		const enough = 3
		for i := range min(len(v), enough) {
			was := v[i]
			change(fmt.Sprint(path, i), func(x any) { v[i] = x })
			v[i] = was
			each(was, fmt.Sprint(path, i), change, changed)
		}
	}
}

// A newer agent may send figures and fields that this program doesn't know.
func TestReadingsOfANewerAgent(t *testing.T) {
	body := string(sample{name: "readings"}.body(t))
	body = strings.Replace(body, `"series":[`, `"series":[{"figure":"pressure_bar","mean":[0,1,9,2]},`, 1)
	body = strings.Replace(body, `"bins":`, `"kind":"new","bins":`, 1)
	m, err := parser(t).Parse(topic+Readings, []byte(body))
	require.NoError(t, err)
	newer, err := DecodeReadings(m.Body)
	require.NoError(t, err)
	today, err := DecodeReadings(sample{name: "readings"}.body(t))
	require.NoError(t, err)
	assert.Equal(t, today, newer)
}

func FuzzParse(f *testing.F) {
	p := parser(f)
	for _, s := range samples {
		f.Add(s.leaf, s.body(f))
	}
	f.Add(Findings, sample{name: "findings-v1"}.body(f))
	f.Add(Runs, deflated(f, sample{name: "runs"}.body(f)))
	f.Fuzz(func(t *testing.T, leaf string, payload []byte) {
		kept := bytes.Clone(payload)
		m, err := p.Parse(topic+leaf, payload)
		if !bytes.Equal(kept, payload) {
			t.Fatal("payload changed")
		}
		if err != nil {
			if m.Refused == nil || !slices.Contains(Reasons, m.Refused.Reason) {
				t.Fatalf("%v: %+v", err, m)
			}
			return
		}
		if !json.Valid(m.Body) {
			t.Fatalf("taken, and no JSON: %q", m.Body)
		}
		if m.IsRecord() && (m.Head.Seq == 0 || m.From == 0 || m.From > m.Head.Seq || m.Head.First > m.From && m.Gap == nil) {
			t.Fatalf("%+v", m.Head)
		}
		switch m.Leaf { // what was taken can be read later
		case Runs, Readings:
			if m.Gap != nil {
				return
			}
			var err error
			if m.Leaf == Runs {
				_, err = DecodeRun(m.Body)
			} else {
				_, err = DecodeReadings(m.Body)
			}
			if err != nil {
				t.Fatalf("%v: %s", err, m.Body)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	p := parser(b)
	for _, s := range samples {
		body := s.body(b)
		for _, form := range []struct {
			name    string
			payload []byte
		}{{s.name, body}, {s.name + "-deflated", deflated(b, body)}} {
			b.Run(form.name, func(b *testing.B) {
				b.SetBytes(int64(len(form.payload)))
				b.ReportAllocs()
				for b.Loop() {
					if _, err := p.Parse(topic+s.leaf, form.payload); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
