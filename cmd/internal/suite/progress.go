package suite

import (
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// Progress shows on a writer how far a suite is, and what its runs have to say. It is safe for use
// by several goroutines, and a nil one shows nothing.
type Progress struct {
	w     io.Writer
	name  string
	every time.Duration // between two lines
	over  bool          // a line overwrites the one before

	simulated atomic.Int64 // ns
	ended     atomic.Int64

	mu    sync.Mutex // of all below, and of w
	jobs  int
	begun time.Time
	shown bool // a line without its end stands there
}

// Intervals of progress lines: on a terminal one overwrites the other, in a file each stays. Our
// choice.
const (
	terminalEvery = time.Second
	fileEvery     = time.Minute
)

// NewProgress returns a progress of the suite name on w, which may be a terminal.
func NewProgress(w io.Writer, name string, terminal bool) *Progress {
	p := &Progress{w: w, name: name, every: fileEvery, over: terminal}
	if terminal {
		p.every = terminalEvery
	}
	return p
}

// Moved adds simulated time.
func (p *Progress) Moved(d time.Duration) {
	if p != nil {
		p.simulated.Add(int64(d))
	}
}

// Note writes a line.
func (p *Progress) Note(line string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
	fmt.Fprintln(p.w, line)
}

// start shows the first line at once and more from time to time until stop is called.
func (p *Progress) start(jobs int) (stop func()) {
	if p == nil {
		return func() {}
	}
	p.jobs, p.begun = jobs, time.Now()
	p.show()
	end := make(chan struct{})
	var ticking sync.WaitGroup
	ticking.Go(func() {
		t := time.NewTicker(p.every)
		defer t.Stop()
		for {
			select {
			case <-t.C:
				p.show()
			case <-end:
				return
			}
		}
	})
	return func() {
		close(end)
		ticking.Wait()
		p.show()
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.shown {
			fmt.Fprintln(p.w)
			p.shown = false
		}
	}
}

func (p *Progress) done() {
	if p != nil {
		p.ended.Add(1)
	}
}

func (p *Progress) show() {
	p.mu.Lock()
	defer p.mu.Unlock()
	days := time.Duration(p.simulated.Load()).Hours() / 24
	line := fmt.Sprintf("%s: %d of %d runs, %.1f days simulated, %v", p.name, p.ended.Load(), p.jobs, days,
		time.Since(p.begun).Round(time.Second))
	if !p.over {
		fmt.Fprintln(p.w, line)
		return
	}
	p.clear()
	fmt.Fprint(p.w, line)
	p.shown = true
}

// clear removes a line that is to be overwritten.
func (p *Progress) clear() {
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.shown = false
	}
}
