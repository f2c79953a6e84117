// Package alert calls people: what stands at units goes to Alertmanager, with what only the fleet's side
// can see. It also reports how many alarms there were, by the figures of ISA-18.2.
//
// What stands is read from the database each time, so that a collector that was restarted, or one that
// took over, goes on where the other was. Labels and names are those of deploy/prometheus' rules: an
// alert for a finding has its name and severity.
package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/snapshot"
)

// Store is what is asked of the database.
type Store interface {
	Standing(ctx context.Context) ([]db.Standing, error)
	StandingOf(ctx context.Context, unit string) ([]db.Standing, error)
	SettledWork(ctx context.Context) ([]db.Work, error)
	Flags(ctx context.Context) ([]db.Flagged, error)
	RecentGaps(ctx context.Context, since time.Time, max int) ([]db.Gap, error)
	Alarms(ctx context.Context, from, to time.Time, max int) ([]db.Alarm, error)
	Units(ctx context.Context, after string, max int) ([]db.Unit, error)
	Unit(ctx context.Context, id string) (db.Unit, error)
	ParkedUnits(ctx context.Context) (map[string]db.Parked, error)
}

// Options say who is told of what. Zero values have the defaults.
type Options struct {
	Store   Store
	Targets []Target // Alertmanagers; each is told everything
	// Site is the desk's address, such as https://fleet.example; "" gives no links.
	Site string
	// Labels of every alert, such as the cell.
	Labels map[string]string

	SilentAfter   time.Duration            // without a record; 0: 24 h
	SilentAfterOf map[string]time.Duration // by group
	// Listening says since when messages can come in; not ok: they can't. nil: since the start.
	Listening func() (since time.Time, ok bool)

	Poll     time.Duration // between looks at all that stands and all units; 0: 1 min
	Resend   time.Duration // of what stands; 0: 1 min
	Validity time.Duration // after which Alertmanager ends what isn't resent; 0: 15 min
	MutedFor time.Duration // of findings that the unit calls nobody for; 0: 24 h
	Now      func() time.Time
	Log      *slog.Logger
}

// Job is the label job of all alerts from here.
const Job = "liftbank-fleet"

// Alert is one alert as Alertmanager takes it.
type Alert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations,omitempty"`
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
	Link        string            `json:"generatorURL,omitempty"`
}

// key is what Alertmanager knows an alert by.
func (a *Alert) key() string {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(a.Labels)) {
		b.WriteString(name + "\xff" + a.Labels[name] + "\xff")
	}
	return b.String()
}

func (a *Alert) equal(o *Alert) bool {
	return a.StartsAt.Equal(o.StartsAt) && a.Link == o.Link && maps.Equal(a.Annotations, o.Annotations)
}

// Notifier tells Alertmanagers what stands.
type Notifier struct {
	opts    Options
	wake    chan struct{} // cap 1
	targets []*target
	look    outlook
	// Of the goroutine of Run: alerts for findings by unit, work that is settled, what ended before the start.
	byUnit  map[string]map[string]*Alert
	settled map[findingOf]time.Time
	ended   map[string]*Alert
	looked  time.Time // at all
	blind   time.Time // since when the database can't be read; zero: it can

	mu      sync.Mutex
	changed map[string]bool // units, since the last look at them
	problem string
	now     map[string]*Alert // what stands
}

type findingOf struct{ unit, name, subject string }

// New returns a notifier that does nothing before Run.
func New(opts Options) (*Notifier, error) {
	def := func(d *time.Duration, to time.Duration) {
		if *d <= 0 {
			*d = to
		}
	}
	def(&opts.SilentAfter, 24*time.Hour)
	def(&opts.Poll, time.Minute)
	def(&opts.Resend, time.Minute)
	def(&opts.Validity, 15*time.Minute)
	def(&opts.MutedFor, 24*time.Hour)
	if opts.Validity < 3*opts.Resend {
		return nil, fmt.Errorf("alert: validity %v: want at least three times the %v between resends", opts.Validity, opts.Resend)
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	n := &Notifier{opts: opts, wake: make(chan struct{}, 1), changed: map[string]bool{}}
	for _, t := range opts.Targets {
		u, err := url.Parse(t.URL)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
			return nil, errors.New("alert: Alertmanager: want an address such as http://localhost:9093, with no password in it")
		}
		n.targets = append(n.targets, newTarget(n, t))
	}
	n.look = outlook{n: n, shown: map[string]time.Time{}, unheard: map[string]time.Time{}}
	return n, nil
}

