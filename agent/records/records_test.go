package records

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/moment"
	"liftbank/agent/readings"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/agent/visit"
)

// now is when the records of these tests were made, an hour after the start of the session.
var now = time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)

const mono = time.Hour

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// Messages have one layout that others rely on.
func TestMessages(t *testing.T) {
	e := Encoder{Unit: "t-1042"}
	at := time.Date(2026, 3, 9, 14, 3, 22, 0, time.FixedZone("", 3600))
	assert.JSONEq(t, `{"schema":"liftbank.status.v1","unit":"t-1042","session":"5f0c2a9e","connection":3,
		"status":"online","at":"2026-03-09T13:03:22Z"}`,
		string(must(e.Status(Online, "5f0c2a9e", 3, at))))
	record := outbox.Record{Session: "5f0c2a9e", First: 1, Seq: 7, At: now, Trusted: true, Mono: mono}
	of := func(stream outbox.Stream, body []byte) string {
		r := record
		r.Stream, r.Body = stream, body
		return string(must(e.Body(&r)))
	}
	const head = `"unit":"t-1042","session":"5f0c2a9e","first":1,"seq":7,"at":"2026-03-09T14:00:00Z",
		"clock_trusted":true,"mono_s":3600,`
	assert.JSONEq(t, `{"schema":"liftbank.run.v1","stream":"runs",`+head+`
		"run":{"number":412,"start":"2026-03-09T13:41:07.218Z","duration_s":12.1,"by_command":true,
			"peak_a":162.4,"mean_a":118.7,"min_bank_v":11.62,"drawn_ah":0.399}}`,
		of(outbox.Runs, must(RunBody(snapshot.Run{
			Number: 412, Start: time.Date(2026, 3, 9, 13, 41, 7, 218e6, time.UTC), DurationS: 12.1, ByCommand: true,
			PeakA: 162.4, MeanA: 118.7, MinBankV: 11.62, DrawnAh: 0.399,
		}))))
	assert.JSONEq(t, `{"schema":"liftbank.finding.v2","stream":"findings",`+head+`
		"finding":{"name":"feed-lost","severity":"urgent","state":"normal","since":"0001-01-01T00:00:00Z","title":"",
		"summary":"","evidence":null,"causes":null,"next_check":null,"clears":"","seq":0,"active":false,"times":0}}`,
		of(outbox.Findings, must(FindingBody(snapshot.Finding{Name: "feed-lost", Severity: "urgent", State: "normal"}))))
	var v Visit
	require.NoError(t, json.Unmarshal([]byte(of(outbox.Visits, must(VisitBody(visit.Visit{ID: "v1", Begun: now})))), &v))
	assert.Equal(t, Head{VisitSchema, "t-1042", "5f0c2a9e", "visits", 1, 7, now, true, 3600}, v.Head)
	assert.Equal(t, visit.Visit{ID: "v1", Begun: now}, v.Visit)
	record.Gap, record.From = "no room on the card", 3
	assert.JSONEq(t, `{"schema":"liftbank.gap.v1","stream":"readings",`+head+`
		"from":3,"because":"no room on the card"}`, of(outbox.Readings, nil))

	_, err := e.Body(&outbox.Record{Stream: outbox.Runs, Body: []byte("[")})
	assert.ErrorContains(t, err, "runs: ")
}

