package board

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// What else than the bus's errors Result can run into, for errors.Is. A driver makes the same of
// the registers.
var (
	ErrNotReady = errors.New("conversion not finished")
	ErrReset    = errors.New("chip does not hold the settings written")
)

// order is a Start that has had no Result yet.
type order struct {
	pending bool
	started uint16 // config
	begun   time.Duration
}

var errNotStarted = fmt.Errorf("%w: none was started", ErrNotReady)

// Start writes the config register, as a driver does to begin a single-shot conversion.
func (c *Chip) Start(config uint16) error {
	c.order.pending = false
	if !c.reachable() {
		if err := c.reach(); err != nil {
			return fmt.Errorf("start conversion: on simulated ADS1115 %02Xh: %w", c.addr, err)
		}
	}
	now := c.clock.Now()
	c.catchUp(now)
	c.adc.writeConfig(now, config)
	c.order.pending, c.order.begun, c.order.started = true, now, config&^configOS
	return nil
}

// Result gives what a driver gets that reads the config register until it says idle, checks that
// the settings are those of Start, and reads the conversion register: the code, -32768 to 32767.
// Each Start has one Result. A refused Start or Result counts as one transfer for [Bus.NACK]: a
// driver stops at the first.
//
// A conversion that isn't finished is waited for, if the clock can be waited on, until twice the
// longest conversion time after Start; then, or if the clock can't, the error is ErrNotReady.
// ErrReset tells that the settings are others. Errors of the bus are those of [Bus.Tx]; that of ctx
// is returned as it is.
func (c *Chip) Result(ctx context.Context) (int16, error) {
	if c.order.pending && c.adc.config == c.order.started && c.reachable() { // nearly always: nothing but to look
		c.catchUp(c.clock.Now())
		if !c.adc.converting {
			c.order.pending = false
			return c.adc.conversion, nil
		}
	}
	err := c.await(ctx)
	c.order.pending = false
	if err != nil && err == ctx.Err() {
		return 0, err
	}
	if err != nil {
		return 0, fmt.Errorf("read result: on simulated ADS1115 %02Xh: %w", c.addr, err)
	}
	return c.adc.conversion, nil
}

// await goes through a Result step by step, until the conversion register can be read.
func (c *Chip) await(ctx context.Context) error {
	if !c.order.pending {
		return errNotStarted
	}
	if err := c.reach(); err != nil {
		return err
	}
	c.catchUp(c.clock.Now())
	if c.adc.config != c.order.started {
		return ErrReset
	}
	if c.adc.converting {
		return c.awaitIdle(ctx)
	}
	return nil
}

// awaitIdle waits until the conversion of Start is over.
func (c *Chip) awaitIdle(ctx context.Context) error {
	if c.waiter == nil {
		return ErrNotReady
	}
	longest := time.Duration(float64(time.Second)/samplesPerSecond[c.order.started>>5&7])*11/10 + wakeUp
	if err := c.waiter.WaitUntil(ctx, min(c.adc.endsAt, c.order.begun+2*longest)); err != nil {
		return err
	}
	c.catchUp(c.clock.Now())
	if c.adc.converting {
		return ErrNotReady
	}
	return nil
}

// reachable reports whether nothing at all is wrong, and nothing changed: reach would find no
// fault.
func (c *Chip) reachable() bool {
	return !c.faults.changed.Load() && !c.inputs.faults.absent && (c.bus == nil || !c.bus.trouble.Load())
}

// reach counts one transfer and gives the fault that prevents it, if any.
func (c *Chip) reach() error {
	if c.bus != nil && c.bus.trouble.Load() {
		if err := c.bus.refuse(c.addr); err != nil {
			return err
		}
	}
	if !c.present() {
		return ErrAbsent
	}
	return nil
}
