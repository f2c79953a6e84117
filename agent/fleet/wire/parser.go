package wire

import (
	"bytes"
	"compress/zlib"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/deploy/schema"
)

// Parser reads messages under one prefix. It may be used from any goroutine.
type Parser struct{ prefix string }

// NewParser returns a parser for topics under a prefix, such as "liftbank".
func NewParser(prefix string) (*Parser, error) {
	if _, err := schemas(); err != nil {
		return nil, err
	}
	return &Parser{prefix + "/v1/"}, nil
}

// layout is one layout of messages.
type layout struct {
	leaf  string // "" is any stream's
	check *node
}

// senML names the layout of a pack, which says none itself.
const senML = "senml"

// Layouts of before, read as those of today. Units of before send them until they are updated.
const (
	findingV1  = "liftbank.finding.v1"
	snapshotV1 = "liftbank.snapshot.v1"
)

// schemas are all layouts that are taken, by name.
var schemas = sync.OnceValues(func() (map[string]layout, error) {
	all := map[string]layout{}
	for name, of := range map[string]struct{ leaf, file string }{
		records.StatusSchema:   {Status, "status"},
		snapshot.Schema:        {Snapshot, "snapshot"},
		records.ReadingsSchema: {Readings, "readings"},
		senML:                  {Readings, "readings-senml"},
		records.RunSchema:      {Runs, "run"},
		records.FindingSchema:  {Findings, "finding"},
		records.VisitSchema:    {Visits, "visit"},
		records.GapSchema:      {"", "gap"},
	} {
		file, err := schema.Files.ReadFile(of.file + ".schema.json")
		if err != nil {
			return nil, fmt.Errorf("schema: %w", err)
		}
		n, err := compile(file)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", of.file, err)
		}
		all[name] = layout{of.leaf, n}
	}
	for name, of := range map[string]struct{ leaf, file string }{
		findingV1: {Findings, findingV1File}, snapshotV1: {Snapshot, snapshotV1File},
	} {
		n, err := compile([]byte(of.file))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		all[name] = layout{of.leaf, n}
	}
	return all, nil
})

// unitName is what a unit may be called (asyncapi.yaml).
var unitName = regexp.MustCompile(`^[a-z0-9-]{1,64}$`)

// ValidUnit reports whether a unit may be called so.
func ValidUnit(name string) bool { return unitName.MatchString(name) }

// Split returns the unit and the last level of a topic.
func (p *Parser) Split(topic string) (unit, leaf string, ok bool) {
	rest, ok := strings.CutPrefix(topic, p.prefix)
	if !ok {
		return "", "", false
	}
	unit, leaf, ok = strings.Cut(rest, "/")
	if !ok || !validUnit(unit) {
		return "", "", false
	}
	switch leaf {
	case Status, Snapshot, Readings, Runs, Findings, Visits:
		return unit, leaf, true
	}
	return "", "", false
}

func validUnit(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
			return false
		}
	}
	return true
}

