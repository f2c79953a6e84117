// Package outlet has what the agent and its outlets share. An outlet sends a unit's records and
// snapshots somewhere, by a protocol of its own. Package records makes the bodies that it sends;
// package store keeps the records and how far each outlet is.
package outlet

import (
	"context"
	"log/slog"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
)

// Outlet sends what one unit records.
type Outlet interface {
	// Run sends until ctx ends and leaves no goroutine behind. It returns nil when it was only told
	// to stop; an error ends the agent. That a receiver can't be reached is no error but a State.
	Run(ctx context.Context) error
	// State returns how sending goes. It may be called from any goroutine, before Run too.
	State() State
	// Wake has the outlet look whether there is something new to say. It does not wait.
	Wake()
	// ReadingsEvery returns the time between two batches of readings that the outlet wants; 0 is
	// none.
	ReadingsEvery() time.Duration
}

// Kind is one kind of outlet.
type Kind struct {
	Name   string                                        // in the store, the metrics and the snapshot
	Wanted func(c *config.Config) bool                   // reports whether the configuration has one
	New    func(*config.Config, Options) (Outlet, error) // called where it is wanted
}

// Options are what every outlet gets. All fields are set.
type Options struct {
	Unit    string // ID of the unit
	Session string // this start of the agent, as in the snapshot

	Hub    *snapshot.Hub
	Outbox *outbox.Outlet // the outlet's own place in the outbox
	Clock  Clock
	Rand   func() float64 // 0 to below 1, for the jitter of pauses
	Log    *slog.Logger
}

// Clock is the time that an outlet lives by; outside of tests it is {time.Now, time.After}.
type Clock struct {
	Now   func() time.Time
	After func(time.Duration) <-chan time.Time
}

// State is how sending goes. Fields that mean nothing to an outlet stay zero.
type State struct {
	Name      string    // of the kind
	Connected bool      // the receiver can be reached
	Since     time.Time // of Connected being as it is; zero before Run
	// Problem is why there is no connection, or why what is sent may not arrive, one of a few texts;
	// "" if all is well, or before the first attempt ended.
	Problem         string
	LastError       string // the error behind the last problem; "" if there never was one
	Failures        uint64 // connections that failed to come up or were lost, since the start
	Reconnects      uint64 // connections that came up after the first
	Published       uint64 // messages that the next hop acknowledged
	Repeated        uint64 // records sent again because the receiver asked for them or didn't confirm them
	Dropped         uint64 // messages given up: can't be encoded, or the next hop does not take them
	Bytes           uint64 // sent and received since the start, headers included
	BudgetLevel     int    // how scarce the budget of bytes is: 0 plenty, 3 used up
	Receipts        uint64 // of the receiver, applied
	Refused         uint64 // messages of the receiver that were no receipt, or for what was never sent
	Oversized       uint64 // messages of the receiver that were too large and skipped
	ReceiptsBlocked bool   // receipts can't be heard
	// LastWord says that the next hop has all that was to be said before the board is switched off, and that
	// it will be.
	LastWord bool
}
