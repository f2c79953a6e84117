package fit

import (
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
)

// How long is looked.
const (
	restSpan  = 4 * time.Second        // that is averaged at rest; our choice
	spinUp    = 2 * time.Second        // of a run, before a motor's current holds still; common practice, no source
	runSpan   = 5 * time.Second        // that is averaged of a run; our choice
	runTail   = 500 * time.Millisecond // of a run, left out at its end
	runPause  = 500 * time.Millisecond // without current, after which a run has ended
	thin      = 40 * time.Millisecond  // between frames that are kept of a run
	thinRest  = 100 * time.Millisecond
	mostKept  = 4000 // frames; a run is cut at so many
	keepRest  = 15 * time.Second
	runRises  = 5.0   // V: that a tap rises when the motor is switched on; our choice
	runDrawsA = 8.0   // A: that a sensor, even one of half its scale, shows of a run; our choice
	chargeUpV = 0.1   // V: that taps rise by when it is a charge, not a run; our choice
	liveV     = 1.0   // V: a tap above it is on a battery; our choice
	runSags   = 0.012 // ratio: that a run pulls a tap down by at least, where no sensor shows it; our choice
)

// Session goes through the steps. It belongs to one goroutine.
type Session struct {
	cfg    *config.Config
	state  State
	steps  []Step
	chosen string // step to do out of order; empty: the first that is not done

	at     string  // step that the frames are of
	frames []Frame // since it began, the last of them
	first  []Seen  // what it began with
	run    *run
	taken  *run // a run that was long enough
	said   Phrase

	verdicts []Verdict // nil: to be judged anew
	all      []Step    // nil: to be listed anew
}

// run is a run of the pump that is watched.
type run struct {
	before       []Seen
	levelsBefore []string
	from, until  time.Duration
	frames       []Frame
}

// NewSession begins at the first step that a state leaves to do. The state may be empty but for who
// does it.
func NewSession(cfg *config.Config, state State) *Session {
	if state.Records == nil {
		state.Records = map[string][]Record{}
	}
	state.Unit = cfg.Unit.ID
	return &Session{cfg: cfg, state: state, steps: Steps(cfg)}
}

// State returns what has been done.
func (s *Session) State() State { return s.state }

// Sign notes who signs the record.
func (s *Session) Sign(by string) { s.state.By = by }

// SetAfter notes the configuration that is about to be written.
func (s *Session) SetAfter(hash string) { s.state.After = hash }

// All returns all steps, those that follow from what others found behind the rest.
func (s *Session) All() []Step { return slices.Clone(s.list()) }

// list is All without a copy.
func (s *Session) list() []Step {
	if s.all != nil {
		return s.all
	}
	all := slices.Clone(s.steps)
	for _, v := range s.Verdicts() {
		if v.Label {
			if l, ok := labelStep(s.cfg, v.Channel); ok && !slices.ContainsFunc(all, func(o Step) bool { return o.ID == l.ID }) {
				all = append(all, l)
			}
		}
	}
	s.all = all
	return all
}

// Step returns what is to be done now; ok is false when nothing is left.
func (s *Session) Step() (Step, bool) {
	all := s.list()
	if s.chosen != "" {
		for _, st := range all {
			if st.ID == s.chosen {
				return st, true
			}
		}
	}
	for _, st := range all {
		if !s.state.touched(st.ID) {
			return st, true
		}
	}
	for _, v := range s.Verdicts() {
		if v.Again == "" || len(s.state.Records[v.Again]) > mostAgain {
			continue
		}
		for _, st := range all {
			if st.ID == v.Again {
				return st, true
			}
		}
	}
	return Step{}, false
}

// Left returns how many steps are not done yet.
func (s *Session) Left() (left, of int) {
	all := s.All()
	for _, st := range all {
		if !s.state.touched(st.ID) {
			left++
		}
	}
	return left, len(all)
}

// Choose goes to a step, to do it again.
func (s *Session) Choose(id string) error {
	for _, st := range s.All() {
		if st.ID == id {
			s.chosen, s.at = id, ""
			return nil
		}
	}
	return refuse("%q: want the name of a step", id)
}

