package records

import (
	"encoding/json"
	"errors"
	"time"

	"liftbank/agent/readings"
)

// SenMLRecord is one SenML record (RFC 8428), always resolved: full name, absolute time, one value,
// no base fields.
type SenMLRecord struct {
	Name   string   `json:"n"`
	Unit   string   `json:"u,omitempty"`
	Time   float64  `json:"t"` // seconds since 1970-01-01 UTC; below 2^28 it would mean relative
	Value  *float64 `json:"v,omitempty"`
	String *string  `json:"vs,omitempty"`
}

// minSenMLTime is the first time that SenML can say, in seconds since 1970: smaller numbers are
// relative (RFC 8428, section 4.5.3).
const minSenMLTime = 1 << 28

// errTooEarly says that a time is before what SenML can say.
var errTooEarly = errors.New("senml: time before 1978")

// senMLUnits are from the SenML units registry of RFC 8428, section 12.1; %EL is a battery's
// remaining charge.
var senMLUnits = map[string]string{
	readings.VoltageV: "V", readings.FeedV: "V", readings.MotorV: "V", readings.CurrentA: "A",
	readings.TemperatureC: "Cel", readings.SoCPct: "%EL",
}

// senML returns a batch as a SenML pack. The records are the corners of the lines; a name is
// unit:figure or unit:battery:figure, followed by :min or :max where those are sent. Session and
// seq come first, as records of their own, so that lost and repeated packs can be told apart.
func senML(unit, session string, seq uint64, start time.Time, b readings.Batch) ([]byte, error) {
	at := float64(start.UnixMilli()) / 1000
	if at < minSenMLTime {
		return nil, errTooEarly
	}
	number := float64(seq)
	pack := []SenMLRecord{
		{Name: unit + ":readings:session", Time: at, String: &session},
		{Name: unit + ":readings:seq", Time: at, Value: &number},
	}
	for _, s := range b.Series {
		name := unit + ":" + s.Figure
		if s.Battery != "" {
			name = unit + ":" + s.Battery + ":" + s.Figure
		}
		add := func(name string, l *readings.Polyline) {
			if l == nil {
				return
			}
			for bin, value := range l.Corners() {
				pack = append(pack, SenMLRecord{
					Name: name, Unit: senMLUnits[s.Figure], Time: at + float64(bin*b.StepS), Value: &value,
				})
			}
		}
		add(name, &s.Mean)
		add(name+":min", s.Min)
		add(name+":max", s.Max)
	}
	return json.Marshal(pack)
}
