package wire

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/rules/detect"
)

// What version 1 had in common with itself over its time; its texts came without an ID.
var (
	//go:embed v1/finding.schema.json
	findingV1File string
	//go:embed v1/snapshot.schema.json
	snapshotV1File string
)

// DecodeRun decodes the body of a stored run.
func DecodeRun(body []byte) (r records.Run, err error) { return r, json.Unmarshal(body, &r) }

// DecodeVisit decodes the body of a stored visit.
func DecodeVisit(body []byte) (v records.Visit, err error) { return v, json.Unmarshal(body, &v) }

// DecodeFinding decodes the body of a stored finding; v1 is read as v2.
func DecodeFinding(body []byte) (f records.Finding, err error) {
	if name, _ := schemaOf(body); name == findingV1 {
		if body, err = upgrade(body); err != nil {
			return f, err
		}
	}
	return f, json.Unmarshal(body, &f)
}

// DecodeSnapshot decodes a snapshot as sent; v1 is read as v2 as far as it goes.
func DecodeSnapshot(body []byte) (*snapshot.Snapshot, error) {
	if name, _ := schemaOf(body); name == snapshotV1 {
		var err error
		if body, err = upgrade(body); err != nil {
			return nil, err
		}
	}
	s := &snapshot.Snapshot{}
	return s, json.Unmarshal(body, s)
}

// upgrade makes version 2 of a message of version 1.
func upgrade(body []byte) ([]byte, error) {
	var v any
	if err := json.Unmarshal(body, &v); err != nil {
		return nil, err
	}
	return json.Marshal(upgraded("", v))
}

// texts are the fields that were plain text in version 1.
var texts = map[string]bool{
	"not_judged_because": true, "because": true, "lifts_wait_for": true, "full_waits_for": true, "waits_for": true,
	"quality": true, "what": true, "words": true, "cause": true, "reason": true,
}

func upgraded(field string, v any) any {
	switch v := v.(type) {
	case string:
		switch {
		case texts[field]:
			return map[string]any{"id": "", "text": v}
		case field == "severity" && v == "service":
			return "repair"
		case field == "next_check":
			return []any{v}
		}
	case []any:
		for i := range v {
			if cause, plain := v[i].(string); plain && field == "causes" {
				v[i] = map[string]any{"cause": map[string]any{"id": "", "text": cause}}
				continue
			}
			if field != "next_check" {
				v[i] = upgraded(field+"[]", v[i])
			}
		}
	case map[string]any:
		out := make(map[string]any, len(v))
		for name, value := range v {
			switch {
			case name == "holds":
				name = "active"
			case name == "quiet":
				name = "muted"
			case name == "text" && field == "evidence[]":
				name = "words"
			case texts[name] && value == "" || value == nil:
				continue // an empty text was none
			}
			out[name] = upgraded(name, value)
		}
		if finding, is := out["name"].(string); is && out["severity"] != nil && out["title"] == nil {
			subject, _ := out["subject"].(string)
			out["title"] = titleOf(finding, subject)
		}
		return out
	}
	return v
}

func titleOf(finding, subject string) string {
	if d := detect.Lookup(finding); d != nil {
		return d.TitleOf(subject)
	}
	return finding
}

// DecodeReadings decodes the body of a stored batch of readings, JSON or SenML. Of SenML the head has
// unit, session, seq and the time of the first bin. What a newer agent has added is left out.
func DecodeReadings(body []byte) (r records.Readings, err error) {
	if name, _ := schemaOf(body); name == senML {
		return decodePack(body)
	}
	if err = json.Unmarshal(body, &r); err == nil {
		return r, nil
	}
	var in struct {
		records.Head
		Start    time.Time `json:"start"`
		Readings looseBatch
	}
	if lax := json.Unmarshal(body, &in); lax != nil {
		return r, err
	}
	batch, err := in.Readings.strict()
	return records.Readings{Head: in.Head, Start: in.Start, Readings: batch}, err
}

// looseBatch is a batch with what is known of it.
type looseBatch struct {
	StepS  int             `json:"step_s"`
	Bins   int             `json:"bins"`
	Within readings.Bounds `json:"within"`
	Series []looseSeries   `json:"series"`
}

type looseSeries struct {
	Figure  string     `json:"figure"`
	Battery string     `json:"battery,omitempty"`
	Mean    []*float64 `json:"mean"`
	Min     []*float64 `json:"min,omitempty"`
	Max     []*float64 `json:"max,omitempty"`
}