// Back goes to the step before.
func (s *Session) Back() bool {
	now, ok := s.Step()
	before := ""
	for _, st := range s.All() {
		if ok && st.ID == now.ID {
			break
		}
		before = st.ID
	}
	if before == "" {
		return false
	}
	s.chosen, s.at = before, ""
	return true
}

// Runs reports whether a run of the pump is being measured.
func (s *Session) Runs() bool { return s.run != nil }

// Steps returns all steps with what was done of them.
func (s *Session) Steps() (all []StepDone) {
	for _, st := range s.list() {
		d := StepDone{Step: st}
		if r := s.state.Records[st.ID]; len(r) > 0 {
			last := r[len(r)-1]
			d.Done, d.Skipped, d.Why = !last.Skipped, last.Skipped, last.Why
		}
		all = append(all, d)
	}
	return all
}

// Say returns what there is to say since the last call: that a run began, or was too short.
func (s *Session) Say() Phrase {
	text := s.said
	s.said = Phrase{}
	return text
}

// turn begins the frames of a step anew.
func (s *Session) turn(st Step) {
	if s.at != st.ID {
		s.at, s.frames, s.first, s.run, s.taken = st.ID, nil, nil, nil, nil
	}
}

// Feed hands in a frame.
func (s *Session) Feed(f Frame) {
	st, ok := s.Step()
	if !ok {
		return
	}
	s.turn(st)
	if s.run != nil {
		s.follow(f)
		return
	}
	if n := len(s.frames); n == 0 || f.At-s.frames[n-1].At >= thinRest {
		s.frames = append(s.frames, clone(f))
	}
	if s.first == nil && len(s.frames) >= leastFrames && f.At-s.frames[0].At >= restSpan/2 {
		s.first, _ = s.average(s.frames)
	}
	for len(s.frames) > 2 && f.At-s.frames[0].At > keepRest {
		s.frames = s.frames[1:]
	}
	if st.Runs {
		s.watch(f)
	}
}

func clone(f Frame) Frame {
	f.Readings, f.Contacts = slices.Clone(f.Readings), slices.Clone(f.Contacts)
	return f
}

// mostAgain is how often a step is asked for again by itself.
const mostAgain = 3

// leastFrames is how many frames an average takes.
const leastFrames = 9

// span returns the last frames of so long, or as many as an average takes of a board that is read slowly.
func span(frames []Frame, long time.Duration) []Frame {
	if len(frames) <= leastFrames {
		return frames
	}
	from := frames[len(frames)-1].At - long
	i, _ := slices.BinarySearchFunc(frames, from, func(f Frame, at time.Duration) int { return int(max(-1, min(1, f.At-at))) })
	return frames[min(i, len(frames)-leastFrames):]
}

// average returns what the channels showed over frames; ok is false for too few.
func (s *Session) average(frames []Frame) (all []Seen, ok bool) {
	for ch := range s.cfg.Board.Channels {
		var of []calibrate.Sample
		why := ""
		for i := range frames {
			r := frames[i].Readings[ch]
			if r.Fault != "" {
				why = r.Fault
				continue
			}
			of = append(of, calibrate.Sample{At: frames[i].At, Value: r.Value})
		}
		seen := Seen{Fault: why}
		if 5*len(of) >= 4*len(frames) { // a reading that is missing now and then is left out
			seen.Mean, seen.OK = calibrate.Average(of)
		}
		if !seen.OK && seen.Fault == "" {
			seen.Fault = "too few readings"
		}
		if seen.OK {
			seen.Fault = ""
		} else {
			seen.Mean = calibrate.Mean{Count: len(of)}
		}
		all = append(all, seen)
	}
	return all, len(frames) >= 8
}

// levels returns what the contacts were over frames; one that was both is unknown.
func (s *Session) levels(frames []Frame) (all []string) {
	for c := range s.cfg.Board.Contacts {
		level := Unknown
		for i := range frames {
			switch l := frames[i].Contacts[c]; {
			case i == 0:
				level = l
			case l != level:
				level = Unknown
			}
		}
		all = append(all, level.String())
	}
	return all
}

