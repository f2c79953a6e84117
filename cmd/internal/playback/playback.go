package playback

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/rules"
)

// Player runs the whole engine on a unit's recording.
type Player struct {
	Core  *agent.Core
	Scans *recording.Scans
	Rates Rates

	cfg    *config.Config
	zone   *time.Location
	first  time.Duration
	begun  bool
	truth  *TrueCharge
	errors []chargeError // by battery
	due    time.Duration // of the next comparison with the truth
}

// chargeError sums up how far a battery's charge was from the truth.
type chargeError struct {
	n, sum float64
}

// New returns a player for a unit. It reads the first scan's header. truth may be nil.
func New(cfg config.Config, from *recording.Scans, truth *TrueCharge) (*Player, error) {
	rc, err := agent.RulesConfig(&cfg)
	if err != nil {
		return nil, err
	}
	if err := from.Begin(); err != nil {
		return nil, err
	}
	zone := time.UTC
	if h := from.Header(); !h.Start.IsZero() {
		zone = h.Start.Location()
		if z, err := time.LoadLocation(h.Zone); err == nil && h.Zone != "" && h.Zone != "Local" {
			zone = z
		}
	}
	core, err := agent.NewPlayback(cfg, rc, from)
	if err != nil {
		return nil, err
	}
	return &Player{
		Core: core, Scans: from, cfg: &cfg, zone: zone, truth: truth, errors: make([]chargeError, len(cfg.Bank.Batteries)),
	}, nil
}

// Run plays the recording to its end. each is called after every scan with what happened to
// findings in it.
func (p *Player) Run(ctx context.Context, each func(*rules.Output, []Change) error) error {
	for {
		out, err := p.Core.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			if ctx.Err() != nil {
				return fmt.Errorf("stopped at %.0f s: %w", p.Core.Input().At.Mono.Seconds(), err)
			}
			return err
		}
		if !p.begun {
			p.begun, p.first = true, out.At.Mono
		}
		p.Rates.Step(out)
		if err := p.truth.At(p.Scans.InSession()); err != nil {
			return err
		}
		p.compare(out)
		var changes []Change
		if len(out.Events) > 0 {
			changes = ChangesOf(out, p.zone)
		}
		if err := each(out, changes); err != nil {
			return err
		}
	}
}

// Span returns the time from the first scan to the last.
func (p *Player) Span() time.Duration { return p.Core.Input().At.Mono - p.first }

// Played reports whether there was a scan.
func (p *Player) Played() bool { return p.begun }

// compareEvery is how often the charge is compared with the truth.
const compareEvery = time.Minute

func (p *Player) compare(out *rules.Output) {
	if out.At.Mono < p.due {
		return
	}
	p.due = out.At.Mono + compareEvery
	for i := range out.Battery {
		b := &out.Battery[i]
		if pct, ok := p.TruePct(b.ID); ok && b.SoCPct.Known {
			e := &p.errors[i]
			e.n, e.sum = e.n+1, e.sum+(b.SoCPct.Value-pct)*(b.SoCPct.Value-pct)
		}
	}
}

// TruePct returns a battery's true charge, where it stands beside the recording.
func (p *Player) TruePct(battery string) (pct float64, ok bool) { return p.truth.Pct(battery) }

// ChargeError returns the RMS error of a battery's charge, in percent, where the recording has the
// truth.
func (p *Player) ChargeError(battery int) (pct float64, ok bool) {
	e := &p.errors[battery]
	if e.n == 0 {
		return 0, false
	}
	return math.Sqrt(e.sum / e.n), true
}

// NotJudged says what can't be judged, and why: for the rate of the recording, for what it lacks,
// and as the rules have it at the end.
func (p *Player) NotJudged() []string {
	command := slices.ContainsFunc(p.cfg.Board.Contacts, func(c config.Contact) bool {
		return c.Signal == config.MotorCommand
	})
	all := p.Rates.NotJudged(p.Core.Output(), command)
	all = append(all, Lacking(p.cfg, p.Scans)...)
	return append(all, Because(p.Core)...)
}
