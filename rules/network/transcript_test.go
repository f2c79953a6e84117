package network_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/network"
	"liftbank/rules/unit"
)

var update = flag.Bool("update", false, "write testdata")

// tale collects what a meter says of banks.
type tale struct{ strings.Builder }

func said(e unit.Estimate) string {
	if !e.Known {
		return "-"
	}
	return fmt.Sprintf("%.4g±%.3g", e.Value+0, e.Sigma)
}

// of writes all that is said of a bank, and the weight of what is not said of the leads.
func (s *tale) of(about string, w *work) {
	fmt.Fprintf(s, "  %s:", about)
	for side := range network.Side(2) {
		for k := range len(w.c.emfV) - 1 {
			fmt.Fprint(s, " ", said(w.m.Link(k, side)))
		}
		for k := range len(w.c.emfV) {
			if p := w.m.Post(k, side); p.Known {
				fmt.Fprintf(s, " post %d %s", k, said(p))
			}
		}
		fmt.Fprint(s, ";")
	}
	for _, l := range []network.Leads{w.m.Load(), w.m.Feed()} {
		fmt.Fprintf(s, " %d/%d", l.Positive, l.Negative)
		if l.Probability > 0 {
			fmt.Fprintf(s, " but for %.2g", 1-l.Probability)
		}
	}
	st := w.m.State()
	fmt.Fprintf(s, "; held %v; paths %s %s\n", st.Held, said(w.m.MotorPath()), said(w.m.FeedPath()))
}

// fedRun is a run with the converter on before, in and after it: what it gives rises by 20 A.
func (w *work) fedRun(drawA, inA float64) {
	w.rest(30, inA)
	w.c.leadPos, w.c.leadNeg, w.c.inA = w.loadPos, w.loadNeg, inA+20-drawA
	for t := time.Duration(0); t < 4*time.Second; t += 20 * time.Millisecond {
		w.step(true, true, t)
		w.at += 20 * time.Millisecond
	}
	w.rest(5, inA)
}

// withPaths has the terminals of motor and feed read over 4 and 3 mΩ.
func (w *work) withPaths() {
	w.spoil = func(r *seen) {
		total := 0.0
		for k := range w.c.emfV {
			total += r.Battery[k].CurrentA.Value
		}
		if first := r.Battery[0].VoltageV.Value; r.Running {
			r.MotorV = good((first+total*4/1000)*1.004 + 0.01)
		} else {
			r.FeedV = good((first + max(total, 0)*3/1000) * 0.996)
		}
	}
}

// wiring is a bank of the transcript.
type wiring struct {
	name                               string
	n                                  int
	loadPos, loadNeg, feedPos, feedNeg int
	change                             func(*work)
}

var wirings = []wiring{
	{"two, diagonal", 2, 0, 1, 0, 1, func(*work) {}},
	{"two, same post", 2, 0, 0, 1, 1, (*work).withPaths},
	{"three, load between, feed diagonal", 3, 0, 1, 0, 2, func(*work) {}},
	{"four, load on the first, a weak last battery", 4, 0, 0, 0, 3, func(w *work) { w.c.ohmMohm[3] = 40 }},
	{"four, a battery without current", 4, 0, 0, 3, 3, func(w *work) { w.c.ohmMohm[3] = 2000 }},
	{"three, one rests lower", 3, 2, 0, 2, 0, func(w *work) { w.c.emfV[1] = 12.55 }},
	{"two, links of almost nothing", 2, 0, 1, 0, 1, func(w *work) { w.c.positive[0], w.c.negative[0] = 0.05, 0.02 }},
	{"three, quiet sensors", 3, 0, 2, 0, 2, func(w *work) { w.noise = [3]float64{1e-4, 5e-5, 0.02}; w.withPaths() }},
	{"three, noisy sensors", 3, 0, 2, 0, 2, func(w *work) { w.noise = [3]float64{0.006, 0.002, 0.5} }},
}

// happenings are what comes after two days, each with the days or runs that follow.
var happenings = []struct {
	name string
	do   func(*work)
	days bool
}{
	{"a positive link corrodes a little", func(w *work) { w.c.positive[0] += 0.06 }, false},
	{"a positive link corrodes", func(w *work) { w.c.positive[0] += 1.4 }, false},
	{"a link is over the trade's limit", func(w *work) { w.c.negative[len(w.c.negative)-1] += 1.8 }, true},
	{"a joint comes loose", func(w *work) { w.c.posPost[1] += 0.9 }, false},
	{"a joint is quite loose", func(w *work) { w.c.posPost[1] += 3 }, true},
	{"a negative joint comes loose", func(w *work) { w.c.negPost[0] += 2 }, true},
	{"a link comes off", func(w *work) { w.c.positive[len(w.c.positive)-1] = 1e8 }, true},
	{"the leads of the load are moved", func(w *work) { w.loadPos = len(w.c.emfV) - 1 - w.loadPos }, true},
	{"the leads of the feed are moved", func(w *work) { w.feedNeg = len(w.c.emfV) - 1 - w.feedNeg }, true},
	{"a tap shifts", func(w *work) { w.offset[0][1] += 0.02 }, true},
	{"a tap's gain shifts", func(w *work) { w.gain[0][1] *= 1.01 }, true},
}

// What is said of simple banks stays the same to four digits: testdata has it. What is true is for
// the other tests to say. Whoever changes a constant sees here what it does, and renews the file
// with -update once that is meant.
func TestTranscript(t *testing.T) {
	var s tale
	for k, b := range wirings {
		begin := func() *work {
			w := newWork(b.n, ladder(b.n, 0.5))
			w.draw = rand.New(rand.NewPCG(uint64(k), 5))
			w.c.posPost, w.c.negPost = make([]float64, b.n), make([]float64, b.n)
			for i := range b.n {
				w.c.posPost[i], w.c.negPost[i] = 0.1, 0.1
			}
			w.err()
			b.change(w)
			w.loadPos, w.loadNeg, w.feedPos, w.feedNeg = b.loadPos, b.loadNeg, b.feedPos, b.feedNeg
			return w
		}
		fmt.Fprintf(&s, "%s\n", b.name)
		w := begin()
		for n := range 14 {
			w.run(100 + 3*float64(n))
			s.of(fmt.Sprintf("%d runs", n+1), w)
		}
		for n := range 3 {
			w.day()
			s.of(fmt.Sprintf("%d days", n+1), w)
		}
		w = begin()
		w.day()
		for n := range 8 {
			w.fedRun(110+2*float64(n), 15)
		}
		s.of("a day and fed runs", w)
		w = begin()
		for n := range 8 {
			w.fedRun(110+2*float64(n), 15)
			s.of(fmt.Sprintf("%d fed runs alone", n+1), w)
		}
		h := happenings[k%2:]
		for i := 0; i < len(h); i += 2 {
			w = begin()
			w.day()
			w.day()
			h[i].do(w)
			for n := range 7 {
				w.run(100 + 5*float64(n))
				s.of(fmt.Sprintf("%s, %d runs", h[i].name, n+1), w)
			}
			if h[i].days {
				w.day()
				s.of("a day", w)
			}
		}
	}
	const file = "testdata/transcript.txt"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(s.String()), 0o644))
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	want, got := strings.Split(string(text), "\n"), strings.Split(s.String(), "\n")
	for k := range min(len(want), len(got)) {
		require.Equal(t, want[k], got[k], "line %d", k+1)
	}
	assert.Len(t, got, len(want))
}