// runs reports whether the pump runs, by what changed since a baseline: a tap that was dead has come
// up, or a sensor's current moved while no battery's voltage rose, or all batteries sag.
func (s *Session) runs(f *Frame, before []Seen) bool {
	draws, rises, lives, sags := false, false, 0, 0
	for ch := range s.cfg.Board.Channels {
		r, b := f.Readings[ch], before[ch]
		if r.Fault != "" || !b.OK {
			continue
		}
		by := r.Value - b.Value
		switch s.cfg.Board.Channels[ch].Unit() {
		case "A":
			draws = draws || abs(by) > runDrawsA
		case "V":
			if abs(b.Value) < liveV {
				if by > runRises {
					return true
				}
				continue
			}
			lives++
			if by < -runSags*b.Value {
				sags++
			}
			rises = rises || by > chargeUpV*2
		}
	}
	if lives > 0 && 2*sags >= lives && sags > 0 {
		return true
	}
	return draws && !rises
}

// watch looks for the beginning of a run.
func (s *Session) watch(f Frame) {
	const gap = time.Second
	calm := s.frames
	for len(calm) > 0 && f.At-calm[len(calm)-1].At < gap {
		calm = calm[:len(calm)-1]
	}
	calm = span(calm, restSpan)
	if len(calm) < 8 || calm[len(calm)-1].At-calm[0].At < restSpan/2 {
		return
	}
	before, ok := s.average(calm)
	if ok && s.runs(&f, before) {
		s.run = &run{before: before, levelsBefore: s.levels(calm), from: f.At, until: f.At}
		s.said = phrase("The pump runs.")
	}
}

// follow takes a frame of a run.
func (s *Session) follow(f Frame) {
	r := s.run
	if s.runs(&f, r.before) || lost(&f) && f.At-r.until < 5*time.Second {
		r.until = f.At
		if n := len(r.frames); n < mostKept && (n == 0 || f.At-r.frames[n-1].At >= thin || lost(&f)) {
			r.frames = append(r.frames, clone(f))
		}
		return
	}
	if f.At-r.until < runPause {
		return
	}
	s.run, s.frames = nil, nil // the bank recovers: a new baseline
	long := r.until - r.from
	silent := s.silent(r.frames)
	switch {
	case len(silent) > 0:
		s.said = sayVoid(silent)
		s.state.note(s.at, silent)
		s.verdicts = nil
	case long < spinUp+runSpan+runTail:
		s.said = phrase("The run lasted %.1f s; %.1f s are needed. Run again.", long.Seconds(), (spinUp + runSpan + runTail).Seconds())
	default:
		r.frames = slices.DeleteFunc(r.frames, func(f Frame) bool { return f.At < r.from+spinUp || f.At > r.until-runTail })
		s.taken = r
		s.said = phrase("A run of %.1f s was measured.", long.Seconds())
	}
}

func lost(f *Frame) bool {
	return slices.ContainsFunc(f.Readings, func(r Reading) bool { return r.Lost })
}

// Silent is an input chip that gave no readings.
type Silent struct {
	Chip  string `json:"chip"`
	Fault string `json:"fault"`
}

// silent returns the chips that lost their settings or did not answer in frames.
func (s *Session) silent(frames []Frame) (all []Silent) {
	why := map[string]string{}
	for i := range frames {
		for ch, r := range frames[i].Readings {
			if r.Lost && s.answered(ch) {
				why[s.cfg.Board.Channels[ch].Chip] = r.Fault
			}
		}
	}
	for _, chip := range slices.Sorted(maps.Keys(why)) {
		all = append(all, Silent{chip, why[chip]})
	}
	return all
}

func saySilent(all []Silent) Phrase {
	var each []Phrase
	for _, c := range all {
		each = append(each, phrase("input chip %s gave no readings (%s)", c.Chip, Phrase{Form: c.Fault}))
	}
	return list(each, "%s, %s")
}

// sayVoid says that a run does not count, for chips that were silent in it.
func sayVoid(all []Silent) Phrase {
	return phrase("While the pump ran, %s. This run does not count: look at the supply of the monitor, which may sag with the bank, "+
		"then run again.", saySilent(all))
}

// answered reports whether a channel had a reading in the look at everything.
func (s *Session) answered(ch int) bool {
	look, ok := s.state.last(string(Look))
	return ok && ch < len(look.Shown) && look.Shown[ch].OK
}