// Wake says that what stands at units may have changed. It never blocks.
func (n *Notifier) Wake(units ...string) {
	n.mu.Lock()
	for _, u := range units {
		n.changed[u] = true
	}
	n.mu.Unlock()
	select {
	case n.wake <- struct{}{}:
	default:
	}
}

const (
	gathers = 500 * time.Millisecond // changes after one
	again   = 5 * time.Second        // after the database could not be read
)

// Run tells until ctx ends. It ends nothing then: another collector goes on.
func (n *Notifier) Run(ctx context.Context) error {
	var all sync.WaitGroup
	for _, t := range n.targets {
		all.Go(func() { t.run(ctx) })
	}
	defer all.Wait()
	n.look.started = n.opts.Now()
	for ctx.Err() == nil {
		wait, wake := n.opts.Poll, n.wake
		if err := n.read(ctx); err != nil && ctx.Err() == nil {
			n.fail(err)
			wait, wake = again, nil
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-wake:
			gather := time.NewTimer(gathers)
			select {
			case <-ctx.Done():
			case <-gather.C:
			}
			gather.Stop()
		}
		timer.Stop()
	}
	return nil
}

func (n *Notifier) fail(err error) {
	n.mu.Lock()
	was := n.problem
	n.problem = err.Error()
	n.mu.Unlock()
	if was == "" {
		n.opts.Log.Warn("what stands can't be read: alerts stay as they are", "err", err)
		n.blind = n.opts.Now()
	}
	if n.opts.Now().Sub(n.blind) <= deafFor {
		return
	}
	a := n.base(DatabaseAway, "", "urgent")
	a.StartsAt = n.blind
	a.Annotations["summary"] = "the collector can't read its database"
	a.Annotations["description"] = "Nothing is stored and no other alert changes. Broker and units keep what they have to say. The collector's " +
		"log has the reason."
	n.mu.Lock()
	all := maps.Clone(n.now)
	if all == nil {
		all = map[string]*Alert{}
	}
	all[a.key()] = a
	n.now = all
	n.mu.Unlock()
	for _, t := range n.targets {
		t.tell(all, n.ended)
	}
}

// read makes the alerts of what stands now and hands them to the targets. It looks at all when that is
// due, else at the units that have changed. On an error all stays as it is.
func (n *Notifier) read(ctx context.Context) error {
	n.mu.Lock()
	changed := n.changed
	n.changed = map[string]bool{}
	n.mu.Unlock()
	if now := n.opts.Now(); now.Sub(n.looked) >= n.opts.Poll || n.problem != "" { // after an error, too
		if err := n.all(ctx); err != nil {
			return err
		}
		n.looked = now
	} else {
		for unit := range changed {
			standing, err := n.opts.Store.StandingOf(ctx, unit)
			if err != nil {
				return fmt.Errorf("findings: %w", err)
			}
			delete(n.byUnit, unit)
			if u := n.look.units[unit]; u != nil && !u.Decommissioned.IsZero() {
				continue
			}
			if err := n.findings(ctx, standing, n.byUnit); err != nil {
				return err
			}
		}
	}
	all := map[string]*Alert{}
	for _, of := range n.byUnit {
		maps.Copy(all, of)
	}
	if err := n.look.alerts(ctx, all); err != nil {
		return fmt.Errorf("flags: %w", err)
	}
	n.mu.Lock()
	n.now, n.problem = all, ""
	n.mu.Unlock()
	for _, t := range n.targets {
		t.tell(all, n.ended)
	}
	return nil
}