// Parse reads what a topic brought. Its error is a *Refused, which the message has too. The message
// keeps the payload.
func (p *Parser) Parse(topic string, payload []byte) (Message, error) {
	m := Message{Topic: topic, Body: payload}
	refuse := func(why Reason, format string, args ...any) (Message, error) {
		detail := fmt.Sprintf(format, args...)
		const most = 300
		if len(detail) > most {
			detail = strings.ToValidUTF8(detail[:most], "")
		}
		m.Refused = &Refused{why, detail}
		m.Body = payload
		return m, m.Refused
	}
	unit, leaf, ok := p.Split(topic)
	if !ok {
		return refuse(BadTopic, "%.200q: want %s<unit>/ and one of %s", topic, p.prefix, strings.Join(Leaves, ", "))
	}
	m.Unit, m.Leaf = unit, leaf
	if len(payload) > MaxPayload {
		return refuse(TooLarge, "%d bytes: want at most %d", len(payload), MaxPayload)
	}
	if len(payload) > 0 && payload[0] == 0x78 {
		body, err := inflate(payload)
		if err != nil {
			return refuse(BadDeflate, "%v", err)
		}
		m.Body = body
	}
	if !utf8.Valid(m.Body) {
		return refuse(NotJSON, "not UTF-8")
	}
	all, err := schemas()
	if err != nil {
		panic("bug: NewParser has looked: " + err.Error())
	}
	name, err := schemaOf(m.Body)
	if err != nil {
		return refuse(NotJSON, "%v", err)
	}
	lay, known := all[name]
	if !known || lay.leaf != leaf && (lay.leaf != "" || leaf == Status || leaf == Snapshot) || name == senML && m.Body[0] != '[' {
		m.Numbered = p.numbered(&m)
		return refuse(UnknownSchema, "%.60q on %s", name, leaf)
	}
	m.Schema = name
	c := check{b: m.Body}
	if err := c.run(lay.check); err != nil {
		return refuse(NotJSON, "%v", err)
	}
	if name == senML {
		if c.wrong != "" {
			return refuse(BreaksSchema, "%s: %s", name, c.wrong)
		}
		return p.pack(m, refuse)
	}
	if got := c.string(keptUnit); got != unit {
		return refuse(UnitLies, "says that it is %.64q", got)
	}
	m.head(&c)
	m.From = m.Head.Seq
	if name == records.GapSchema {
		m.From = c.whole(keptFrom)
	}
	if why := m.numbers(); why != "" {
		if c.wrong != "" {
			return refuse(BreaksSchema, "%s: %s", name, c.wrong)
		}
		return refuse(BadNumbers, "%s", why)
	}
	m.Numbered = m.IsRecord()
	if c.wrong != "" {
		return refuse(BreaksSchema, "%s: %s", name, c.wrong)
	}
	if why := m.decode(&c); why != nil {
		return refuse(BreaksSchema, "%s: %v", name, why)
	}
	return m, nil
}

// numbered reads the head of a message whose layout is not known, if it has one as all layouts have:
// then the record is known by its number, and need not be sent again and again.
func (p *Parser) numbered(m *Message) bool {
	c := check{b: m.Body}
	if c.run(anySchema) != nil || !m.IsRecord() || c.string(keptUnit) != m.Unit {
		return false
	}
	m.head(&c)
	m.From = m.Head.Seq
	return m.numbers() == ""
}

// head takes the head from what was kept of the message.
func (m *Message) head(c *check) {
	m.Head = records.Head{
		Schema: m.Schema, Unit: m.Unit, Session: c.string(keptSession), Stream: c.string(keptStream),
		First: c.whole(keptFirst), Seq: c.whole(keptSeq), ClockTrusted: string(c.kept[keptTrusted]) == "true",
		MonoS: c.float(keptMono),
	}
	m.Head.At, _ = time.Parse(time.RFC3339, c.string(keptAt)) // checked by the schema, or refused
}

// Largest session name and number that a receipt can speak of (package records).
const (
	maxSession = 64
	maxSeq     = 1 << 53
)

// numbers says what is wrong with the numbers of a record; "" is nothing.
func (m *Message) numbers() string {
	h := &m.Head
	switch {
	case h.Session == "" || len(h.Session) > maxSession || strings.ContainsFunc(h.Session, func(r rune) bool { return r < ' ' }):
		return fmt.Sprintf("session %.80q: want 1 to %d bytes", h.Session, maxSession)
	case !m.IsRecord():
		return ""
	case h.Stream != m.Leaf:
		return fmt.Sprintf("stream %.40q on topic %s", h.Stream, m.Leaf)
	case m.Schema == records.GapSchema && h.First > 0 && m.From > 0 && m.From <= h.Seq && h.Seq <= maxSeq:
		return "" // the answer to who asked for what is below the session's first number may begin there
	case h.First == 0 || m.From < h.First || h.Seq < m.From || h.Seq > maxSeq:
		return fmt.Sprintf("first %d, from %d, seq %d: want them in this order, up to 2^53", h.First, m.From, h.Seq)
	}
	return ""
}

