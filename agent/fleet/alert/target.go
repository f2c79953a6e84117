package alert

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Target is one Alertmanager.
type Target struct {
	URL      string // such as http://localhost:9093
	User     string
	Password func() (string, error) // nil: none; asked for each request, so that it may be changed
	Client   *http.Client           // nil: a plain one
}

// TargetState is how it goes with one Alertmanager.
type TargetState struct {
	Target  string
	Problem string // "" is nothing
	Sent    uint64 // alerts, resends included
	Failed  uint64 // requests
	Refused uint64 // requests of which it takes something not
}

// target tells one Alertmanager, apart from the others.
type target struct {
	Target
	n      *Notifier
	more   chan struct{}    // cap 1
	told   map[string]*told // what it knows; of the goroutine of run
	mu     sync.Mutex
	want   map[string]*Alert
	ended  map[string]*Alert
	st     TargetState
	client *http.Client
}

// told is an alert as it was told last.
type told struct {
	alert *Alert
	at    time.Time // zero: not yet
	ended time.Time // zero: it stands
}

const (
	timeout   = 10 * time.Second
	atOnce    = 500 // alerts in a request; our choice, some 400 kB
	slowest   = time.Minute
	mostReply = 300
)

func newTarget(n *Notifier, t Target) *target {
	client := t.Client
	if client == nil {
		client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	return &target{Target: t, n: n, more: make(chan struct{}, 1), told: map[string]*told{}, client: client,
		st: TargetState{Target: t.URL}}
}

// tell hands over what stands and what has ended lately.
func (t *target) tell(want, ended map[string]*Alert) {
	t.mu.Lock()
	t.want, t.ended = want, ended
	t.mu.Unlock()
	select {
	case t.more <- struct{}{}:
	default:
	}
}

func (t *target) state() TargetState {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.st
}

// run sends what is due until ctx ends. After a failure it waits longer each time.
func (t *target) run(ctx context.Context) {
	failed := 0
	for ctx.Err() == nil {
		wait, more := t.n.opts.Resend/4, t.more
		if err := t.round(ctx); err != nil {
			if ctx.Err() != nil {
				return
			}
			wait, more = min(time.Second<<min(failed, 10), slowest), nil
			failed++
			t.trouble(err)
		} else {
			failed = 0
			t.trouble(nil)
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-more:
		}
		timer.Stop()
	}
}

func (t *target) trouble(err error) {
	t.mu.Lock()
	was := t.st.Problem
	t.st.Problem = ""
	if err != nil {
		t.st.Problem = err.Error()
		t.st.Failed++
	}
	t.mu.Unlock()
	switch {
	case err != nil && was == "":
		t.n.opts.Log.Warn("alerts can't be sent", "to", t.URL, "err", err)
	case err == nil && was != "":
		t.n.opts.Log.Info("alerts are sent again", "to", t.URL)
	}
}

// round sends all that is due now.
func (t *target) round(ctx context.Context) error {
	t.mu.Lock()
	want, ended := t.want, t.ended
	t.mu.Unlock()
	if want == nil {
		return nil // nothing was read yet
	}
	now := t.n.opts.Now()
	for key, a := range want {
		x := t.told[key]
		if x == nil || !x.ended.IsZero() || !x.alert.equal(a) {
			t.told[key] = &told{alert: a}
		}
	}
	for key, a := range ended {
		if x := t.told[key]; x == nil && now.Sub(a.EndsAt) < t.n.opts.Validity {
			t.told[key] = &told{alert: a, ended: a.EndsAt}
		}
	}
	var due []string
	for key, x := range t.told {
		if x.ended.IsZero() && want[key] == nil {
			x.ended, x.at = now, time.Time{}
		}
		if !x.ended.IsZero() && !x.at.IsZero() && now.Sub(x.ended) >= t.n.opts.Validity {
			delete(t.told, key) // it was told for as long as it would have stood by itself
			continue
		}
		if x.at.IsZero() || now.Sub(x.at) >= t.n.opts.Resend {
			due = append(due, key)
		}
	}
	for len(due) > 0 {
		part := due[:min(atOnce, len(due))]
		due = due[len(part):]
		var body []Alert
		for _, key := range part {
			x := t.told[key]
			a := *x.alert
			a.EndsAt = now.Add(t.n.opts.Validity)
			if !x.ended.IsZero() {
				a.EndsAt = x.ended
				if !a.EndsAt.After(a.StartsAt) {
					a.StartsAt = a.EndsAt.Add(-time.Millisecond)
				}
			}
			body = append(body, a)
		}
		if err := t.send(ctx, body); err != nil {
			return err
		}
		for _, key := range part {
			t.told[key].at = now
		}
	}
	return nil
}

// send posts alerts.
func (t *target) send(ctx context.Context, alerts []Alert) error {
	body, err := json.Marshal(alerts)
	if err != nil {
		return fmt.Errorf("alerts: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimSuffix(t.URL, "/")+"/api/v2/alerts", bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	if t.Password != nil {
		password, err := t.Password()
		if err != nil {
			return fmt.Errorf("password: %w", err)
		}
		req.SetBasicAuth(t.User, password)
	}
	resp, err := t.client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	reply, _ := io.ReadAll(io.LimitReader(resp.Body, mostReply)) // a reason, if there is one
	if resp.StatusCode/100 == 2 {
		t.count(func(s *TargetState) { s.Sent += uint64(len(alerts)) })
		return nil
	}
	err = errors.New(strings.TrimSpace(resp.Status + ": " + strings.ToValidUTF8(string(reply), "")))
	if resp.StatusCode == http.StatusBadRequest {
		// It takes the others of the request all the same (api v2).
		t.count(func(s *TargetState) { s.Sent += uint64(len(alerts)); s.Refused++ })
		t.n.opts.Log.Warn("Alertmanager refuses alerts", "to", t.URL, "err", err)
		return nil
	}
	return err
}

func (t *target) count(change func(*TargetState)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	change(&t.st)
}