// The clock became known after a record was made: every time in its message is put right, whatever
// it is of. Times of an earlier session, whose clock was set, stay.
func TestTimesInMessagesArePutRight(t *testing.T) {
	e := Encoder{Unit: "t-1042"}
	r := outbox.Record{At: now, Mono: mono, Trusted: true}
	stamp := func(v any) (n int) {
		// One after the other, before the record and after it.
		moment.Each(v, func(at *time.Time) {
			*at = moment.StandIn(time.Duration(n) * 40 * time.Minute)
			n++
		})
		return n
	}
	right := func(v any, count int) {
		t.Helper()
		n := 0
		moment.Each(v, func(at *time.Time) {
			assert.Equal(t, now.Add(time.Duration(n)*40*time.Minute-mono), *at, "time %d", n)
			n++
		})
		assert.Equal(t, count, n)
	}

	run := snapshot.Run{Number: 3}
	n := stamp(&run)
	r.Stream, r.Body = outbox.Runs, must(RunBody(run))
	var runMessage Run
	require.NoError(t, json.Unmarshal(must(e.Body(&r)), &runMessage))
	right(&runMessage.Run, n)

	f := snapshot.Finding{
		Evidence: make([]snapshot.Evidence, 2), Remarks: make([]snapshot.Remark, 2),
		RaisedAt: new(time.Time), AckAt: new(time.Time), ShelvedUntil: new(time.Time),
	}
	n = stamp(&f)
	assert.Equal(t, 8, n)
	r.Stream, r.Body = outbox.Findings, must(FindingBody(f))
	var finding Finding
	require.NoError(t, json.Unmarshal(must(e.Body(&r)), &finding))
	right(&finding.Finding, n)

	earlier := now.AddDate(0, -1, 0)
	r.Body = must(FindingBody(snapshot.Finding{Since: earlier, RaisedAt: &earlier}))
	require.NoError(t, json.Unmarshal(must(e.Body(&r)), &finding))
	assert.Equal(t, earlier, finding.Finding.Since)
	assert.Equal(t, earlier, *finding.Finding.RaisedAt)

	v := visit.Visit{ID: "v1", Readings: make([]visit.Reading, 1), Work: make([]visit.Work, 2)}
	n = stamp(&v)
	assert.Equal(t, 7, n)
	r.Stream, r.Body = outbox.Visits, must(VisitBody(v))
	var visited Visit
	require.NoError(t, json.Unmarshal(must(e.Body(&r)), &visited))
	right(&visited.Visit, n)
}

// A batch begins where its minutes do, by what is known of the clock.
func TestBatches(t *testing.T) {
	e := Encoder{Unit: "t-1042"}
	minutes := []readings.Row{{Start: 20 * time.Minute, Stats: make([]readings.Stat, 9)}}
	minutes[0].Stats[5] = readings.Stat{Min: 12600, Mean: 12612, Max: 12615, Known: true}
	batch := past.Batch{Layout: readings.LayoutOf([]string{"a"}), Rows: minutes, Session: true,
		Start: minutes[0].Start}
	r := outbox.Record{Stream: outbox.Readings, At: now, Mono: mono,
		Body: must(ReadingsBody(batch, readings.DefaultBounds()))}
	var m struct {
		Start    time.Time
		Readings struct{ Series []struct{ Mean []float64 } }
	}
	require.NoError(t, json.Unmarshal(must(e.Body(&r)), &m))
	assert.Equal(t, now.Add(-40*time.Minute), m.Start)
	require.Len(t, m.Readings.Series, 1)
	assert.InDelta(t, 12.612, m.Readings.Series[0].Mean[1], 0.010001)

	e.SenML = true
	assert.Equal(t, byte('{'), must(e.Body(&r))[0], "SenML has no word for a clock that isn't set")
	r.Trusted = true
	assert.Equal(t, byte('['), must(e.Body(&r))[0])

	// Minutes of an earlier session go by what is known of that one.
	batch.Session, batch.At, batch.Trusted = false, now.AddDate(0, 0, -1), false
	r.Body = must(ReadingsBody(batch, readings.DefaultBounds()))
	require.NoError(t, json.Unmarshal(must(e.Body(&r)), &m))
	assert.Equal(t, now.AddDate(0, 0, -1), m.Start)
	batch.Trusted, r.Trusted = true, false
	r.Body = must(ReadingsBody(batch, readings.DefaultBounds()))
	assert.Equal(t, byte('['), must(e.Body(&r))[0])
}