// all looks at all units.
func (n *Notifier) all(ctx context.Context) error {
	if err := n.look.update(ctx); err != nil {
		return fmt.Errorf("units: %w", err)
	}
	standing, err := n.opts.Store.Standing(ctx)
	if err != nil {
		return fmt.Errorf("findings: %w", err)
	}
	work, err := n.opts.Store.SettledWork(ctx)
	if err != nil {
		return fmt.Errorf("work: %w", err)
	}
	n.settled = map[findingOf]time.Time{}
	for i := range work {
		n.settled[findingOf{work[i].Unit, work[i].Finding, work[i].Subject}] = work[i].At
	}
	byUnit := map[string]map[string]*Alert{}
	if err := n.findings(ctx, standing, byUnit); err != nil {
		return err
	}
	if n.ended == nil {
		if n.ended, err = n.over(ctx); err != nil {
			return fmt.Errorf("ends: %w", err)
		}
	}
	n.byUnit = byUnit
	return nil
}

// base returns an alert of a unit with what all of them have.
func (n *Notifier) base(name, unit, severity string) *Alert {
	a := &Alert{
		Labels:      map[string]string{"alertname": name, "severity": severity, "job": Job},
		Annotations: map[string]string{},
	}
	for k, v := range n.opts.Labels {
		a.Labels[k] = v
	}
	if unit == "" {
		return a
	}
	a.Labels["instance"], a.Labels["unit"] = unit, unit
	about := n.look.about(unit)
	if about.Group != "" {
		a.Labels["group"] = text(about.Group)
	}
	for k, v := range map[string]string{"place": about.Place, "contact": about.Contact, "model": about.Model} {
		if v != "" {
			a.Annotations[k] = text(v)
		}
	}
	if n.opts.Site != "" {
		a.Link = strings.TrimSuffix(n.opts.Site, "/") + "/units/" + url.PathEscape(unit)
	}
	return a
}

func text(s string) string { return strings.ToValidUTF8(s, "�") }

// Name is the name of a finding's alert: bank-undercharged is BankUndercharged.
func Name(finding string) string {
	var b strings.Builder
	for word := range strings.SplitSeq(finding, "-") {
		if word != "" {
			b.WriteString(strings.ToUpper(word[:1]) + word[1:])
		}
	}
	return b.String()
}

func (n *Notifier) ofFinding(unit, name, subject, severity string) *Alert {
	a := n.base(Name(name), unit, severity)
	a.Labels["finding"] = name
	if subject != "" {
		a.Labels["subject"] = text(subject)
	}
	return a
}

// findings adds an alert for each finding that somebody is to be called for.
func (n *Notifier) findings(ctx context.Context, standing []db.Standing, to map[string]map[string]*Alert) error {
	now := n.opts.Now()
	for i := range standing {
		s := &standing[i]
		f := &s.Finding
		if err := n.look.meet(ctx, s.Unit); err != nil {
			return fmt.Errorf("units: %w", err)
		}
		raised := raisedAt(s)
		done, isSettled := n.settled[findingOf{s.Unit, f.Name, f.Subject}]
		switch {
		case !f.Alarming(), f.CausedBy != "":
			continue
		case f.Muted && now.Sub(earlier(raised, s.Heard)) < n.opts.MutedFor:
			continue // what chatters or came in a flood; if it stands on, it is told all the same
		case isSettled && !raised.After(done):
			continue // the desk has done with it
		case f.Severity != "urgent" && n.look.working(s.Unit, now):
			continue // somebody works there: held back until that ends
		}
		a := n.ofFinding(s.Unit, f.Name, f.Subject, f.Severity)
		a.StartsAt = earlier(raised, now)
		a.Annotations["summary"] = text(s.Unit + ": " + lowerFirst(f.Title))
		a.Annotations["description"] = text(describe(f))
		if to[s.Unit] == nil {
			to[s.Unit] = map[string]*Alert{}
		}
		to[s.Unit][a.key()] = a
	}
	return nil
}

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || a.After(b) {
		return b
	}
	return a
}

