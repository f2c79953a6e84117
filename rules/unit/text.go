package unit

import (
	"encoding/json"
	"fmt"
)

// Text is something the rules say to people: an ID that is saved, sent and translated by, and its
// English. Texts are made once, by Says, and compared by their address.
type Text struct{ ID, English string }

// texts are all that were made, by ID. It is written by package initialization alone.
var texts = map[string]*Text{}

// Says makes a text. It is for package variables; an ID that another text has is a bug.
func Says(id, english string) *Text {
	if texts[id] != nil {
		panic(fmt.Sprintf("bug: two texts have the ID %q", id))
	}
	t := &Text{ID: id, English: english}
	texts[id] = t
	return t
}

// Lookup returns the text with this ID, or nil.
func Lookup(id string) *Text { return texts[id] }

// Texts returns all texts by ID, for those who check translations. The map must not be changed.
func Texts() map[string]*Text { return texts }

// Said returns the English of a text; of nil it is empty.
func (t *Text) Said() string {
	if t == nil {
		return ""
	}
	return t.English
}

// Key returns the ID of a text; of nil it is empty.
func (t *Text) Key() string {
	if t == nil {
		return ""
	}
	return t.ID
}

// Saved is a text in a saved state: its ID alone is kept. A text that this version no longer has is
// read as none.
type Saved struct{ *Text }

// MarshalJSON writes the ID.
func (s Saved) MarshalJSON() ([]byte, error) { return json.Marshal(s.Key()) }

// UnmarshalJSON reads an ID.
func (s *Saved) UnmarshalJSON(data []byte) error {
	var id string
	if err := json.Unmarshal(data, &id); err != nil {
		return fmt.Errorf("text: %w", err)
	}
	s.Text = Lookup(id)
	return nil
}