func TestSenML(t *testing.T) {
	rows := make([]readings.Row, 30)
	for i := range rows {
		rows[i] = readings.Row{Start: time.Duration(i) * readings.Step, Stats: make([]readings.Stat, 9)}
		rows[i].Stats[5] = readings.Stat{Min: 12609, Mean: 12612, Max: 12615, Known: true}
		rows[i].Stats[6] = readings.Stat{Min: -11876, Mean: -40, Max: 12, Known: i == 7 || i == 8}
	}
	b, err := readings.Compress(readings.LayoutOf([]string{"a"}), rows, readings.DefaultBounds())
	require.NoError(t, err)
	pack, err := senML("lift-1", "5f0c", 7, time.Unix(1800000000, 0), b)
	require.NoError(t, err)
	var list []SenMLRecord
	require.NoError(t, json.Unmarshal(pack, &list))
	require.Len(t, list, 10)
	for _, r := range list { // RFC 8428 section 4.5.1: what a name may hold
		assert.Regexp(t, `^[A-Za-z0-9][-:./_A-Za-z0-9]*$`, r.Name)
		assert.GreaterOrEqual(t, r.Time, float64(1<<28))
	}
	twelve := 12.612
	assert.Equal(t, SenMLRecord{Name: "lift-1:a:voltage_v", Unit: "V", Time: 1800000000, Value: &twelve}, list[2])
	_, err = senML("lift-1", "5f0c", 7, time.Unix(100, 0), b)
	assert.ErrorIs(t, err, errTooEarly, "a clock that isn't set")
}

func TestReceiptsAreReadStrictly(t *testing.T) {
	got, err := ParseReceived("t-1042", []byte(`{"schema":"liftbank.received.v1","unit":"t-1042",
		"streams":[{"stream":"runs","session":"s","through":57,"missing":[[60,62],[70,70]]}]}`))
	require.NoError(t, err)
	assert.Equal(t, []outbox.Receipt{{Stream: outbox.Runs, Session: "s", Through: 57,
		Missing: [][2]uint64{{60, 62}, {70, 70}}}}, got)
	const head = `{"schema":"liftbank.received.v1","unit":"t-1042","streams":[`
	for name, bad := range map[string]string{
		"empty": ``, "no JSON": `on`, "other unit": strings.Replace(head, "1042", "1043", 1) + `]}`,
		"other schema":      `{"schema":"x","unit":"t-1042","streams":[]}`,
		"unknown field":     head + `],"motor":"on"}`,
		"unknown stream":    head + `{"stream":"settings","session":"s","through":1}]}`,
		"negative":          head + `{"stream":"runs","session":"s","through":-1}]}`,
		"fraction":          head + `{"stream":"runs","session":"s","through":1.5}]}`,
		"beyond 2^53":       head + `{"stream":"runs","session":"s","through":9007199254740993}]}`,
		"no session":        head + `{"stream":"runs","session":"","through":1}]}`,
		"gap below":         head + `{"stream":"runs","session":"s","through":9,"missing":[[9,10]]}]}`,
		"gap backwards":     head + `{"stream":"runs","session":"s","through":9,"missing":[[12,10]]}]}`,
		"gaps out of order": head + `{"stream":"runs","session":"s","through":1,"missing":[[5,6],[3,4]]}]}`,
		"two messages":      head + `]}{}`,
		"too many": head + strings.TrimSuffix(strings.Repeat(`{"stream":"runs","session":"s","through":1},`, 65),
			",") + `]}`,
		"too long": head + strings.Repeat(" ", maxReceived) + `]}`,
	} {
		_, err := ParseReceived("t-1042", []byte(bad))
		assert.Error(t, err, name)
	}
}

func FuzzReceived(f *testing.F) {
	f.Add([]byte(`{"schema":"liftbank.received.v1","unit":"t-1042","streams":[{"stream":"runs","session":"s",
		"through":57,"missing":[[60,62]]}]}`))
	f.Add([]byte(`{"schema":"liftbank.received.v1","unit":"t-1042","streams":[null]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		receipts, err := ParseReceived("t-1042", data)
		for _, r := range receipts {
			if err != nil || r.Through > maxSeq || len(r.Missing) > maxMissing {
				t.Errorf("%+v, %v", r, err)
			}
		}
	})
}
