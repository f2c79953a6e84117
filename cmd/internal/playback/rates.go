package playback

import (
	"fmt"
	"math"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/rules"
	"liftbank/rules/loadtest"
)

// intervals are how far apart scans were: a histogram, four bins an octave from a millisecond on.
type intervals struct {
	bins [120]uint64
	sums [120]time.Duration
	n    uint64
}

func (h *intervals) add(d time.Duration) {
	if d <= 0 {
		return
	}
	i := int(4 * math.Log2(max(float64(d)/float64(time.Millisecond), 1)))
	i = min(i, len(h.bins)-1)
	h.bins[i]++
	h.sums[i] += d
	h.n++
}

// median returns the mean of the bin that the median is in.
func (h *intervals) median() time.Duration {
	seen := uint64(0)
	for i, n := range h.bins {
		if seen += n; 2*seen >= h.n && n > 0 {
			return (h.sums[i] / time.Duration(n)).Round(time.Millisecond)
		}
	}
	return 0
}

// What a rate must be for something to be judged.
const (
	// forRuns is how far apart they may be for a run to be followed by its current: rules/motor.
	forRuns = 5 * time.Second
	// mostSplit is the share of scans with a battery's voltage or current alone: a board has hardly
	// any.
	mostSplit = 0.1
)

// Rates follows how often a unit was read, to say what can't be judged for it.
type Rates struct {
	rest, run intervals
	last      time.Duration
	begun     bool
}

// Step takes a scan's result.
func (r *Rates) Step(out *rules.Output) {
	if r.begun {
		h := &r.rest
		if out.Motor.Running {
			h = &r.run
		}
		h.add(out.At.Mono - r.last)
	}
	r.begun, r.last = true, out.At.Mono
}

// NotJudged says what can't be judged at the rate of a recording, and why.
func (r *Rates) NotJudged(out *rules.Output, hasCommand bool) (all []string) {
	verdict := false
	for i := range out.Battery {
		verdict = verdict || out.Battery[i].CrankingA.Known
	}
	rest, run := r.rest.median(), r.run.median()
	const tests = "resistance, cold cranking capability, verdict, links and leads: not judged: "
	switch {
	case verdict:
	case r.run.n > 0 && run > loadtest.LongestScan:
		all = append(all, fmt.Sprintf("%sscans are about %v apart in motor runs: want %v or less", tests, run, loadtest.LongestScan))
	case r.run.n == 0 && rest > forRuns:
		all = append(all, fmt.Sprintf("%sscans are about %v apart and no motor run was seen: want %v or less in runs",
			tests, rest, loadtest.LongestScan))
	case r.run.n == 0:
		all = append(all, tests+"no motor run was seen")
	default:
		all = append(all, tests+"too few motor runs: a verdict wants 20")
	}
	if rest > forRuns && !hasCommand {
		all = append(all, fmt.Sprintf("motor runs, their number and length, and findings of the motor: not judged: scans "+
			"are about %v apart and the contactor coil is not read: want %v or less", rest, forRuns))
	}
	return all
}

// Lacking names what the configuration has and the recording has not.
func Lacking(cfg *config.Config, s *recording.Scans) (all []string) {
	for i := range cfg.Board.Channels {
		if s.Rows(i) == 0 {
			all = append(all, cfg.Board.Channels[i].Name()+": no row: what depends on it is not judged")
		}
	}
	if share := s.SplitShare(); share > mostSplit {
		all = append(all, fmt.Sprintf("resistance, cold cranking capability, verdict: not to be trusted: in %.0f %% of "+
			"the scans voltage and current of a battery have different times: want one time_s for both", 100*share))
	}
	if s.Header().Start.IsZero() {
		all = append(all, "time of day: not known without a line # start: findings are timed in seconds, and clock-unsure "+
			"is not judged")
	}
	return all
}

// Because lists the findings that were not judged at the end, with the reason.
func Because(core *agent.Core) (all []string) {
	out := core.Output()
	for i := range out.Findings {
		f := &out.Findings[i]
		if f.Because == nil {
			continue
		}
		name := f.Def.Name
		if f.Subject != "" {
			name += " " + f.Subject
		}
		all = append(all, fmt.Sprintf("%s: not judged at the end: %s", name, f.Because.Said()))
	}
	return all
}
