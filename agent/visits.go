package agent

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/page"
	"liftbank/agent/pin"
	"liftbank/agent/trouble"
	"liftbank/agent/visit"
)

// pageOptions returns the options of the page.
// What it needs and can't use is a trouble, no error: measuring goes on, the page says so, and it is
// tried again.
func (a *Agent) pageOptions() page.Options {
	o := page.Options{
		Hub: a.hub, Now: a.opts.Now, Hosts: append(ownNames(), a.opts.Config.HTTP.HostNames...), Log: a.opts.Log,
		PINToRead: a.opts.Config.HTTP.PINToRead, Settings: technician{a},
		Named:   func() (name, place string) { u := a.unitNow(); return u.Name, u.Place },
		Actions: technician{a}, Switch: technician{a}, WorkTime: a.opts.Config.Visits.WorkTime,
		Look: a.look, StaleAfter: max(page.UsuallyOld, 2*a.savingScan),
		History: a.store, Calibrate: a.calibrator,
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, "not served: its password can't be read", http.StatusServiceUnavailable)
		}),
	}
	if a.opts.Recorder != nil {
		o.Recording = a.opts.Recorder
	}
	if a.opts.File.Text != nil {
		o.Fit = a.fits
	}
	for _, n := range []needed{{trouble.Metrics, a.useMetrics}, {trouble.PIN, a.usePIN}, {trouble.Visits, a.useVisits}} {
		if err := n.use(&o); err != nil {
			a.unusable(n.part, err)
			a.unused = append(a.unused, n)
		}
	}
	return o
}

// ownNames returns the name that multicast DNS gives this machine on its local network. No site elsewhere can have it
// point anywhere: .local is not asked of name servers (RFC 6762, section 3).
func ownNames() []string {
	host, err := os.Hostname()
	if err != nil || host == "" {
		return nil
	}
	host, _, _ = strings.Cut(host, ".")
	return []string{host + ".local"}
}

// needed is something that the page needs and that a file or folder may keep it from. use puts it
// into the options if it is asked for.
type needed struct {
	part string
	use  func(o *page.Options) error
}

func (a *Agent) useMetrics(o *page.Options) error {
	figures, err := forScraper(a.metrics(), a.opts.Config.HTTP, a.opts.Now, a.opts.Log)
	if err == nil {
		o.Metrics = figures
	}
	return err
}

func (a *Agent) usePIN(o *page.Options) error {
	path := a.opts.Config.Visits.PINFile
	if path == "" {
		return nil
	}
	secret, err := pin.Load(path)
	if err != nil {
		return fmt.Errorf("visits.pin_file: %w (liftbank pin makes it)", err)
	}
	o.PIN = pin.NewGate(secret, a.opts.Now, pin.Options{File: a.triesFile(), Log: a.opts.Log})
	return nil
}

func (a *Agent) useVisits(o *page.Options) (err error) {
	if a.opts.Config.Visits.Dir == "" {
		return nil
	}
	if o.Visits, err = openVisits(&a.opts.Config, a.opts.Log, technician{a}, visitOutlet{a}); err != nil {
		o.Visits = nil
		return err
	}
	if damaged := o.Visits.Damaged(); damaged != "" {
		a.opts.Log.Warn("visit draft unreadable: renamed", "file", damaged)
	}
	a.visits.Store(o.Visits)
	return nil
}

// retryEvery is how often what could not be used at the start is tried again.
const retryEvery = 30 * time.Second

// retry takes up what the page could not use at the start, as soon as it can be used.
func (a *Agent) retry(ctx context.Context) error {
	again := time.NewTicker(retryEvery)
	defer again.Stop()
	for len(a.unused) > 0 {
		select {
		case <-ctx.Done():
			return nil
		case <-again.C:
		}
		var left []needed
		for _, n := range a.unused {
			err := a.server.Update(n.use)
			a.troubles.SetError(n.part, err)
			if err != nil {
				left = append(left, n)
				continue
			}
			a.opts.Log.Info("can be used now", "part", n.part)
			if n.part == trouble.Visits {
				_ = a.handOver(ctx) // it logs what goes wrong
			}
		}
		a.unused = left
	}
	return nil
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
	kept := a.visits.Load()
	if kept == nil {
		return nil
	}
	if _, err := a.hub.Next(ctx, 0); err != nil {
		return nil // told to stop
	}
	if err := kept.HandOver(); err != nil {
		a.opts.Log.Warn("visits not forwarded yet", "err", err)
	}
	return nil
}

func openVisits(cfg *config.Config, log *slog.Logger, actions technician, outlet visit.Outlet) (*visit.Store, error) {
	areas, err := cfg.Visits.Areas()
	if err != nil {
		return nil, err
	}
	var batteries []string
	for _, b := range cfg.Bank.Batteries {
		batteries = append(batteries, b.ID)
	}
	return visit.Open(visit.Options{Dir: cfg.Visits.Dir, Unit: cfg.Unit.ID, Form: visit.NewForm(areas, batteries),
		Actions: actions, Fitter: actions, Switch: actions, Outlet: outlet, Log: log})
}
