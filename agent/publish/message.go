package publish

import (
	"encoding/json"
	"time"

	"liftbank/agent/snapshot"
)

// Schemas of the payloads; the snapshot has its own.
const (
	statusSchema  = "liftbank.status.v1"
	runSchema     = "liftbank.run.v1"
	findingSchema = "liftbank.finding.v1"
)

// Values of the status.
const (
	statusOnline  = "online"
	statusOffline = "offline" // said by the agent itself before it leaves
	statusLost    = "lost"    // the last will: said by the broker when the agent is gone without a word
)

// statusMessage says whether the agent is there. A reader ignores a `lost` whose session and connection are not those of
// the last `online`: a broker may send the will of an old connection after the birth of the next.
type statusMessage struct {
	Schema     string    `json:"schema"`
	Unit       string    `json:"unit"`
	Session    string    `json:"session"`
	Connection uint64    `json:"connection"` // counts within the session
	Status     string    `json:"status"`
	At         time.Time `json:"at"` // when written; of `lost`, when that connection was begun
}

// streamHead is what stream messages have in common. Seq starts at 1 and counts within session and stream.
type streamHead struct {
	Schema  string    `json:"schema"`
	Unit    string    `json:"unit"`
	Session string    `json:"session"`
	Stream  string    `json:"stream"`
	Seq     uint64    `json:"seq"`
	At      time.Time `json:"at"`
}

type runMessage struct {
	streamHead
	Run snapshot.Run `json:"run"`
}

type findingMessage struct {
	streamHead
	Finding snapshot.Finding `json:"finding"`
}

func (p *Publisher) head(schema, stream string, seq uint64, at time.Time) streamHead {
	return streamHead{Schema: schema, Unit: p.opts.Unit, Session: p.opts.Session, Stream: stream, Seq: seq, At: at.UTC()}
}

func (p *Publisher) status(status string, connection uint64) []byte {
	b, err := json.Marshal(statusMessage{
		Schema: statusSchema, Unit: p.opts.Unit, Session: p.opts.Session,
		Connection: connection, Status: status, At: p.opts.Clock.Now().UTC(),
	})
	if err != nil {
		panic("bug: status message: " + err.Error()) // text, a count and a time always have a JSON form
	}
	return b
}
