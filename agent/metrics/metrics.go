// Package metrics exposes the newest snapshot of one unit to Prometheus.
//
// Every sample is made from the snapshot at scrape time; nothing is stored. An unknown figure has
// no sample. When the snapshot gets old, all of its figures are dropped too, so that an old value
// never looks like a current one. Names start with liftbank_ and end in their base unit.
package metrics

import (
	"runtime"
	"slices"
	"time"

	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/trouble"
)

// Options configures a collector.
type Options struct {
	Hub        *snapshot.Hub
	StaleAfter time.Duration         // age at which the figures are dropped; 0 is 10 s
	Outlets    func() []outlet.State // nil if nothing is sent
	Store      func() store.Health   // nil if nothing is stored
	Version    string                // of the program
	Revision   string                // of its source
	Started    time.Time             // of the process
}

// Collect hands over the unit's samples, those of the process apart. It does no I/O and does not block.
func Collect(opts *Options, to Sink) {
	send(to, buildInfo, Gauge, 1, opts.Version, opts.Revision, runtime.Version())
	if opts.Outlets != nil {
		for _, st := range opts.Outlets() {
			collect(to, publishFigures, &st, st.Name)
			collectProblem(to, publishProblem, st.Problem, st.Name)
		}
	}
	if opts.Store != nil {
		collectStore(to, opts.Store())
	}
	s := opts.Hub.Current()
	if s == nil {
		return
	}
	send(to, snapshotTime, Gauge, unixSeconds(s.At))
	staleAfter := opts.StaleAfter
	if staleAfter == 0 {
		staleAfter = 10 * time.Second
	}
	if opts.Hub.Age() > staleAfter {
		return
	}
	collect(to, unitFigures, s)
	for i := range s.Batteries {
		b := &s.Batteries[i]
		collect(to, batteryFigures, b, b.ID)
		send(to, batteryInfo, Gauge, 1, b.ID, b.Chemistry)
		collectState(to, batteryVerdict, verdicts, b.Verdict, b.ID)
	}
	for i := range s.Strings {
		st := &s.Strings[i]
		name := st.From + "-" + st.To
		collect(to, stringFigures, st, name)
		if st.Weakest != "" {
			send(to, stringWeakest, Gauge, 1, name, st.Weakest)
		}
	}
	for i := range s.Links {
		l := &s.Links[i]
		collect(to, linkFigures, l, l.Side, l.From, l.To)
	}
	for i := range s.Motor.Since {
		collect(to, sinceFigures, &s.Motor.Since[i], s.Motor.Since[i].Kind)
	}
	if p := s.Power; p != nil {
		for level, seconds := range map[string]float64{"awake": p.AwakeS, "saving": p.SavingS, "asleep": p.AsleepS} {
			send(to, boardLevel, Counter, seconds, level)
		}
	}
	collectState(to, feedStatus, feeds, s.Feed.Status)
	collectState(to, motorLeads, arrangements, s.Bank.MotorLeads)
	collectState(to, feedLeads, arrangements, s.Bank.FeedLeads)
	for i := range s.Channels {
		collect(to, channelFigures, &s.Channels[i], s.Channels[i].Name)
		send(to, channelQuality, Gauge, 1, s.Channels[i].Name, s.Channels[i].Quality.English)
	}
	for i := range s.Chips {
		collect(to, chipFigures, &s.Chips[i], s.Chips[i].Name)
	}
	collectFindings(to, s)
	for _, part := range trouble.Parts {
		bad := slices.ContainsFunc(s.Troubles, func(t snapshot.Trouble) bool { return t.Part == part })
		send(to, monitorTrouble, Gauge, fromBool(bad), part)
	}
}

// collectFindings makes the samples of the findings and of those that can't be judged.
func collectFindings(to Sink, s *snapshot.Snapshot) {
	send(to, unitInfo, Gauge, 1, s.Unit)
	type key struct{ name, subject, severity string }
	active := map[key]bool{}
	count := map[string]float64{}
	for i := range s.Findings {
		f := &s.Findings[i]
		k := key{f.Name, f.Subject, f.Severity}
		if f.Alarming() && f.CausedBy == "" && !active[k] {
			count[f.Severity]++
		}
		active[k] = active[k] || f.Alarming()
	}
	for k, on := range active {
		send(to, findingActive, Gauge, fromBool(on), k.name, k.subject, k.severity)
	}
	for _, severity := range severities {
		send(to, findings, Gauge, count[severity], severity)
	}
	silent := map[string]bool{}
	for _, n := range s.NotJudged {
		if !silent[n.Name] { // one series per name, whatever the reasons
			silent[n.Name] = true
			send(to, findingNotJudged, Gauge, 1, n.Name)
		}
	}
}

// collectState makes one sample per possible state: 1 for the present one, 0 for the others.
func collectState(
	to Sink,
	desc *Desc,
	states []string,
	present string,
	labels ...string,
) {
	for _, state := range states {
		send(to, desc, Gauge, fromBool(state == present), append(labels, state)...)
	}
}

// send makes one sample.
func send(to Sink, desc *Desc, kind Kind, value float64, labels ...string) {
	to(desc, kind, value, labels)
}

func fromBool(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func unixSeconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
