package readings

import (
	"encoding/json"
	"time"
)

// Record is one SenML record (RFC 8428), always resolved: full name, absolute time, one value, no base fields.
type Record struct {
	Name   string   `json:"n"`
	Unit   string   `json:"u,omitempty"`
	Time   float64  `json:"t"` // seconds since 1970-01-01 UTC; below 2^28 it would mean relative
	Value  *float64 `json:"v,omitempty"`
	String *string  `json:"vs,omitempty"`
}

// earliest is the first time that SenML can say: smaller numbers are relative (RFC 8428, section 4.5.3).
const earliest = 1 << 28

// senmlUnits are from the SenML units registry of RFC 8428, section 12.1; %EL is a battery's remaining charge.
var senmlUnits = map[string]string{VoltageV: "V", FeedV: "V", MotorV: "V", CurrentA: "A", TemperatureC: "Cel", SoCPct: "%EL"}

// SenML gives a batch as a SenML pack. The records are the corners of the lines; a name is unit:figure or unit:battery:figure, followed
// by :min or :max where those are sent. session and seq come first, as records of their own, so that lost and repeated packs can be
// told. ok is false for a time that SenML can't say: the clock must be set.
func SenML(unit, session string, seq uint64, start time.Time, b Batch) (pack []byte, ok bool) {
	at := float64(start.UnixMilli()) / 1000
	if at < earliest {
		return nil, false
	}
	number := float64(seq)
	records := []Record{{Name: unit + ":readings:session", Time: at, String: &session}, {Name: unit + ":readings:seq", Time: at, Value: &number}}
	for _, t := range b.Series {
		name := unit + ":" + t.Figure
		if t.Battery != "" {
			name = unit + ":" + t.Battery + ":" + t.Figure
		}
		add := func(name string, l *Line) {
			if l == nil {
				return
			}
			for _, p := range l.points {
				if p.ok {
					v := float64(p.v) / l.scale
					records = append(records, Record{Name: name, Unit: senmlUnits[t.Figure], Time: at + float64(p.bin*b.StepS), Value: &v})
				}
			}
		}
		add(name, &t.Mean)
		add(name+":min", t.Min)
		add(name+":max", t.Max)
	}
	pack, err := json.Marshal(records)
	return pack, err == nil
}