// raisedAt is when the finding's episode began.
func raisedAt(s *db.Standing) time.Time {
	if s.Finding.RaisedAt != nil {
		return *s.Finding.RaisedAt
	}
	return s.Finding.Since
}

func lowerFirst(s string) string {
	if s == "" || len(s) > 1 && s[1] >= 'A' && s[1] <= 'Z' { // an abbreviation
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// describe says what is wrong, the evidence and the next check, in plain words.
func describe(f *snapshot.Finding) string {
	parts := []string{f.Summary}
	if e := evidence(f.Evidence); e != "" {
		parts = append(parts, e)
	}
	if len(f.NextCheck) > 0 {
		parts = append(parts, "Next: "+f.NextCheck[0])
	}
	return strings.Join(parts, " ")
}

// mostEvidence is so many figures in an alert; the unit's page has all.
const mostEvidence = 4

func evidence(all []snapshot.Evidence) string {
	var parts []string
	for _, e := range all[:min(len(all), mostEvidence)] {
		switch {
		case e.Words != nil:
			parts = append(parts, e.What.English+" "+e.Words.English)
		case e.Battery != "":
			parts = append(parts, e.What.English+" "+e.Battery)
		default:
			parts = append(parts, strings.TrimSpace(fmt.Sprintf("%s %v %s", e.What.English, e.Value, e.Unit)))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	s := strings.Join(parts, ", ")
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// mostAlarms bounds what is read at a start to tell ends.
const mostAlarms = 200_000

// over returns what has ended within the time that an alert is valid: whoever sent it may be gone. Alertmanager may have been away when it ended, so it is told for so long.
func (n *Notifier) over(ctx context.Context) (map[string]*Alert, error) {
	now := n.opts.Now()
	alarms, err := n.opts.Store.Alarms(ctx, now.Add(-n.opts.Validity), now, mostAlarms)
	if err != nil {
		return nil, err
	}
	ended := map[string]*Alert{}
	for i := range alarms {
		x := &alarms[i]
		if x.Ended.IsZero() {
			continue
		}
		a := n.ofFinding(x.Unit, x.Finding, x.Subject, x.Severity)
		a.StartsAt, a.EndsAt = earlier(x.Raised, now), earlier(x.Ended, now)
		if !a.EndsAt.After(a.StartsAt) {
			a.StartsAt = a.EndsAt.Add(-time.Millisecond)
		}
		a.Annotations["summary"] = text(x.Unit + ": " + x.Finding + " has ended")
		key := a.key()
		if before, known := ended[key]; known && before.EndsAt.After(a.EndsAt) {
			continue
		}
		ended[key] = a
	}
	return ended, nil
}

// Standing returns what stands now, in order of severity and unit.
func (n *Notifier) Standing() []Alert {
	n.mu.Lock()
	defer n.mu.Unlock()
	out := make([]Alert, 0, len(n.now))
	for _, a := range n.now {
		out = append(out, *a)
	}
	rank := map[string]int{"urgent": 0, "repair": 1, "note": 2}
	slices.SortFunc(out, func(a, b Alert) int {
		return cmp.Or(cmp.Compare(rank[a.Labels["severity"]], rank[b.Labels["severity"]]), strings.Compare(a.key(), b.key()))
	})
	return out
}

// States returns how it goes with each Alertmanager.
func (n *Notifier) States() []TargetState {
	var all []TargetState
	for _, t := range n.targets {
		all = append(all, t.state())
	}
	return all
}

// Problem says why alerts are not as they should be; "" is nothing.
func (n *Notifier) Problem() string {
	n.mu.Lock()
	problem := n.problem
	n.mu.Unlock()
	if problem != "" {
		return "alerts: " + problem
	}
	for _, st := range n.States() {
		if st.Problem != "" {
			return "alerts can't be sent to " + st.Target + ": " + st.Problem
		}
	}
	return ""
}
