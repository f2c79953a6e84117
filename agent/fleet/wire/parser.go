package wire

import (
	"errors"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// Parser reads messages under one prefix. It may be used from any goroutine.
type Parser struct{ prefix string }

// NewParser returns a parser for topics under a prefix, such as "liftbank".
func NewParser(prefix string) (*Parser, error) { return &Parser{prefix + "/v1/"}, nil }

// Parse reads what a topic brought. Its error is a *Refused, which the message has too.
func (p *Parser) Parse(topic string, payload []byte) (Message, error) {
	return Message{}, errors.New("not built yet")
}

// DecodeRun decodes the body of a stored run.
func DecodeRun(body []byte) (records.Run, error) { return records.Run{}, errors.New("not built yet") }

// DecodeReadings decodes the body of a stored batch of readings, JSON or SenML. Of SenML the head has
// unit, session, seq and the time of the first bin.
func DecodeReadings(body []byte) (records.Readings, error) {
	return records.Readings{}, errors.New("not built yet")
}

// DecodeFinding decodes the body of a stored finding; v1 is read as v2.
func DecodeFinding(body []byte) (records.Finding, error) {
	return records.Finding{}, errors.New("not built yet")
}

// DecodeVisit decodes the body of a stored visit.
func DecodeVisit(body []byte) (records.Visit, error) {
	return records.Visit{}, errors.New("not built yet")
}

// DecodeSnapshot decodes a snapshot as sent; v1 is read as v2 as far as it goes.
func DecodeSnapshot(body []byte) (*snapshot.Snapshot, error) { return nil, errors.New("not built yet") }
