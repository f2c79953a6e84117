package agent

import (
	"context"
	"fmt"
	"net/http"
	"path/filepath"

	"liftbank/agent/config"
	"liftbank/agent/page"
	"liftbank/agent/page/visits"
	"liftbank/agent/pin"
	"liftbank/agent/trouble"
	"liftbank/agent/visit"
)

// pageOptions returns the options of the page.
// What it needs and can't use is a trouble, no error: measuring goes on, and the page says so.
func (a *Agent) pageOptions() page.Options {
	figures, err := forScraper(a.metrics(), a.opts.Config.HTTP, a.opts.Now, a.opts.Log)
	if err != nil {
		a.unusable(trouble.Metrics, err)
		figures = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, "not served: its password can't be read", http.StatusServiceUnavailable)
		})
	}
	o := page.Options{
		Hub: a.hub, Now: a.opts.Now, Metrics: figures, Hosts: a.opts.Config.HTTP.HostNames, Log: a.opts.Log,
		PINToRead: a.opts.Config.HTTP.PINToRead,
		Actions:   technician{a}, History: a.store, Calibration: map[string]visits.Calibration{},
	}
	if a.opts.Recorder != nil {
		o.Recording = a.opts.Recorder
	}
	for i := range a.opts.Config.Board.Channels {
		c := &a.opts.Config.Board.Channels[i]
		o.Calibration[c.Name()] = visits.Calibration{Offset: c.Calibration.Offset, Gain: c.Calibration.Gain}
	}
	v := &a.opts.Config.Visits
	if v.PINFile != "" {
		secret, err := pin.Load(v.PINFile)
		if err != nil {
			a.unusable(trouble.PIN, fmt.Errorf("visits.pin_file: %w (liftbank pin makes it)", err))
		} else {
			o.PIN = pin.NewGate(secret, a.opts.Now, pin.Options{File: a.triesFile(), Log: a.opts.Log})
		}
	}
	if v.Dir == "" {
		return o
	}
	if o.Visits, err = openVisits(&a.opts.Config, technician{a}, visitOutlet{a}); err != nil {
		a.unusable(trouble.Visits, err)
		return o
	}
	if damaged := o.Visits.Damaged(); damaged != "" {
		a.opts.Log.Warn("visit draft unreadable: renamed", "file", damaged)
	}
	a.visits = o.Visits
	return o
}

// unusable notes and logs what can't be used.
func (a *Agent) unusable(part string, err error) {
	a.troubles.SetError(part, err)
	a.opts.Log.Error("can't be used: measuring goes on without it", "part", part, "err", err)
}

// triesFile returns the file of the PIN's tries, by default beside the saved state; empty where none
// is saved.
func (a *Agent) triesFile() string {
	if a.opts.TriesFile != "" || a.opts.StateFile == "" {
		return a.opts.TriesFile
	}
	return filepath.Join(filepath.Dir(a.opts.StateFile), "tries.json")
}

// handOver forwards the visits that an earlier start left, once there is a scan to tell the time.
func (a *Agent) handOver(ctx context.Context) error {
	if a.visits == nil {
		return nil
	}
	if _, err := a.hub.Next(ctx, 0); err != nil {
		return nil // told to stop
	}
	if err := a.visits.HandOver(); err != nil {
		a.opts.Log.Warn("visits not forwarded yet", "err", err)
	}
	return nil
}

func openVisits(cfg *config.Config, actions visit.Actions, outlet visit.Outlet) (*visit.Store, error) {
	areas := cfg.Visits.Checklist
	if len(areas) == 0 {
		areas = visit.DefaultChecklist()
	}
	var batteries []string
	for _, b := range cfg.Bank.Batteries {
		batteries = append(batteries, b.ID)
	}
	return visit.Open(visit.Options{Dir: cfg.Visits.Dir, Unit: cfg.Unit.ID, Form: visit.NewForm(areas, batteries),
		Actions: actions, Outlet: outlet})
}
