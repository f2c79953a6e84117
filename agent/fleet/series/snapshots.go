package series

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/metrics"
	"liftbank/agent/metrics/registry"
	"liftbank/agent/snapshot"
)

// Of a snapshot all is sent that a scrape shows, but what the streams have finer, and how the monitor
// itself does at one moment of six hours.
var notOfSnapshots = []string{
	"liftbank_bank_volts", "liftbank_bank_amperes", "liftbank_bank_soc_ratio", "liftbank_feed_volts", "liftbank_motor_volts",
	"liftbank_battery_volts", "liftbank_battery_amperes", "liftbank_battery_celsius", "liftbank_battery_soc_ratio",
	"liftbank_motor_runs_total", "liftbank_motor_last_run_*", "liftbank_finding_active",
	"liftbank_build_info", "liftbank_snapshot_sequence", "liftbank_uptime_seconds", "liftbank_scan*", "liftbank_chip_*",
	"liftbank_channel_*", "liftbank_publish_*", "liftbank_outbox_*", "liftbank_store_*",
}

func ofSnapshots(name string) bool {
	return !slices.ContainsFunc(notOfSnapshots, func(not string) bool {
		start, open := strings.CutSuffix(not, "*")
		return name == not || open && strings.HasPrefix(name, start)
	})
}

// shots makes a scrape's figures of snapshots, by the code that makes them for a scrape.
type shots struct {
	hub *snapshot.Hub
	reg *prometheus.Registry
}

func newShots(now func() time.Time) *shots {
	s := &shots{hub: snapshot.NewHub(now), reg: prometheus.NewRegistry()}
	s.reg.MustRegister(registry.NewCollector(metrics.Options{Hub: s.hub, StaleAfter: 24 * time.Hour}))
	return s
}

func (s *shots) add(e *expander, snap *snapshot.Snapshot) error {
	s.hub.Publish(snap)
	families, err := s.reg.Gather()
	if err != nil {
		return kept{Unread, err}
	}
	for _, f := range families {
		if !ofSnapshots(f.GetName()) {
			continue
		}
		for _, m := range f.GetMetric() {
			pairs := make([]string, 0, 2*len(m.GetLabel()))
			for _, l := range m.GetLabel() {
				if l.GetName() != "unit" { // it has one
					pairs = append(pairs, l.GetName(), l.GetValue())
				}
			}
			e.add(e.set.line(e.labels(f.GetName(), pairs...)), snap.At, valueOf(m))
		}
	}
	return nil
}

func valueOf(m *dto.Metric) float64 {
	if m.Counter != nil {
		return m.Counter.GetValue()
	}
	return m.Gauge.GetValue()
}

// snapshots sends each unit's last snapshot where it is a new one. The database keeps the last alone, so
// that of a receiver that was away those in between are missing; their counters go on.
func (f *feed) snapshots(ctx context.Context) error {
	for after := ""; ; {
		page, err := f.opts.Store.Units(ctx, after, unitsAtOnce)
		if err != nil {
			return err
		}
		set := &Set{}
		sent := map[string]time.Time{}
		var books tally
		flush := func() error {
			if err := f.deliver(ctx, set, nil); err != nil {
				return err
			}
			f.note(func(s *State) {
				for why, k := range books.kept {
					s.Kept[why] += k
				}
			})
			for unit, at := range sent {
				f.told[unit] = at
			}
			set, books = &Set{}, tally{}
			clear(sent)
			return nil
		}
		for i := range page {
			u := &page[i]
			if u.SnapshotAt.IsZero() || f.told[u.ID].Equal(u.SnapshotAt) {
				continue
			}
			if err := f.snapshot(ctx, set, u.ID, &books); err != nil {
				return err
			}
			sent[u.ID] = u.SnapshotAt
			if set.Len() >= f.opts.MaxSamples {
				if err := flush(); err != nil {
					return err
				}
			}
		}
		if err := flush(); err != nil {
			return err
		}
		if len(page) < unitsAtOnce {
			return nil
		}
		after = page[len(page)-1].ID
	}
}

func (f *feed) snapshot(ctx context.Context, set *Set, unit string, books *tally) error {
	u, err := f.opts.Store.Unit(ctx, unit)
	if errors.Is(err, db.ErrUnknown) {
		return nil // deleted meanwhile
	}
	if err != nil {
		return err
	}
	snap, err := wire.DecodeSnapshot(u.Snapshot)
	if err != nil {
		books.keep(Unread)
		f.opts.Log.Debug("snapshot can't be sent as series", "unit", unit, "err", fmt.Errorf("decode: %w", err))
		return nil
	}
	if !snap.ClockTrusted {
		books.keep(Untimed)
		return nil
	}
	e := expander{fixed: f.fixed(unit, u.Group), set: set, rec: &db.Record{Unit: unit, ReceivedAt: f.opts.Now()}}
	if err := f.shots.add(&e, snap); err != nil {
		books.keep(Unread)
	}
	if e.ahead > 0 {
		books.keep(Ahead)
	}
	if e.early > 0 {
		books.keep(TooEarly)
	}
	return nil
}
