package page

import (
	"bytes"
	"encoding/json"
	"html/template"
	"slices"
	"sync/atomic"
	"time"

	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// kind is a page that is followed live.
type kind int

// Kinds, as asked for in /live?of=NAME.
const (
	kindNow kind = iota
	kindCheck
	kindBar // any other page: no part of it changes but the age of the data
	kinds
)

var (
	kindNames  = [kinds]string{"now", "check", web.LiveBar}
	partsOfAll = [kinds][]string{
		// In the order of the page; each is a template, and the id of the element that it fills.
		kindNow:   {"answer", "read", "bank", "batteries", "feed", "motor", "silent", "monitor", "whole"},
		kindCheck: {"running", "run", "joints", "wake"},
	}
)

// sheet is a live page's content made from one snapshot for one kind of reader.
type sheet struct {
	of    *snapshot.Snapshot
	old   bool
	id    uint64
	parts []part
	head  string          // the headline, on the first page
	title json.RawMessage // of the document, that has it
	// What a client follows: the parts, and the line about work under way in the frame of every page.
	followed []part
	// What has changed since the sheet before, made once for all that have that one.
	since   uint64
	changes json.RawMessage
}

// sheets makes the sheets, each once for all clients.
type sheets struct {
	hub        *snapshot.Hub
	staleAfter time.Duration
	acts       bool          // something can be done about findings
	curves     *curvesOf     // nil: none are drawn
	count      atomic.Uint64 // made so far
	rendered   [kinds][words.Variants]atomic.Pointer[sheet]
}

// part is one section of a page.
type part struct {
	ID   string
	HTML template.HTML
}

// of returns a page's parts for snap, rendered once for all clients. snap is nil before the
// first snapshot.
func (s *sheets) of(k kind, to *words.Reader, snap *snapshot.Snapshot) (*sheet, error) {
	old := s.hub.Age() > s.staleAfter || s.hub.Stalled()
	last := s.rendered[k][to.Variant].Load()
	if last != nil && last.of == snap && last.old == old {
		return last, nil
	}
	v := newView(to, snap, old)
	v.Acts = s.acts
	if k == kindNow && snap != nil && !old {
		if v.Answer.Lead != nil {
			one := []view.Finding{*v.Answer.Lead}
			s.curves.add(to, snap, one)
			v.Answer.Lead = &one[0]
		}
		s.curves.add(to, snap, v.Answer.Rest)
	}
	sh := &sheet{of: snap, old: old, id: s.count.Add(1)}
	for _, name := range partsOfAll[k] {
		b, err := web.Execute(name, v)
		if err != nil {
			return nil, err
		}
		sh.parts = append(sh.parts, part{ID: name, HTML: template.HTML(b)}) // escaped by the template
	}
	if k == kindNow {
		sh.head = v.Answer.headline()
		title := sh.head
		if snap != nil {
			title = web.TitleOf(title, snap.Unit)
		}
		var err error
		if sh.title, err = json.Marshal(title); err != nil {
			return nil, err
		}
	}
	line, err := web.UnderWayOf(to, snap).Line()
	if err != nil {
		return nil, err
	}
	sh.followed = append(slices.Clone(sh.parts), part{ID: "under-way", HTML: line})
	if last != nil {
		var err error
		if sh.changes, err = sh.changesSince(last.followed); err != nil {
			return nil, err
		}
		sh.since = last.id
	}
	s.rendered[k][to.Variant].Store(sh)
	return sh, nil
}

// changesSince returns the parts that differ from earlier ones as JSON, by ID; all of them if there
// are no earlier ones.
func (sh *sheet) changesSince(earlier []part) (json.RawMessage, error) {
	changed := map[string]string{}
	for i, p := range sh.followed {
		if i >= len(earlier) || earlier[i].HTML != p.HTML {
			changed[p.ID] = string(p.HTML)
		}
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // it is read as JSON, not as part of a page
	if err := e.Encode(changed); err != nil {
		return nil, err
	}
	return bytes.TrimSpace(b.Bytes()), nil
}
