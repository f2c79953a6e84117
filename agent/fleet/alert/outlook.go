package alert

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/publish"
)

// Alerts of what only the fleet's side sees. UnitSilent, ManyUnitsSilent and NoConfirmation say what those
// of the same name in deploy/prometheus say.
const (
	UnitSilent      = "UnitSilent"
	ManyUnitsSilent = "ManyUnitsSilent"
	NoConfirmation  = "NoConfirmation"
	RecordsLost     = "RecordsLost"
	CollectorDeaf   = "CollectorDeaf"
	DatabaseAway    = "DatabaseAway"
)

const (
	unitsAtOnce = 1000
	gapsFor     = 24 * time.Hour  // a gap is told for so long
	mostGaps    = 1000            // units are named as far as this goes
	deafFor     = 5 * time.Minute // a broker is restarted in less
	manyUnits   = 4               // of fewer no half is "many"
)

// flagAlerts are severity and words of what a unit is flagged with.
var flagAlerts = map[db.Flag]struct{ severity, summary, description string }{
	db.TwoIdentities: {"urgent", "two boards report under this name",
		"What they send is mixed up. Find the board that was set up with a copy of another's configuration and certificate, and " +
			"give it a name of its own."},
	db.ClockOff: {"repair", "clock far off",
		"The unit takes its clock for set, and it is more than five minutes from when its messages come. Look at its time server."},
	db.NumbersBack: {"repair", "record numbers went back",
		"Its card was replaced or restored from a copy. What it had not sent before is lost."},
	db.SchemaUnknown: {"repair", "sends what this collector can't read",
		"The messages are kept in the quarantine. Update the collector before units, then replay them."},
	db.UnitLies: {"urgent", "sends messages under another unit's name",
		"They are kept in the quarantine. A board was set up with the wrong name, or a broker takes what it should refuse."},
}

// outlook is what is known of all units. It belongs to the goroutine of Run, but for about.
type outlook struct {
	n       *Notifier
	started time.Time
	at      time.Time // of the last look
	units   map[string]*db.Unit
	parked  map[string]db.Parked
	silent  []silence
	inUse   int

	shown   map[string]time.Time // snapshot looked at last, by unit
	unheard map[string]time.Time // units that get no confirmation, since the snapshot that says so

	heard    time.Time // by this database before the start
	latest   time.Time // by this database, of any unit
	deaf     []span    // when nothing could come in, as far as it is known
	lost     time.Time // since when it can't; zero: it can
	noticed  time.Time // that it can't
	listened time.Time // of the last look at whether it can
	since    time.Time // of the connection
	open     time.Time // of the last look at which it could
}

type span struct{ from, to time.Time }

type silence struct {
	unit string
	last time.Time
}

func (o *outlook) about(unit string) db.About {
	if u := o.units[unit]; u != nil {
		return u.About
	}
	return db.About{}
}

// meet learns of a unit that is new since the last look.
func (o *outlook) meet(ctx context.Context, unit string) error {
	if o.units[unit] != nil {
		return nil
	}
	u, err := o.n.opts.Store.Unit(ctx, unit)
	if err != nil && !errors.Is(err, db.ErrUnknown) {
		return err
	}
	u.Snapshot = nil
	if o.units == nil {
		o.units = map[string]*db.Unit{}
	}
	o.units[unit] = &u
	return nil
}

// update looks at all units.
func (o *outlook) update(ctx context.Context) error {
	units := map[string]*db.Unit{}
	for after := ""; ; {
		page, err := o.n.opts.Store.Units(ctx, after, unitsAtOnce)
		if err != nil {
			return err
		}
		for i := range page {
			units[page[i].ID] = &page[i]
		}
		if len(page) < unitsAtOnce {
			break
		}
		after = page[len(page)-1].ID
	}
	if err := o.confirmations(ctx, units); err != nil {
		return err
	}
	for _, u := range units {
		if u.LastHeardAt.After(o.latest) {
			o.latest = u.LastHeardAt
		}
	}
	if o.at.IsZero() {
		o.heard = o.latest
	}
	parked, err := o.n.opts.Store.ParkedUnits(ctx)
	if err != nil {
		return err
	}
	o.units, o.parked, o.at = units, parked, o.n.opts.Now()
	return nil
}

