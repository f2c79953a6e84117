package main

import (
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// service tells the service manager how the agent is (sd_notify(3)). A sign of life is sent only
// from the scan loop, at most once in half the interval that the manager asks for: a loop that
// hangs is restarted, a broker that is away is no reason to.
type service struct {
	notify func(state string) error
	now    func() time.Time
	every  time.Duration // 0: no watchdog
	status func() string
	log    *slog.Logger

	mu    sync.Mutex
	ready bool
	last  time.Time
}

// newService asks the environment whether there is a manager and a watchdog; without them alive
// does nothing.
func newService(status func() string, log *slog.Logger) *service {
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("service manager's watchdog setting not understood: no watchdog", "err", err)
	}
	return &service{
		notify: func(state string) error { _, err := daemon.SdNotify(false, state); return err },
		now:    time.Now, every: interval / 2, status: status, log: log,
	}
}

// statusEvery is how often the manager is told in words how it goes, without a watchdog.
const statusEvery = time.Minute

// alive is called after each scan. The first one says that the agent is ready: the board was read
// and the store is open. A connection to a broker is not waited for.
func (s *service) alive() {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	every := s.every
	if every == 0 {
		every = statusEvery
	}
	if s.ready && now.Sub(s.last) < every {
		return
	}
	state := "WATCHDOG=1"
	if !s.ready {
		state = daemon.SdNotifyReady + "\n" + state
	}
	s.ready, s.last = true, now
	s.send(fmt.Sprintf("%s\nSTATUS=%s", state, s.status()))
}

// stopping says that the agent ends because it was told to.
func (s *service) stopping() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.send(daemon.SdNotifyStopping)
}

func (s *service) send(state string) {
	if err := s.notify(state); err != nil {
		s.log.Debug("service manager not notified", "err", err)
	}
}
