package metrics

import (
	"bytes"
	"compress/gzip"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"
)

// Kind is what a metric is.
type Kind uint8

// Kinds of metric.
const (
	Gauge Kind = iota
	Counter
)

// Desc describes one metric.
type Desc struct {
	Name, Help string
	Labels     []string // in the order in which a sample has their values

	index int
	order []int // of the labels, by name
}

// Sink takes one sample. The labels' values are only lent.
type Sink func(d *Desc, kind Kind, value float64, labels []string)

// described is every metric of this package. It is written by package initialization alone.
var described []*Desc

// Described returns every metric of this package.
func Described() []*Desc { return described }

func describe(name, help string, labels ...string) *Desc {
	if slices.ContainsFunc(described, func(d *Desc) bool { return d.Name == name }) {
		panic("bug: two metrics have the name " + name)
	}
	d := &Desc{Name: name, Help: help, Labels: labels, index: len(described)}
	for i := range labels {
		d.order = append(d.order, i)
	}
	slices.SortStableFunc(d.order, func(a, b int) int { return strings.Compare(labels[a], labels[b]) })
	described = append(described, d)
	return d
}

// byName are the metrics in the order of the answer.
var byName = sync.OnceValue(func() []*Desc {
	all := slices.Clone(described)
	slices.SortStableFunc(all, func(a, b *Desc) int { return strings.Compare(a.Name, b.Name) })
	return all
})

// mostScrapes run at a time; more are asked to come back.
const mostScrapes = 4

// Exposition answers scrapes in Prometheus' text format, version 0.0.4. An answer is packed for whoever asks for that,
// as Prometheus does: at one scrape every 30 s the CPU time is small beside the bytes of a network that is
// paid for. Only gzip: one kind of packer to hold in memory. What an answer is made in is kept for the next: the
// reference library makes 400 kB of garbage for each, and is a tenth of a board's program.
type Exposition struct {
	opts  Options
	free  chan *answer
	count chan struct{}
}

// answer is what one answer is made in.
type answer struct {
	families [][]byte // the lines of each metric, by its index
	lines    [][]byte // of one of them
	kinds    []Kind
	text     bytes.Buffer
	packed   bytes.Buffer
	packer   *gzip.Writer
}

// New returns the exposition of a unit's figures and those of the process.
func New(opts Options) *Exposition {
	return &Exposition{opts: opts, free: make(chan *answer, 1), count: make(chan struct{}, mostScrapes)}
}

// ServeHTTP answers a scrape.
func (x *Exposition) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	select {
	case x.count <- struct{}{}:
		defer func() { <-x.count }()
	default:
		http.Error(w, "too many scrapes at a time: come back", http.StatusServiceUnavailable)
		return
	}
	a := x.answer()
	defer func() {
		select {
		case x.free <- a:
		default: // one is enough to keep
		}
	}()
	a.write(&x.opts)
	h := w.Header()
	h.Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	h.Set("Vary", "Accept-Encoding")
	body := a.text.Bytes()
	if takesGzip(r.Header.Values("Accept-Encoding")) {
		h.Set("Content-Encoding", "gzip")
		body = a.pack()
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	_, _ = w.Write(body) // who is gone has no use for an error
}

func (x *Exposition) answer() *answer {
	select {
	case a := <-x.free:
		return a
	default:
		return &answer{families: make([][]byte, len(described)), kinds: make([]Kind, len(described))}
	}
}

// write makes the text.
func (a *answer) write(opts *Options) {
	for i := range a.families {
		a.families[i] = a.families[i][:0]
	}
	Collect(opts, a.sample)
	collectProcess(a.sample, opts.Started)
	a.text.Reset()
	for _, d := range byName() {
		a.family(d)
	}
}

// sample adds a line to its metric.
func (a *answer) sample(d *Desc, kind Kind, value float64, labels []string) {
	a.kinds[d.index] = kind
	b := append(a.families[d.index], d.Name...)
	for n, i := range d.order {
		b = append(b, "{,"[min(n, 1)])
		b = append(append(b, d.Labels[i]...), '=', '"')
		b = append(appendEscaped(b, labels[i]), '"')
	}
	if len(d.order) > 0 {
		b = append(b, '}')
	}
	b = append(b, ' ')
	switch {
	case math.IsInf(value, 0) || math.IsNaN(value):
		b = append(b, map[bool]string{true: "NaN", false: strings.ToUpper(strconv.FormatFloat(value, 'g', -1, 64)[:1]) + "Inf"}[math.IsNaN(value)]...)
	default:
		b = strconv.AppendFloat(b, value, 'g', -1, 64)
	}
	a.families[d.index] = append(b, '\n')
}

// appendEscaped adds a label's value. It comes from the unit's configuration: one that is not UTF-8 must not fail
// the scrape.
func appendEscaped(b []byte, value string) []byte {
	for _, r := range value {
		switch r {
		case '\\':
			b = append(b, `\\`...)
		case '"':
			b = append(b, `\"`...)
		case '\n':
			b = append(b, `\n`...)
		default:
			b = utf8.AppendRune(b, r)
		}
	}
	return b
}

var kindWords = [...]string{Gauge: "gauge", Counter: "counter"}

// family adds a metric with its samples, in order; one whose labels another one has is left out.
func (a *answer) family(d *Desc) {
	rest := a.families[d.index]
	if len(rest) == 0 {
		return
	}
	for _, part := range []string{"# HELP ", d.Name, " ", d.Help, "\n# TYPE ", d.Name, " ", kindWords[a.kinds[d.index]], "\n"} {
		a.text.WriteString(part)
	}
	a.lines = a.lines[:0]
	for len(rest) > 0 {
		end := bytes.IndexByte(rest, '\n') + 1
		a.lines = append(a.lines, rest[:end])
		rest = rest[end:]
	}
	slices.SortStableFunc(a.lines, bytes.Compare)
	var last []byte
	for _, line := range a.lines {
		key := line[:bytes.LastIndexByte(line, ' ')]
		if !bytes.Equal(key, last) {
			a.text.Write(line)
		}
		last = key
	}
}

// pack returns the text, packed. The fastest setting: a better one takes three times as long for a fifth less.
func (a *answer) pack() []byte {
	a.packed.Reset()
	if a.packer == nil {
		a.packer, _ = gzip.NewWriterLevel(&a.packed, gzip.BestSpeed) // an error is a wrong level
	} else {
		a.packer.Reset(&a.packed)
	}
	_, _ = a.packer.Write(a.text.Bytes()) // into memory
	_ = a.packer.Close()
	return a.packed.Bytes()
}

// takesGzip reports whether a client takes gzip (RFC 9110, section 12.5.3).
func takesGzip(accepts []string) bool {
	for _, header := range accepts {
		for item := range strings.SplitSeq(header, ",") {
			name, parameter, _ := strings.Cut(item, ";")
			if !strings.EqualFold(strings.TrimSpace(name), "gzip") {
				continue
			}
			q, has := strings.CutPrefix(strings.ReplaceAll(parameter, " ", ""), "q=")
			weight, err := strconv.ParseFloat(q, 64)
			return !has || err == nil && weight > 0
		}
	}
	return false
}