// confirmations looks in new snapshots for units that hear nothing from the collector.
func (o *outlook) confirmations(ctx context.Context, units map[string]*db.Unit) error {
	for id, u := range units {
		if u.SnapshotAt.IsZero() || o.shown[id].Equal(u.SnapshotAt) {
			continue
		}
		full, err := o.n.opts.Store.Unit(ctx, id)
		if errors.Is(err, db.ErrUnknown) {
			continue
		}
		if err != nil {
			return err
		}
		problem := false
		if s, err := wire.DecodeSnapshot(full.Snapshot); err == nil {
			for _, out := range s.Outlets {
				problem = problem || out.Problem == publish.Unheard
			}
		}
		if !problem {
			delete(o.unheard, id)
		} else if _, known := o.unheard[id]; !known {
			o.unheard[id] = u.SnapshotAt
		}
		o.shown[id] = u.SnapshotAt
	}
	for id := range o.shown {
		if units[id] == nil {
			delete(o.shown, id)
			delete(o.unheard, id)
		}
	}
	return nil
}

// listen keeps the books of when messages could come in, and reports whether they can.
func (o *outlook) listen(now time.Time) bool {
	since, ok := o.started, true
	if o.n.opts.Listening != nil {
		since, ok = o.n.opts.Listening()
	}
	if !ok && now.Sub(o.latest) < deafFor+o.n.opts.Poll {
		// Another collector listens for the same database: this one is its standby.
		since, ok = o.since, true
		if since.IsZero() {
			since = o.started
		}
	}
	// The last look may be long ago: while the database is away there is none, and nothing comes in either.
	blind := now.Sub(o.listened) > deafFor+o.n.opts.Poll
	o.listened = now
	switch {
	case !ok:
		if o.lost.IsZero() || blind { // what was lost with the database may be back soon after it
			o.noticed = now
		}
		if o.lost.IsZero() {
			o.lost = o.open
			if o.since.IsZero() { // never yet
				o.lost = o.heard
			}
		}
		return false
	case !o.lost.IsZero():
		o.deaf = append(o.deaf, span{o.lost, since})
	case o.since.IsZero():
		o.deaf = append(o.deaf, span{o.heard, since})
	case since.After(o.open): // away and back between two looks
		o.deaf = append(o.deaf, span{o.open, since})
	case now.Sub(o.open) > deafFor+o.n.opts.Poll: // the database was away from this collector alone, or its machine slept
		o.deaf = append(o.deaf, span{o.open, now})
	}
	o.lost, o.noticed, o.since, o.open = time.Time{}, time.Time{}, since, now
	for len(o.deaf) > 0 && now.Sub(o.deaf[0].to) > 60*24*time.Hour {
		o.deaf = o.deaf[1:]
	}
	return true
}

// quiet is for how long a unit has said nothing that could have come in.
func (o *outlook) quiet(last, now time.Time) time.Duration {
	d := now.Sub(last)
	for _, x := range o.deaf {
		from, to := x.from, x.to
		if from.Before(last) {
			from = last
		}
		if to.After(from) {
			d -= to.Sub(from)
		}
	}
	return d
}

// working reports whether somebody works on a unit now: nobody is to be called for what it says.
func (o *outlook) working(unit string, now time.Time) bool {
	u := o.units[unit]
	return u != nil && u.WorkEnds.After(now)
}