// decode decodes what a database needs.
func (m *Message) decode(c *check) error {
	switch m.Schema {
	case records.StatusSchema:
		m.Status = &records.Status{}
		return json.Unmarshal(m.Body, m.Status)
	case snapshot.Schema, snapshotV1:
		s, err := DecodeSnapshot(m.Body)
		if err != nil {
			return err
		}
		m.Snapshot, m.Head.MonoS = s, s.UptimeS
	case records.FindingSchema, findingV1:
		f, err := DecodeFinding(m.Body)
		if err != nil {
			return err
		}
		m.Finding = &f.Finding
	case records.VisitSchema:
		v, err := DecodeVisit(m.Body)
		if err != nil {
			return err
		}
		m.Visit = &v
	case records.GapSchema:
		m.Gap = &records.Gap{Head: m.Head, From: m.From, Because: c.string(keptBecause)}
	case records.ReadingsSchema:
		return c.lines()
	}
	return nil
}

// lines judges what the schema can't say of readings: no line goes beyond the batch.
func (c *check) lines() error {
	if c.lastBin >= c.bins || float64(c.points) > c.bins {
		return fmt.Errorf("a line up to bin %v in a batch of %v", c.lastBin, c.bins)
	}
	return nil
}

func (c *check) string(i int) string {
	raw := c.kept[i]
	if len(raw) < 2 || raw[0] != '"' {
		return ""
	}
	if bytes.IndexByte(raw, '\\') < 0 {
		return string(raw[1 : len(raw)-1])
	}
	return unquote(raw)
}

// whole returns a whole number that is written as one, else 0.
func (c *check) whole(i int) uint64 {
	n, err := strconv.ParseUint(str(c.kept[i]), 10, 64)
	if err != nil {
		return 0
	}
	return n
}

func (c *check) float(i int) float64 {
	x, err := strconv.ParseFloat(str(c.kept[i]), 64)
	if err != nil {
		return 0
	}
	return x
}

// schemaOf returns what a message says of its layout.
func schemaOf(body []byte) (string, error) {
	const first = `{"schema":"` // as our own encoder writes it
	if rest, ok := bytes.CutPrefix(body, []byte(first)); ok {
		if end := bytes.IndexByte(rest, '"'); end >= 0 && bytes.IndexByte(rest[:end], '\\') < 0 {
			return string(rest[:end]), nil
		}
	}
	trimmed := bytes.TrimLeft(body, " \t\r\n")
	if len(trimmed) > 0 && trimmed[0] == '[' {
		return senML, nil
	}
	c := check{b: body}
	if err := c.run(anySchema); err != nil {
		return "", err
	}
	if len(trimmed) == 0 || trimmed[0] != '{' {
		return "", nil
	}
	return c.string(keptSchema), nil
}

// anySchema takes any JSON and keeps what a head is made from.
var anySchema = func() *node {
	n := &node{kinds: isAny | isInteger, maxItems: -1, members: map[string]member{}}
	for i, name := range kept {
		n.members[name] = member{of: &node{kinds: isAny | isInteger, maxItems: -1}, bit: 1 << i, keep: i + 1}
	}
	return n
}()

// inflators are used again: each has 40 kB of tables.
var inflators sync.Pool

var errLarge = fmt.Errorf("more than %d bytes inflated", MaxInflated)

// inflate reads the zlib format (RFC 1950) within bounds.
func inflate(payload []byte) ([]byte, error) {
	in := bytes.NewReader(payload)
	r, _ := inflators.Get().(io.ReadCloser)
	var err error
	if r == nil {
		r, err = zlib.NewReader(in)
	} else {
		err = r.(zlib.Resetter).Reset(in, nil)
	}
	if err != nil {
		return nil, err
	}
	defer inflators.Put(r)
	var out bytes.Buffer
	out.Grow(min(5*len(payload), 64<<10))
	n, err := out.ReadFrom(io.LimitReader(r, MaxInflated+1))
	switch {
	case err != nil:
		return nil, err
	case n > MaxInflated:
		return nil, errLarge
	case in.Len() > 0:
		return nil, errors.New("more after its end")
	}
	return out.Bytes(), nil
}
