package crowd_test

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/crowd"
	"liftbank/cmd/slowtest"
)

// The units play their past, send what they found, and go on with the clock on the wall.
func TestACrowdPlaysItsPast(t *testing.T) {
	slowtest.Long(t)
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, server.AddHook(new(auth.AllowHook), nil))
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	require.NoError(t, server.AddListener(l))
	require.NoError(t, server.Serve())
	defer server.Close()
	var mu sync.Mutex
	topics := map[string]int{}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + l.Address()).SetClientID("all"))
	token := client.Connect()
	require.True(t, token.WaitTimeout(10*time.Second))
	defer client.Disconnect(10)
	client.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		topics[m.Topic()]++
	}).Wait()

	const units = 6
	c, err := crowd.New(crowd.Options{
		Units: units, Broker: "mqtt://" + l.Address(), Past: 80 * time.Hour, Seed: 1, Now: time.Now,
		Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(t, err)
	require.Len(t, c.Places(), units)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	count := func(leaf string) (n int) {
		mu.Lock()
		defer mu.Unlock()
		for topic := range topics {
			if strings.HasSuffix(topic, "/"+leaf) {
				n++
			}
		}
		return n
	}
	require.Eventually(t, func() bool {
		return count("readings") == units && count("runs") == units && count("findings") >= 2
	}, 2*time.Minute, 100*time.Millisecond)
	cancel()
	assert.NoError(t, <-done)
}
