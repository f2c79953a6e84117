package fleet

import (
	"context"
	"fmt"
	"time"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/series"
)

// outward adds what tells others: series and alerts, as far as they are configured.
func (c *Collector) outward() error {
	if len(c.opts.Config.Series.Receivers) > 0 {
		s, err := c.series()
		if err != nil {
			return err
		}
		// Its place in the records is the database's. No client_id has a space, so this is nobody's.
		c.Add(alone{s, "to series", c})
		c.Register(s)
	}
	if len(c.opts.Config.Alerts.Alertmanagers) > 0 {
		n, err := c.alerts()
		if err != nil {
			return err
		}
		c.Add(n)
		c.Register(n)
		c.Hear(func(out db.Outcome) {
			var units []string
			for i := range out.Changed {
				units = append(units, out.Changed[i].Unit)
			}
			for i := range out.Flags {
				units = append(units, out.Flags[i].Unit)
			}
			if units != nil {
				n.Wake(units...)
			}
		})
	}
	return nil
}

func (c *Collector) series() (*series.Sender, error) {
	x := c.opts.Config.Series
	o := series.Options{Store: c.db, Now: c.opts.Now, Log: c.opts.Log}
	for name, value := range x.Labels {
		o.Labels = append(o.Labels, series.Label{Name: name, Value: value})
	}
	for i := range x.Receivers {
		r := &x.Receivers[i]
		client, err := r.Client()
		if err != nil {
			return nil, fmt.Errorf("series: %s: %w", r.Name, err)
		}
		o.Receivers = append(o.Receivers, series.Receiver{
			Name: r.Name, URL: r.URL, Protocol: series.Protocol(r.Protocol), User: r.Username, Password: r.Password(), Client: client,
		})
	}
	return series.New(o)
}

func (c *Collector) alerts() (*alert.Notifier, error) {
	x := c.opts.Config.Alerts
	o := alert.Options{
		Store: c.db, Site: x.Site, Labels: x.Labels, SilentAfter: x.SilentAfter, SilentAfterOf: x.SilentAfterOf,
		Listening: func() (time.Time, bool) {
			s := c.intake.State()
			return s.Since, s.Connected
		},
		Now: c.opts.Now, Log: c.opts.Log,
	}
	for i := range x.Alertmanagers {
		r := &x.Alertmanagers[i]
		client, err := r.Client()
		if err != nil {
			return nil, fmt.Errorf("alerts: %s: %w", r.URL, err)
		}
		o.Targets = append(o.Targets, alert.Target{URL: r.URL, User: r.Username, Password: r.Password(), Client: client})
	}
	return alert.New(o)
}

// alone runs a part in one of all collectors that share the database. The others wait for their turn.
type alone struct {
	Part
	name string
	c    *Collector
}

// Run runs the part while it is this collector's turn.
func (a alone) Run(ctx context.Context) error {
	t := time.NewTicker(a.c.opts.LeadEvery)
	defer t.Stop()
	for ctx.Err() == nil {
		// Where it isn't known whose turn it is, the database is away, which the intake says.
		if lead, err := a.c.db.TryLead(ctx, a.name); err == nil && lead != nil {
			if err := a.turn(ctx, lead, t.C); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
		case <-t.C:
		}
	}
	return nil
}

func (a alone) turn(ctx context.Context, lead *db.Lead, tick <-chan time.Time) error {
	defer lead.Release(context.WithoutCancel(ctx))
	working, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- a.Part.Run(working) }()
	for {
		select {
		case err := <-ended:
			return err
		case <-tick:
		}
		if lead.Check(ctx) != nil && ctx.Err() == nil {
			stop()
			return <-ended
		}
	}
}
