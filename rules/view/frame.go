package view

import (
	"time"

	"liftbank/rules/daily"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/network"
	"liftbank/rules/pump"
	"liftbank/rules/settings"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

// Spec describes one battery of the bank as bought.
type Spec struct {
	ID        string
	Chemistry *leadacid.Chemistry
	RatedAh   float64 // 20 h capacity, 20 to 400
	RatedCCA  float64 // A, SAE J537, 100 to 2000
}

// Frame is all that is behind a View: plain figures, so that a test can set them. The engine alone
// has it and writes it; it is the same one for as long as the engine lives, so that looking takes
// no memory.
type Frame struct {
	*State
	Spec     []Spec
	Layout   unit.Layout
	Balancer bool     // something brings current to the middles of strings, past the sensors
	Names    []string // of what shares the bank's current: batteries in parallel, or strings; set by detect.Start
	Settings settings.Settings
	Chips    *unit.Chips // that read the channels; nil: not known
	Fitted   unit.Fitted // signals that not every unit has

	// Of the step under way: as it came, the same brought to the batteries, and as far as that is believed. Of a
	// parallel bank the first two are one.
	Measured, Raw, Read *unit.Scan
	From                time.Duration
	Away                *unit.Away                       // when nobody watched
	QuietFor            time.Duration                    // for how long nothing has been on; zero while something is
	TempC               unit.Reading                     // of the batteries' box
	Temps               []unit.Reading                   // of each battery, or of a neighbor in the same box
	Zeros               [unit.MaxBatteries]unit.Estimate // that the current sensors show without current
	ZeroOff             [unit.MaxBatteries]bool          // so much that it is said
	// What current sensors and taps have moved by since they were calibrated, A and V, and whether that is
	// more than their class allows.
	ZeroMoved, TapMoved     [unit.MaxBatteries]unit.Estimate
	ZeroDrifted, TapDrifted [unit.MaxBatteries]bool
	RunSince                time.Duration   // of the motor run under way
	Ended                   []time.Duration // lengths of the motor runs that ended in this step

	Classes *unit.Classes // of the sensors, brought to the batteries; nil: not known

	Batteries []BatteryFacts
	Posts     []PostState // joints that can be told apart from the links
	Trust     *trust.Channels
	Pump      *pump.State
	Relief    time.Duration // that the run under way has pushed against the relief valve, at the longest
	LevelA    float64       // current when that run had got going
	HeldBar   float64       // oil pressure at which that run was held against the relief valve; 0: not yet
	HeldFor   time.Duration // for how long, at the longest
	ReliefBar float64       // the same pressure of a run that ended in this step; 0: none
	Supply    *feed.Supply  // the converter's input side
	FeedA     float64       // into the bank while the feed is on, smoothed
	FeedAOK   bool
	CanGiveA  float64 // the most that the converter gives
	CanGiveOK bool
	Carries   bool          // the feed carries part of the motor's current
	Days      *daily.Memory // of the working days
	Day       daily.Over    // a day that has ended,
	DayEnded  bool          // in this step

	Book     *finding.Book
	Proof    finding.Proof
	Series   bool       // series-wired is active
	Reversed bool       // reversed is active, of any battery
	Miswired *unit.Text // why the posts are not those of the configured layout; nil: they are, or series-wired says it
	lacks    Need
}

// BatteryFacts is what of a battery only detectors need.
type BatteryFacts struct {
	DeadCell   bool
	RestsLike  *leadacid.Chemistry // beyond doubt, where that is not its label's; nil: as labeled
	TakingRuns uint8               // motor runs in which it took current
	RestedV    unit.Estimate       // at 25 °C, however well known
	RestFor    time.Duration
	FullAt     time.Duration // when it was last full,
	FullEver   bool          // if it ever was
	MaybeAt    time.Duration // when it may have been full,
	MaybeEver  bool
}

// PostState is what is known of one joint at a post.
type PostState struct {
	Side    network.Side
	Battery int
	Mohm    unit.Estimate
}

// Kind says what a finding is about.
type Kind uint8

// Kinds of subject.
const (
	OfUnit Kind = iota
	OfBattery
	OfLink
	OfPost
	OfChannel
	OfService // filter and oil; the lift's own service is the unit's
	OfString  // batteries in series, where there are two such strings or more
	OfLower   // a battery with another on top of it: its positive post is the middle of a string
	OfSharer  // what shares the bank's current: batteries in parallel, or strings
)

// Subject is what one record of a finding is about.
type Subject struct {
	Kind  Kind
	Index int // of the battery, link, post, channel, kind of service or string
	Name  string
}

// WrongWired reports whether the posts are not those of the configured layout: nothing is learned then.
func (f *Frame) WrongWired() bool { return f.Series || f.Miswired != nil }

// Wired works out whether the posts are those of the configured layout; inParallel says that the batteries are
// known not to be in series. The engine calls it before anything is judged that rests on the layout.
func (f *Frame) Wired(inParallel bool) {
	switch f.Miswired = nil; {
	case inParallel:
		f.Miswired = InParallel
	case f.Trust.Swapped():
		f.Miswired = TapsSwapped
	}
}

// StringName returns the name of string k: its batteries from minus to plus, "a-b".
func (f *Frame) StringName(k int) string {
	name := f.Spec[f.Layout.Lowest(k)].ID
	for i := f.Layout.Lowest(k) + 1; i <= f.Layout.Highest(k); i++ {
		name += "-" + f.Spec[i].ID
	}
	return name
}

// Subjects returns what there is of a kind in this unit, in order.
func (f *Frame) Subjects(kind Kind) (all []Subject) {
	add := func(name string) { all = append(all, Subject{kind, len(all), name}) }
	switch kind {
	case OfUnit:
		add("")
	case OfBattery:
		for i := range f.Spec {
			add(f.Spec[i].ID)
		}
	case OfString:
		for k := range f.Layout.Strings(len(f.Spec)) {
			if f.Layout.Blocks() > 1 && f.Layout.Strings(len(f.Spec)) > 1 {
				add(f.StringName(k))
			}
		}
	case OfLower:
		for i := range f.Spec {
			if i+1 < len(f.Spec) && f.Layout.Blocks() > 1 && f.Layout.StringOf(i) == f.Layout.StringOf(i+1) {
				all = append(all, Subject{kind, i, f.Spec[i].ID})
			}
		}
	case OfSharer:
		if f.Layout.Blocks() > 1 {
			return f.Subjects(OfString)
		}
		return f.Subjects(OfBattery)
	case OfLink:
		for _, l := range f.Links {
			add(l.Side.String() + " link " + f.Spec[l.From].ID + "-" + f.Spec[l.To].ID)
		}
	case OfPost:
		for _, p := range f.Posts {
			add(p.Side.String() + " post " + f.Spec[p.Battery].ID)
		}
	case OfService:
		for k := Service + 1; k < ServiceKinds; k++ {
			all = append(all, Subject{kind, int(k), k.String()})
		}
	case OfChannel:
		for i := range f.Spec {
			for s, word := range []string{"voltage", "negative", "current", "temperature"} {
				at := unit.ChannelOf(unit.Signal(s), i)
				all = append(all, Subject{kind, int(at), "battery " + f.Spec[i].ID + " " + word})
			}
		}
		for i, word := range []string{
			"feed voltage", "motor voltage", "feed input", "control voltage", "ambient temperature", "oil pressure",
		} {
			if at := unit.Feed + unit.Channel(i); f.Fitted.Has(at) {
				all = append(all, Subject{kind, int(at), word})
			}
		}
	}
	return all
}
