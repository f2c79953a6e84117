//go:build !board

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"time"
)

// alertSink takes alerts as Alertmanager does, and prints each that begins or ends.
type alertSink struct {
	server  *http.Server
	address string
	served  chan error

	mu     sync.Mutex
	out    io.Writer
	active map[string]bool
}

// sunkAlert is what is looked at of an alert (Alertmanager's API v2).
type sunkAlert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
}

func newAlertSink(out io.Writer) (*alertSink, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("alert sink: %w", err)
	}
	s := &alertSink{address: l.Addr().String(), served: make(chan error, 1), out: out, active: map[string]bool{}}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/v2/alerts", s.take)
	s.server = &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() { s.served <- s.server.Serve(l) }()
	return s, nil
}

func (s *alertSink) url() string { return "http://" + s.address }

func (s *alertSink) close() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	err := s.server.Shutdown(ctx)
	if served := <-s.served; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	return err
}

func (s *alertSink) take(w http.ResponseWriter, r *http.Request) {
	const most = 8 << 20
	var all []sunkAlert
	if err := json.NewDecoder(io.LimitReader(r.Body, most)).Decode(&all); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, a := range all {
		key, _ := json.Marshal(a.Labels) // in the order of their names
		ended := !a.EndsAt.IsZero() && !a.EndsAt.After(time.Now())
		switch {
		case !ended && !s.active[string(key)]:
			s.active[string(key)] = true
			fmt.Fprintf(s.out, "alert     %s\n", sunkText(&a))
		case ended && s.active[string(key)]:
			delete(s.active, string(key))
			fmt.Fprintf(s.out, "ended     %s\n", sunkText(&a))
		}
	}
}

func sunkText(a *sunkAlert) string {
	what := a.Annotations["summary"] // begins with the unit
	if what == "" {
		what = "unit " + a.Labels["unit"]
	}
	return fmt.Sprintf("%s %s, %s", a.Labels["severity"], a.Labels["alertname"], what)
}
