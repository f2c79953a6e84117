package crowd

import (
	"context"
	"io"
	"net"
	"sync"
)

// gate stands between a unit and the broker. While the unit plays its past it lets nothing through, as
// if the trailer were out of reach: what it sends then is of the past, and its clock is not now's.
type gate struct {
	net.Listener
	broker string
	open   chan struct{} // closed once the unit has come up with the clock on the wall
	once   sync.Once
}

func newGate(broker string) (*gate, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	return &gate{Listener: l, broker: broker, open: make(chan struct{})}, nil
}

func (g *gate) lift() { g.once.Do(func() { close(g.open) }) }

// run passes connections on until ctx ends.
func (g *gate) run(ctx context.Context) {
	var all sync.WaitGroup
	defer all.Wait()
	stop := context.AfterFunc(ctx, func() { _ = g.Close() })
	defer stop()
	for {
		c, err := g.Accept()
		if err != nil {
			return // closed
		}
		all.Go(func() { g.pass(ctx, c) })
	}
}

func (g *gate) pass(ctx context.Context, c net.Conn) {
	defer c.Close()
	select {
	case <-g.open:
	case <-ctx.Done():
		return
	}
	b, err := new(net.Dialer).DialContext(ctx, "tcp", g.broker)
	if err != nil {
		return // the unit tries again
	}
	defer b.Close()
	stop := context.AfterFunc(ctx, func() { _, _ = c.Close(), b.Close() })
	defer stop()
	var back sync.WaitGroup
	back.Go(func() {
		_, _ = io.Copy(c, b) // ends with either connection
		_ = c.Close()
	})
	_, _ = io.Copy(b, c)
	_ = b.Close()
	back.Wait()
}
