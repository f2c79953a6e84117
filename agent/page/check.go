package page

import (
	"fmt"
	"math"
	"net/http"
	"strings"

	"liftbank/agent/snapshot"
)

// stepView is the load test of one battery in the last run.
type stepView struct{ Battery, Drop, Given, Mohm, Cranking, Verdict string }

// runSteps returns each battery's load test at the start of the last run, beside what was learned
// over many.
func (to *reader) runSteps(s *snapshot.Snapshot) []stepView {
	if s.Motor.LastRun == nil {
		return nil
	}
	var out []stepView
	for _, b := range s.Motor.LastRun.Batteries {
		v := stepView{
			Battery: b.Battery, Drop: number(-b.StepV, voltDecimals), Given: number(-b.StepA, 1),
			Mohm: number(b.DropMohm, mohmDecimals), Cranking: unknown,
		}
		if i := s.Index(b.Battery); i >= 0 {
			e := estimate(s.Batteries[i].CrankingA, 0)
			v.Cranking = strings.TrimSpace(e.Value + " " + e.Sigma)
			v.Verdict = to.label("Verdict", s.Batteries[i].Verdict)
		}
		out = append(out, v)
	}
	return out
}

// jointView is one link, or one path, in the last scan.
type jointView struct{ Name, Drop, Current, Mohm, Learnt string }

// minJointA is the current in A from which a resistance is shown from one scan: 1 mV, which any
// voltage channel may be off by, is then 0.2 mΩ, half of a good link. Step 1 of the test says so
// too. Our choice.
const minJointA = 5.0

// jointRows returns the drop over each link and each path in the last scan, and the resistance if
// enough current flows.
func (to *reader) jointRows(s *snapshot.Snapshot) []jointView {
	var out []jointView
	for _, l := range s.Links {
		v := jointView{
			Name: linkName(to, l), Drop: unknown, Current: unknown, Mohm: unknown,
			Learnt: joined(estimate(l.ResistanceMohm, mohmDecimals)),
		}
		drop, amps := l.DropV, l.CurrentA
		if drop != nil {
			v.Drop = short(&[]float64{*drop * 1000}[0], 1, false)
		}
		v.Current = short(amps, 1, true)
		if drop != nil && amps != nil && math.Abs(*amps) >= minJointA {
			v.Mohm = fmt.Sprintf("%.2f", 1000**drop / *amps)
		}
		out = append(out, v)
	}
	out = append(
		out, to.pathNow(to.W["FeedPathName"], s.Feed.VoltageV, s.Bank.VoltageV, s.Bank.CurrentA, s.Feed.PathMohm, 1),
	)
	return append(
		out,
		to.pathNow(to.W["MotorPathName"], s.Bank.VoltageV, s.Motor.VoltageV, s.Bank.CurrentA, s.Motor.PathMohm, -1),
	)
}

func linkName(to *reader, l snapshot.Link) string {
	return to.label("Link", l.Side) + " " + l.From + " " + to.W["To"] + " " + l.To
}

func joined(e estimated) string { return strings.TrimSpace(e.Value + " " + e.Sigma) }

// pathNow returns the drop from one voltage to another while current flows that way: sign 1 into
// the bank, -1 out of it.
func (to *reader) pathNow(name string, from, end, bankA *float64, learned snapshot.Estimate, sign float64) jointView {
	v := jointView{
		Name: name, Drop: unknown, Current: unknown, Mohm: unknown, Learnt: joined(estimate(learned, mohmDecimals)),
	}
	if from == nil || end == nil || bankA == nil || *bankA*sign < minJointA {
		return v
	}
	drop := *from - *end
	v.Drop, v.Current = short(&[]float64{drop * 1000}[0], 1, false), short(bankA, 1, true)
	v.Mohm = fmt.Sprintf("%.2f", 1000*drop/(*bankA*sign))
	return v
}

// wakePairs returns what responds to the wake line.
func (to *reader) wakePairs(s *snapshot.Snapshot) []pair {
	since := ""
	if !s.Feed.Since.IsZero() {
		since = to.W["Since"] + " " + span(s.At.Sub(s.Feed.Since))
	}
	return []pair{
		{to.W["WakeLine"], contact(s.Feed.WakeLine, to.W["SwitchOn"], to.W["SwitchOff"]), ""},
		{to.W["FeedDoes"], to.label("FeedMeans", s.Feed.Status), since},
		{to.W["FeedVoltage"], figure(s.Feed.VoltageV, voltDecimals), ""},
		{to.W["BankCurrent"], signed(s.Bank.CurrentA, ampereDecimals), ""},
		{to.W["BankVoltage"], figure(s.Bank.VoltageV, voltDecimals), ""},
	}
}

