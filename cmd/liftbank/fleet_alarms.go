//go:build !board

package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"liftbank/agent/config/strict"
	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/series"
)

type fleetAlarmsCmd struct {
	fleetData
	Since string `default:"30d" placeholder:"30d" help:"How far back, such as 24h or 30d."`
	JSON  bool   `name:"json" help:"Print JSON."`
}

// Help returns an example.
func (fleetAlarmsCmd) Help() string {
	return "Counts the alarms of the fleet as ISA-18.2 does, beside that standard's figures: alarms a day, the ten most frequent, " +
		"those that chatter, those that have stood for more than 24 h, the share of each severity. What rings all the time is not " +
		"heard when it matters: repair, shelve or set its limit anew.\n\nExample: liftbank fleet alarms --config " +
		"/etc/liftbank-fleet/fleet.yaml --since 30d"
}

// Run prints the report.
func (c fleetAlarmsCmd) Run(s streams) (err error) {
	since, ok := strict.ParseDuration(c.Since)
	if !ok || since <= 0 {
		return usageError{fmt.Errorf("--since %q: want a time such as 24h or 30d", c.Since)}
	}
	store, _, err := c.open(s)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	now := time.Now()
	r, err := alert.ReportOf(s.ctx, store, now.Add(-since), now)
	if err != nil {
		return err
	}
	if c.JSON {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	return r.Write(s.out)
}

type fleetRefillCmd struct {
	fleetData
	From     string `required:"" placeholder:"TIME" help:"Send again what was received since then: a date, a time such as 2026-03-01T10:00:00Z, or how long ago, such as 30d."`
	Receiver string `placeholder:"NAME" help:"The name of one receiver of series; all by default."`
}

// Help returns an example.
func (fleetRefillCmd) Help() string {
	return "Has the collector send series to a time-series database again, at the times at which they were measured: after it was " +
		"restored from a copy, or replaced. A collector that runs follows within 15 s. What is there already is sent the same, which " +
		"receivers take for one; Prometheus refuses what is older than its out-of-order window. Snapshots are not sent again but " +
		"the last of each unit.\n\nExample: liftbank fleet refill --config /etc/liftbank-fleet/fleet.yaml --from 2026-03-01"
}

// Run sets the places.
func (c fleetRefillCmd) Run(s streams) (err error) {
	from, err := timeOf(c.From, time.Now())
	if err != nil {
		return usageError{fmt.Errorf("--from %q: %w", c.From, err)}
	}
	cfg, err := loadFleet(c.Config)
	if err != nil {
		return err
	}
	var names []string
	for i := range cfg.Series.Receivers {
		if name := cfg.Series.Receivers[i].Name; c.Receiver == "" || c.Receiver == name {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return usageError{fmt.Errorf("--receiver %q: want one of series.receivers in %s", c.Receiver, c.Config)}
	}
	store, _, err := c.open(s)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "receiver\tstream\tsent again after record\n")
	for _, name := range names {
		places, err := series.Refill(s.ctx, store, name, from)
		if err != nil {
			return err
		}
		for _, stream := range slices.Sorted(maps.Keys(places)) {
			fmt.Fprintf(w, "%s\t%s\t%d\n", name, stream, places[stream])
		}
	}
	return w.Flush()
}

// timeOf reads a date, a time, or how long ago.
func timeOf(text string, now time.Time) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, time.DateOnly, "2006-01-02T15:04"} {
		if t, err := time.Parse(layout, text); err == nil {
			if t.After(now) {
				return t, errors.New("is still to come")
			}
			return t, nil
		}
	}
	if d, ok := strict.ParseDuration(strings.TrimSpace(text)); ok {
		return now.Add(-d), nil
	}
	return now, errors.New("want a date such as 2026-03-01, a time such as 2026-03-01T10:00:00Z, or how long ago, such as 30d")
}
