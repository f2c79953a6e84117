package page

import (
	"net/http"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// stepView is the load test of one battery in the last run.
type stepView struct{ Battery, Drop, Given, Mohm, Cranking, Verdict string }

// runSteps returns each battery's load test at the start of the last run, beside what was learned
// over many.
func runSteps(to *words.Reader, s *snapshot.Snapshot) []stepView {
	if s.Motor.LastRun == nil {
		return nil
	}
	var out []stepView
	for _, b := range s.Motor.LastRun.Batteries {
		v := stepView{
			Battery: b.Battery, Drop: short(-b.StepV, 2), Given: short(-b.StepA, 1),
			Mohm: short(b.DropMohm, 2), Cranking: figures.Unknown,
		}
		if i := s.Index(b.Battery); i >= 0 {
			v.Cranking = figures.Rounded(s.Batteries[i].CrankingA, 0).Text()
			v.Verdict = to.Label("Verdict", s.Batteries[i].Verdict)
		}
		out = append(out, v)
	}
	return out
}

// jointView is one link, or one path, in the last scan.
type jointView struct{ Name, Drop, Current, Mohm, Learnt string }

// jointRows returns what the last scan shows of each link and each path, beside what was learned
// over many.
func jointRows(to *words.Reader, s *snapshot.Snapshot) []jointView {
	var out []jointView
	for _, l := range s.Links {
		out = append(out, jointOf(linkName(to, l), l.DropV, l.CurrentA, l.NowMohm, l.ResistanceMohm))
	}
	path := func(name string, dropV, mohm *float64, learned snapshot.Estimate) {
		amps := s.Bank.CurrentA
		if dropV == nil {
			amps = nil // it doesn't flow this way
		}
		out = append(out, jointOf(name, dropV, amps, mohm, learned))
	}
	path(to.W["FeedPathName"], s.Feed.PathDropV, s.Feed.PathNowMohm, s.Feed.PathMohm)
	path(to.W["MotorPathName"], s.Motor.PathDropV, s.Motor.PathNowMohm, s.Motor.PathMohm)
	return out
}

func jointOf(name string, dropV, amps, mohm *float64, learned snapshot.Estimate) jointView {
	v := jointView{
		Name: name, Drop: figures.Unknown, Current: figures.Short(amps, 1, true), Mohm: figures.Short(mohm, 2, false),
		Learnt: figures.Rounded(learned, 2).Text(),
	}
	if dropV != nil {
		mv := *dropV * 1000
		v.Drop = figures.Short(&mv, 1, false)
	}
	return v
}

func linkName(to *words.Reader, l snapshot.Link) string {
	return to.Label("Link", l.Side) + " " + l.From + " " + to.W["To"] + " " + l.To
}

func short(v float64, decimals int) string { return figures.Short(&v, decimals, false) }

// wakePairs returns what responds to the wake line.
func wakePairs(to *words.Reader, s *snapshot.Snapshot) []pair {
	state := said(to.W["FeedDoes"], to.Label("FeedMeans", s.Feed.Status))
	if !s.Feed.Since.IsZero() {
		state.Note = to.W["Since"] + " " + figures.Rough(s.At.Sub(s.Feed.Since))
	}
	out := []pair{
		said(to.W["WakeLine"], figures.Contact(s.Feed.WakeLine, to.W["SwitchOn"], to.W["SwitchOff"])),
		state,
	}
	if s.Feed.InputV != nil {
		out = append(out, said(to.W["FeedInput"], figures.Short(s.Feed.InputV, 2, false)))
	}
	if s.Feed.IndicatorLine != nil {
		out = append(out, said(to.W["IndicatorLine"],
			figures.Contact(s.Feed.IndicatorLine, to.W["SwitchOn"], to.W["SwitchOff"])))
	}
	return append(out,
		said(to.W["FeedVoltage"], figures.Short(s.Feed.VoltageV, 2, false)),
		said(to.W["BankCurrent"], figures.Short(s.Bank.CurrentA, 1, true)),
		said(to.W["BankVoltage"], figures.Short(s.Bank.VoltageV, 2, false)),
	)
}

type checkView struct {
	W        map[string]string
	Parts    []part
	Channels []view.Choice
	Compared *visits.Compared
	InSeries string // what its posts read; empty in parallel
	Draft    bool   // a visit is open that a comparison can go into
	Token    string
	Groups   []settingGroup // of the settings as they hold
}

// check is the page of guided checks.
func (p *livePages) check(w http.ResponseWriter, r *http.Request) { p.show(w, r, kindCheck) }

func (p *livePages) checkView(r *http.Request, to *words.Reader, parts []part) checkView {
	v := checkView{W: to.W, Parts: parts, Token: web.Token()}
	if p.set != nil {
		all, _, _ := p.set.Settings()
		v.Groups = settingGroups(to, all, false)
	}
	snap := p.site.Hub.Current()
	if snap == nil {
		return v
	}
	if len(snap.Strings) > 0 {
		v.InSeries = to.W["CheckMeterSeries"]
	}
	asked := r.URL.Query()
	for _, c := range snap.Channels {
		v.Channels = append(v.Channels, view.Choice{
			Value: c.Name, Text: visits.ChannelName(to, c.Name) + ", " + c.Unit, Chosen: c.Name == asked.Get("channel"),
		})
		if c.Name == asked.Get("channel") && asked.Get("meter") != "" {
			v.Compared = visits.Compare(to, c, asked.Get("meter"))
			v.Compared.Corrected = strings.TrimPrefix(correctedText(to, &c), "; ")
		}
	}
	if p.store != nil {
		v.Draft = p.store.Draft() != nil
	}
	return v
}
