package view

import (
	"time"

	"liftbank/rules/daily"
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
	Settings settings.Settings

	Raw, Read *unit.Scan // as it came; as far as it is believed. Of the step under way
	From      time.Duration
	Away      *unit.Away                       // when nobody watched
	QuietFor  time.Duration                    // for how long nothing has been on; zero while something is
	TempC     unit.Reading                     // of the batteries' box
	Temps     []unit.Reading                   // of each battery, or of a neighbor in the same box
	Zeros     [unit.MaxBatteries]unit.Estimate // that the current sensors show without current
	ZeroOff   [unit.MaxBatteries]bool          // so much that it is said
	RunSince  time.Duration                    // of the motor run under way
	Ended     []time.Duration                  // lengths of the motor runs that ended in this step

	Batteries []BatteryFacts
	Posts     []PostState // joints that can be told apart from the links
	Trust     *trust.Channels
	Pump      *pump.State
	Relief    time.Duration // that the run under way has pushed against the relief valve, at the longest
	LevelA    float64       // current when that run had got going
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
	Series   bool // series-wired is active
	Reversed bool // reversed is active, of any battery
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
)

// Subject is what one record of a finding is about.
type Subject struct {
	Kind  Kind
	Index int // of the battery, link, post or channel
	Name  string
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
	case OfLink:
		for _, l := range f.Links {
			add(l.Side.String() + " link " + f.Spec[l.From].ID + "-" + f.Spec[l.To].ID)
		}
	case OfPost:
		for _, p := range f.Posts {
			add(p.Side.String() + " post " + f.Spec[p.Battery].ID)
		}
	case OfChannel:
		for i := range f.Spec {
			for s, word := range []string{"voltage", "negative", "current", "temperature"} {
				at := unit.ChannelOf(unit.Signal(s), i)
				all = append(all, Subject{kind, int(at), "battery " + f.Spec[i].ID + " " + word})
			}
		}
		all = append(all, Subject{kind, int(unit.Feed), "feed voltage"}, Subject{kind, int(unit.Motor), "motor voltage"})
	}
	return all
}