// aheadPairs returns what the bank can still do before it must be charged.
func (to *reader) aheadPairs(s *snapshot.Snapshot) []pair {
	b := &s.Bank
	return []pair{
		to.estimatePair(to.W["Charge"], b.SoCPct, 1, ""),
		forecastPair(
			to.W["LiftsLeft"], to.estimatePair("", b.LiftsLeft, 0, "").Value, b.LiftsLeft, to.maybe(b.LiftsWaitFor),
		),
		forecastPair(to.W["TimeToFull"], timeEstimate(b.TimeToFullS), b.TimeToFullS, to.maybe(b.FullWaitsFor)),
	}
}

type checkView struct {
	W        map[string]string
	Parts    []part
	Channels []choice
	Compared *compared
	Draft    bool // a visit is open that a comparison can go into
	Token    string
}

type choice struct {
	Value, Text string
	Chosen      bool
}

// compared is one channel beside a meter.
type compared struct {
	Channel, Name, Unit, Error string
	Mine, Agents, Differs      string
	Meter                      string // Mine without its unit
	Offset, Gain               string // what the configuration would have
}

// check is the page of guided checks.
func (s *Server) check(w http.ResponseWriter, r *http.Request) { s.showLive(w, r, kindCheck) }

func (s *Server) checkView(r *http.Request, to *reader, parts []part) checkView {
	v := checkView{W: to.W, Parts: parts, Token: s.token()}
	snap := s.opts.Hub.Current()
	if snap == nil {
		return v
	}
	asked := r.URL.Query()
	for _, c := range snap.Channels {
		v.Channels = append(v.Channels, choice{
			c.Name, to.channelName(c.Name) + ", " + c.Unit, c.Name == asked.Get("channel"),
		})
		if c.Name == asked.Get("channel") && asked.Get("meter") != "" {
			v.Compared = to.compare(c, s.opts.Calibration[c.Name], asked.Get("meter"))
		}
	}
	if s.opts.Visits != nil {
		v.Draft = s.opts.Visits.Draft() != nil
	}
	return v
}

// channelName returns a channel in words: battery_voltage_a is the voltage at battery a's positive
// post.
func (to *reader) channelName(name string) string {
	if text, ok := to.W["ChannelName."+name]; ok {
		return text
	}
	if i := strings.LastIndexByte(name, '_'); i > 0 {
		if text, ok := to.W["ChannelName."+name[:i]]; ok {
			return text + " " + name[i+1:]
		}
	}
	return name
}

// Calibration is the correction of a channel: (value + Offset) times Gain. A Gain of 0 means 1.
type Calibration struct{ Offset, Gain float64 }

// compare sets a channel beside the technician's meter and returns the correction, in place of the
// present one, that makes them agree. A value near zero gives the offset, one far from it the gain.
func (to *reader) compare(c snapshot.Channel, has Calibration, meter string) *compared {
	v := &compared{Channel: c.Name, Name: to.channelName(c.Name), Unit: c.Unit}
	mine, ok := parseNumber(meter)
	switch {
	case !ok:
		v.Error = to.W["NotANumber"]
		return v
	case c.Value == nil:
		v.Error = to.W["ChannelSilent"]
		return v
	}
	differs := mine - *c.Value
	v.Mine, v.Agents, v.Differs = number(mine, 0)+" "+c.Unit, number(*c.Value, 0)+" "+c.Unit, short(
		&differs, 3, true,
	)+" "+c.Unit
	v.Meter = number(mine, 0)
	suffix := map[string]string{"V": "v", "A": "a", "°C": "c"}[c.Unit]
	if suffix == "" {
		return v
	}
	if has.Gain == 0 {
		has.Gain = 1
	}
	line := func(offset, gain float64) string {
		var parts []string
		if offset != 0 {
			parts = append(parts, fmt.Sprintf("offset_%s: %.4g", suffix, offset))
		}
		if gain != 1 {
			parts = append(parts, fmt.Sprintf("gain: %.5f", gain))
		}
		return strings.Join(parts, ", ")
	}
	v.Offset = line(has.Offset+differs/has.Gain, has.Gain)
	far := map[string]float64{"V": 8, "A": 10}[c.Unit]
	if gain := has.Gain * mine / *c.Value; far > 0 && math.Abs(*c.Value) >= far && gain >= 0.5 && gain <= 2 {
		v.Gain = line(has.Offset, gain)
	}
	return v
}
