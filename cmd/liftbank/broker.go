//go:build !board

package main

import (
	"fmt"
	"log/slog"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// startBroker starts an MQTT broker in this process, open to anybody who reaches the address: for
// the demonstration only. It gives the address it listens on and what stops it.
func startBroker(listen string) (address string, stop func() error, err error) {
	server := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(new(auth.AllowHook), nil); err != nil {
		return "", nil, fmt.Errorf("broker: %w", err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "demo", Address: listen})
	if err := server.AddListener(l); err != nil {
		return "", nil, fmt.Errorf("broker: listen on %s: %w; choose another with --mqtt-listen", listen, err)
	}
	if err := server.Serve(); err != nil {
		return "", nil, fmt.Errorf("broker: %w", err)
	}
	return l.Address(), server.Close, nil
}