// strict returns the batch without figures that are not known.
func (l looseBatch) strict() (b readings.Batch, err error) {
	all := l.Series
	l.Series = []looseSeries{}
	for _, s := range all {
		switch s.Figure {
		case readings.VoltageV, readings.CurrentA, readings.TemperatureC, readings.SoCPct, readings.FeedV, readings.MotorV:
			l.Series = append(l.Series, s)
		}
	}
	text, err := json.Marshal(l)
	if err != nil {
		return b, err
	}
	return b, json.Unmarshal(text, &b)
}

// pack takes a SenML pack: its first two records say session and number.
func (p *Parser) pack(m Message, refuse func(Reason, string, ...any) (Message, error)) (Message, error) {
	var list []records.SenMLRecord
	if err := json.Unmarshal(m.Body, &list); err != nil {
		return refuse(BreaksSchema, "%v", err)
	}
	for i := range list {
		if !strings.HasPrefix(list[i].Name, m.Unit+":") {
			return refuse(UnitLies, "has a figure %.100q", list[i].Name)
		}
	}
	head, err := packHead(list)
	if err != nil {
		return refuse(BreaksSchema, "%v", err)
	}
	m.Head, m.From = head, head.Seq
	m.Head.First = m.Head.Seq // nothing is said of what is below
	if why := m.numbers(); why != "" {
		return refuse(BadNumbers, "%s", why)
	}
	m.Head.First, m.Numbered = 0, true
	if _, err := batchOf(list); err != nil {
		return refuse(BreaksSchema, "%v", err)
	}
	return m, nil
}

func packHead(list []records.SenMLRecord) (h records.Head, err error) {
	const session, seq = ":readings:session", ":readings:seq"
	if len(list) < 2 || !strings.HasSuffix(list[0].Name, session) || list[0].String == nil ||
		!strings.HasSuffix(list[1].Name, seq) || list[1].Value == nil {
		return h, errors.New("senml: want the session and the number first")
	}
	n := *list[1].Value
	if !(n >= 1 && n <= maxSeq) || n != float64(uint64(n)) {
		return h, fmt.Errorf("senml: number %v", n)
	}
	return records.Head{
		Schema: senML, Unit: strings.TrimSuffix(list[0].Name, session), Session: *list[0].String, Stream: Readings,
		Seq: uint64(n), At: instant(list[0].Time), ClockTrusted: true,
	}, nil
}

func instant(s float64) time.Time { return time.UnixMilli(int64(s * 1000)).UTC() }

func decodePack(body []byte) (r records.Readings, err error) {
	var list []records.SenMLRecord
	if err := json.Unmarshal(body, &list); err != nil {
		return r, err
	}
	if r.Head, err = packHead(list); err != nil {
		return r, err
	}
	r.Start = r.At
	r.Readings, err = batchOf(list)
	return r, err
}

// batchOf makes a batch of the corners in a pack. A pack doesn't say where a line ends for a while.
func batchOf(list []records.SenMLRecord) (readings.Batch, error) {
	l := looseBatch{StepS: int(readings.Step.Seconds()), Series: []looseSeries{}, Within: readings.DefaultBounds()}
	index := map[string]int{}
	for _, r := range list[2:] {
		if r.Value == nil {
			continue
		}
		parts := strings.Split(r.Name, ":")[1:]
		line := ""
		if last := parts[len(parts)-1]; last == "min" || last == "max" {
			line, parts = last, parts[:len(parts)-1]
		}
		if len(parts) == 0 || len(parts) > 2 {
			return readings.Batch{}, fmt.Errorf("senml: name %.100q", r.Name)
		}
		key := strings.Join(parts, ":")
		i, known := index[key]
		if !known {
			i = len(l.Series)
			index[key] = i
			s := looseSeries{Figure: parts[len(parts)-1]}
			if len(parts) == 2 {
				s.Battery = parts[0]
			}
			l.Series = append(l.Series, s)
		}
		exact := (r.Time - list[0].Time) / readings.Step.Seconds()
		bin := math.Round(exact)
		const most, near = 7 * 24 * 60, 1e-3 // times have the rounding of a large number
		if math.Abs(exact-bin) > near || bin < 0 || bin >= most {
			return readings.Batch{}, fmt.Errorf("senml: time %v of %.100q", r.Time, r.Name)
		}
		l.Bins = max(l.Bins, int(bin)+1)
		value := *r.Value
		s := &l.Series[i]
		to := &s.Mean
		switch line {
		case "min":
			to = &s.Min
		case "max":
			to = &s.Max
		}
		*to = append(*to, &bin, &value)
	}
	l.Bins = max(l.Bins, 1)
	return l.strict()
}
