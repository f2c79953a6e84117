package fit

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"time"

	"liftbank/agent/config"
)

// Schema names the form of a record.
const Schema = "liftbank.fit.v1"

// Document is the record of a fitting: who did what, what the board showed and the meters, what followed
// and what was changed.
type Document struct {
	Schema   string    `json:"schema"`
	Unit     string    `json:"unit"`
	By       string    `json:"by"`
	Begun    time.Time `json:"begun"`
	Finished time.Time `json:"finished"`
	Program  string    `json:"program"`
	// Before and After are SHA-256 of the configuration's text, as it was read and as it was written, or handed out to be put
	// in its place; the same where nothing changes.
	Before   string    `json:"config_sha256_before"`
	After    string    `json:"config_sha256_after"`
	Channels []string  `json:"channels"` // in the order of the figures
	Contacts []string  `json:"contacts"` // in the order of the levels
	Steps    []Done    `json:"steps"`
	Verdicts []Verdict `json:"verdicts"`
	Trouble  []Trouble `json:"trouble,omitempty"`
	// Stored are the corrections that were stored at the unit, which the figures are without.
	Stored []Stored `json:"stored_corrections,omitempty"`
}

// Done is a step as it was done, each time.
type Done struct {
	Step    string   `json:"step"`
	Title   string   `json:"title"`
	Records []Record `json:"records"`
}

// Hash returns the SHA-256 of a configuration's text.
func Hash(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// Document returns the record of what has been done.
func (s *Session) Document(now time.Time, program, after string) Document {
	d := Document{Schema: Schema, Unit: s.state.Unit, By: s.state.By, Begun: s.state.Begun, Finished: now, Program: program, Before: s.state.Config,
		After: after, Verdicts: s.Verdicts(), Trouble: s.state.Trouble, Channels: []string{}, Contacts: []string{}, Steps: []Done{}}
	for i := range s.cfg.Board.Channels {
		d.Channels = append(d.Channels, s.cfg.Board.Channels[i].Name())
	}
	for _, c := range s.cfg.Board.Contacts {
		d.Contacts = append(d.Contacts, string(c.Signal))
	}
	all := s.All()
	for ch := range s.cfg.Board.Channels { // a label that is not asked any more was read all the same
		l, ok := labelStep(s.cfg, ch)
		if ok && !slices.ContainsFunc(all, func(st Step) bool { return st.ID == l.ID }) {
			all = append(all, l)
		}
	}
	for _, st := range all {
		if r := s.state.Records[st.ID]; len(r) > 0 {
			d.Steps = append(d.Steps, Done{st.ID, st.Title.String(), r})
		}
	}
	return d
}

// FrameOf returns an empty frame of a configuration.
func FrameOf(cfg *config.Config) Frame {
	return Frame{Readings: make([]Reading, len(cfg.Board.Channels)), Contacts: make([]Level, len(cfg.Board.Contacts))}
}