// Ready returns why the step can't be answered yet; nil if it can.
func (s *Session) Ready() error {
	st, ok := s.Step()
	if !ok {
		return nil
	}
	s.turn(st)
	switch {
	case st.Kind == Begin || st.Kind == Label:
		return nil
	case st.Runs && s.run != nil:
		return wait("the pump runs: it is measured when it has stopped")
	case st.Runs && s.taken == nil:
		return wait("no run of %.1f s has been seen", (spinUp + runSpan + runTail).Seconds())
	case st.Runs:
		return nil
	}
	if len(s.frames) < leastFrames || s.frames[len(s.frames)-1].At-s.frames[0].At < restSpan {
		return wait("a few seconds more")
	}
	if why := s.silent(span(s.frames, restSpan)); len(why) > 0 {
		return wait("%s: check its wires and supply, or skip the step", saySilent(why))
	}
	return nil
}

// Answer takes what was typed for the step, by the names of what it asks, and completes it. After an
// error the step stands as before.
func (s *Session) Answer(typed map[string]string, now time.Time) error {
	st, ok := s.Step()
	if !ok {
		return refuse("nothing is left to do")
	}
	rec := Record{At: now}
	for i := range st.Asks {
		a := &st.Asks[i]
		text := strings.TrimSpace(typed[a.Name])
		if text == "" && a.Optional {
			continue
		}
		if text == "" && a.Default != nil {
			rec.Typed = append(rec.Typed, TypedFigure{Name: a.Name, Value: *a.Default, Unit: a.Unit})
			continue
		}
		v, half, err := a.read(text)
		if err != nil {
			return refuse("%s: %s", a.Text, Why(err))
		}
		rec.Typed = append(rec.Typed, TypedFigure{a.Name, v, a.Unit, half})
	}
	if err := s.Ready(); err != nil {
		return err
	}
	switch {
	case st.Kind == Begin || st.Kind == Label:
	case st.Runs:
		rec.Before, rec.LevelsBefore, rec.RunS = s.taken.before, s.taken.levelsBefore, (s.taken.until - s.taken.from).Seconds()
		rec.Levels = s.levels(s.taken.frames)
		rec.Shown, ok = s.average(s.taken.frames)
		if !ok {
			s.taken = nil
			return wait("too few readings in the run: run again, for 15 s")
		}
	default:
		last := span(s.frames, restSpan)
		rec.Before, rec.Levels = s.first, s.levels(last)
		if rec.Shown, ok = s.average(last); !ok {
			return wait("too few readings")
		}
	}
	if err := s.steady(st, &rec); err != nil {
		s.taken = nil
		return err
	}
	s.put(st.ID, rec)
	return nil
}

// steady refuses a span in which what is compared with a meter moved.
func (s *Session) steady(st Step, rec *Record) error {
	for c, level := range rec.Levels {
		if n := len(s.frames); !st.Runs && level == Unknown.String() && n > 0 && s.frames[n-1].Contacts[c] != Unknown {
			return wait("%s has just changed: a few seconds more", sayContact(s.cfg.Board.Contacts[c].Signal))
		}
	}
	for ch, seen := range rec.Shown {
		c := &s.cfg.Board.Channels[ch]
		asks := !st.Runs && c.Unit() == "V" || st.Kind == Degrees && c.Unit() == "°C" || st.Kind == Run && c.Unit() == "A" ||
			st.Kind == MotorRun && c.Signal == config.MotorVoltage
		if !asks || !seen.OK {
			continue
		}
		cl := classOf(c)
		limit := cl.Zero + math.Max(cl.Gain, 0.05)*abs(seen.Value)
		if moved := abs(seen.Drift); moved > limit {
			return wait("%s moved by %s %s meanwhile: again, when it holds still", sayChannel(c), figure3(moved), c.Unit())
		}
	}
	return nil
}

// Skip leaves a step out.
func (s *Session) Skip(why string, now time.Time) {
	if st, ok := s.Step(); ok {
		s.put(st.ID, Record{At: now, Skipped: true, Why: why})
	}
}

func (s *Session) put(id string, r Record) {
	s.state.Records[id] = append(s.state.Records[id], r)
	s.chosen, s.at, s.verdicts, s.all = "", "", nil, nil
}
