package page

import (
	"html/template"

	"liftbank/agent/page/draw"
	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// sheetView is what the templates of the parts see.
type sheetView struct {
	To      *words.Reader
	W       map[string]string
	S       *snapshot.Snapshot
	At      string // of the readings, by the unit's clock
	Old     bool   // the readings are no longer of now
	Answer  answer
	Finding []view.Finding
	Drawing template.HTML
	Ahead   []pair // what the bank is good for
	Steps   []stepView
	Joints  []jointView
	Wake    []pair
	Rows    []row  // of the table of batteries
	Total   []pair // of the bank as a whole
	Feed    []pair
	Motor   []pair
	LastRun []pair
	Scan    []pair
	Channel []channelView
}

type channelView struct {
	Name, Value, Quality string
	Bad                  bool
	Refused              uint64
}

// silences is what the template of the findings that can't be judged sees.
type silences struct {
	To   *words.Reader
	List []snapshot.NotJudged
}

// With returns the data for the template of a finding.
func (v sheetView) With(f view.Finding) view.Shown { return view.Shown{W: v.W, To: v.To, F: f} }

// Silences returns the data for their template.
func (v sheetView) Silences() silences { return silences{v.To, v.S.NotJudged} }

func newView(to *words.Reader, s *snapshot.Snapshot, old bool) sheetView {
	v := sheetView{To: to, W: to.W, S: s, Old: old, Answer: answerOf(to, s, old)}
	if s == nil {
		return v
	}
	v.At = s.At.UTC().Format("2006-01-02 15:04:05 UTC")
	for _, f := range s.Findings {
		v.Finding = append(v.Finding, view.FindingOf(to, f, s.At))
	}
	v.Drawing = draw.Bank(to, s)
	v.Ahead = aheadPairs(to, s)
	v.Steps, v.Joints, v.Wake = runSteps(to, s), jointRows(to, s), wakePairs(to, s)
	v.Rows = batteryRows(to, s.Batteries)
	v.Total = append(bankPairs(to, s.Bank), linkPairs(to, s.Links)...)
	v.Feed = feedPairs(to, s.Feed, s.At)
	v.Motor, v.LastRun = motorPairs(to, s.Motor), runPairs(to, s.Motor.LastRun, s.At)
	v.Scan = scanPairs(to, s.Scan)
	for _, c := range s.Channels {
		value := view.Measured(to, c.Value, c.Unit)
		v.Channel = append(v.Channel, channelView{
			Name: c.Name, Value: value, Quality: to.Plain(c.Quality), Bad: c.Value == nil, Refused: c.Rejected,
		})
	}
	return v
}