// silences finds who is silent. While nothing can come in, it stays as it was.
func (o *outlook) silences(now time.Time) {
	if !o.listen(now) {
		return
	}
	o.silent, o.inUse = nil, 0
	for id, u := range o.units {
		if !u.Decommissioned.IsZero() || u.FirstHeardAt.IsZero() || o.parked[id].On(now) {
			continue // the desk's page shows those that were never heard
		}
		o.inUse++
		last := u.LastRecordAt
		if last.IsZero() {
			last = u.FirstHeardAt
		}
		if u.WorkEnds.After(last) { // with the disconnect open the board has no power
			last = u.WorkEnds
		}
		if u.AsleepUntil.After(last) { // it said so
			last = u.AsleepUntil
		}
		limit := o.n.opts.SilentAfter
		if of, own := o.n.opts.SilentAfterOf[u.Group]; own {
			limit = of
		}
		if o.quiet(last, now) > limit {
			o.silent = append(o.silent, silence{id, last})
		}
	}
}

// alerts adds what only the fleet's side sees.
func (o *outlook) alerts(ctx context.Context, all map[string]*Alert) error {
	n, now := o.n, o.n.opts.Now()
	o.silences(now)
	add := func(name, unit, severity string, since time.Time, summary, description string) {
		if severity != "urgent" && o.working(unit, now) {
			return
		}
		a := n.base(name, unit, severity)
		a.StartsAt = earlier(since, now)
		if unit != "" {
			summary = unit + ": " + summary
		}
		a.Annotations["summary"], a.Annotations["description"] = text(summary), text(description)
		all[a.key()] = a
	}
	for _, s := range o.silent {
		add(UnitSilent, s.unit, "repair", s.last, "silent since "+stamp(s.last),
			"No coverage, no power, or the board has failed. If the board is wired behind the disconnect, an open disconnect cuts its "+
				"power too.")
	}
	if o.inUse >= manyUnits && 2*len(o.silent) > o.inUse {
		add(ManyUnitsSilent, "", "urgent", time.Time{}, fmt.Sprintf("%d of %d units are silent", len(o.silent), o.inUse),
			"Check the network and the broker before any lift.")
	}
	if !o.lost.IsZero() && now.Sub(o.noticed) > deafFor {
		add(CollectorDeaf, "", "urgent", o.noticed, "the collector has no connection to its broker",
			"Nothing comes in, and no unit is told silent meanwhile. The collector's log has the reason.")
	}
	for id, since := range o.unheard {
		if u := o.units[id]; u == nil || !u.Decommissioned.IsZero() {
			continue
		}
		add(NoConfirmation, id, "repair", since, "gets no confirmation from the collector",
			"It keeps its records and sends them again. Look whether the broker lets the unit read its topic received, and lets the "+
				"collector write there.")
	}
	return o.flags(ctx, add, now)
}

func (o *outlook) flags(ctx context.Context, add func(name, unit, severity string, since time.Time, summary, description string),
	now time.Time,
) error {
	flags, err := o.n.opts.Store.Flags(ctx)
	if err != nil {
		return err
	}
	for i := range flags {
		f := &flags[i]
		words, known := flagAlerts[f.Flag]
		if !known {
			continue
		}
		if err := o.meet(ctx, f.Unit); err != nil {
			return err
		}
		add(Name(string(f.Flag)), f.Unit, words.severity, f.Since, words.summary, strings.TrimSpace(words.description+" "+f.Detail))
	}
	gaps, err := o.n.opts.Store.RecentGaps(ctx, now.Add(-gapsFor), mostGaps)
	if err != nil {
		return err
	}
	type lost struct {
		records uint64
		since   time.Time
		because string
	}
	sums := map[string]*lost{}
	for i := range gaps { // newest first
		g := &gaps[i]
		s := sums[g.Unit]
		if s == nil {
			s = &lost{because: g.Because}
			sums[g.Unit] = s
		}
		s.records += g.To - g.From + 1
		s.since = g.ReceivedAt
	}
	for unit, s := range sums {
		if err := o.meet(ctx, unit); err != nil {
			return err
		}
		add(RecordsLost, unit, "repair", s.since, fmt.Sprintf("%d records lost within a day", s.records),
			"They will not come. The last because of: "+s.because+".")
	}
	return nil
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }
