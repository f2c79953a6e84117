package sensors_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
	"liftbank/sim/board"
)

// slowest860 is one conversion at 860 SPS of an oscillator that is 10 % slow, with the wake-up
// (data sheet).
const slowest860 = 1293*time.Microsecond + 50*time.Microsecond

func fresh(s *sensors.Scan) []int {
	var list []int
	for i := range s.Readings {
		if s.Readings[i].Fresh {
			list = append(list, i)
		}
	}
	return list
}

func all() []int { return []int{0, 1, 2, 3, 4, 5, 6, 7} }

func inRun() []int { return []int{voltA, voltB, ampA, ampB, motor} }

func TestScansAtRest(t *testing.T) {
	r := newRig(t, nil)
	r.now = 300 * ms
	for i, begin := range []time.Duration{300 * ms, time.Second, 2 * time.Second, 3 * time.Second} {
		s := r.next(t)
		assert.Equal(t, begin, s.At-s.Took, "the first at once, the others on whole seconds")
		assert.Equal(t, uint64(i+1), s.Count)
		assert.False(t, s.Fast || s.Overrun)
		assert.Equal(t, all(), fresh(s))
		for ch, reading := range s.Readings {
			assert.Equal(t, sensors.None, reading.Fault, ch)
			assert.InDelta(t, r.value[ch], reading.Value, tolerance[ch], ch)
			assert.True(
				t,
				begin < reading.At && reading.At <= s.At,
				"channel %d: %v in a scan %v to %v",
				ch,
				reading.At,
				begin,
				s.At,
			)
		}
		assert.Equal(t, []sensors.ContactReading{{Known: true}, {Known: true}}, s.Contacts)
	}
}

// Four inputs on each of two chips take as long as four on one.
func TestChipsConvertSideBySide(t *testing.T) {
	r := newRig(t, nil)
	s := r.next(t)
	longest := ads1115.SingleShot(0, 0, ads1115.SPS128).ConversionTime()
	assert.Equal(t, 4*longest, s.Took)
	assert.InDelta(t, s.Readings[voltA].At.Seconds(), s.Readings[voltB].At.Seconds(), 1e-9)
	assert.Equal(t, uint64(8*2), r.bus.Transfers(), "begun and read; a further one for the first zero of an input")
}

// The channels read during runs come first on each chip, whatever the order of the configuration.
func TestRunChannelsComeFirst(t *testing.T) {
	s := newRig(t, nil).next(t)
	for _, first := range inRun() {
		for _, later := range []int{feed, tempA, tempB} {
			if rigConfig().Channels[first].Chip == rigConfig().Channels[later].Chip {
				assert.Less(t, s.Readings[first].At, s.Readings[later].At, "%d before %d", first, later)
			}
		}
	}
}

// A command of 0.3 s between two slow scans: seen from its first instant, at full speed, with both
// edges.
func TestFastOnContact(t *testing.T) {
	r := newRig(t, nil)
	r.press(0, 1500*ms, 300*ms)
	rest := *r.until(t, time.Second)
	restTemp := rest.Readings[tempA]

	s := r.next(t)
	assert.True(t, s.Fast)
	assert.Equal(t, 1500*ms, s.At-s.Took, "begins at the edge")
	assert.Equal(t, []sensors.Edge{{On: true, At: 1500 * ms}}, s.Edges)
	assert.True(t, s.Contacts[0].On)
	assert.Equal(t, inRun(), fresh(s))
	assert.LessOrEqual(t, s.Took, 3*slowest860, "three inputs on the busier chip")
	assert.Equal(t, restTemp.At, s.Readings[tempA].At, "a channel not read keeps its value and its time")
	assert.Equal(t, restTemp.Value, s.Readings[tempA].Value)
	assert.Equal(t, sensors.None, s.Readings[tempA].Fault)

	var edges []sensors.Edge
	scans, full := 0, 0
	for s.Fast {
		before := s.At
		s = r.next(t)
		edges = append(edges, s.Edges...)
		if !s.Fast {
			break
		}
		scans++
		if len(fresh(s)) == channels {
			full++
		} else {
			assert.Equal(t, inRun(), fresh(s))
		}
		assert.LessOrEqual(t, s.At-before, 4*slowest860, "scans follow each other without a pause")
	}
	assert.Equal(t, []sensors.Edge{{At: 1800 * ms}}, edges)
	assert.Equal(t, 4*time.Second, s.At-s.Took, "run to 1.8 s, tail to 3.8 s, next whole second")
	assert.InDelta(t, 2300.0/4.03, scans, 5, "2.3 s at three conversions each")
	assert.Equal(t, 2, full, "at 2 s and 3 s all channels")
	assert.Equal(t, uint64(scans+1), r.board.Stats().FastScans)
}

// A motor start in the middle of a slow scan does not wait for its end.
func TestMotorStartCutsASlowScan(t *testing.T) {
	r := newRig(t, func(c *sensors.Config) {
		for i := range c.Channels {
			set(c, i).RestRate = ads1115.SPS8
		}
	})
	r.press(0, 1200*ms, time.Second)
	r.next(t)
	s := r.next(t)
	assert.False(t, s.Fast)
	assert.Equal(t, []int{voltA, voltB, ampA, ampB}, fresh(s), "the conversions under way at 1.2 s end at 1.28 s")
	assert.Equal(t, []sensors.Edge{{On: true, At: 1200 * ms}}, s.Edges)
	assert.Less(t, s.At, 1290*ms)
	s = r.next(t)
	assert.True(t, s.Fast)
	assert.Less(t, s.At, 1300*ms)
	assert.InDelta(t, 14.2, s.Readings[feed].Value, tolerance[feed], "as of the scan before")
	assert.Less(t, s.Readings[feed].At, time.Second)
	for s.At-s.Took < 1430*ms {
		assert.False(t, s.Readings[feed].Fresh)
		s = r.next(t)
	}
	assert.Greater(t, r.until(t, 1440*ms).Readings[feed].At, 1420*ms, "made up for after 150 ms")
}

// Another contact makes one more scan and leaves the pace as it is.
func TestOtherContactScansOnce(t *testing.T) {
	r := newRig(t, nil)
	r.press(1, 1500*ms, time.Minute)
	r.until(t, time.Second)
	s := r.next(t)
	assert.Equal(t, 1500*ms, s.At-s.Took)
	assert.False(t, s.Fast)
	assert.Equal(t, []sensors.Edge{{Contact: 1, On: true, At: 1500 * ms}}, s.Edges)
	s = r.next(t)
	assert.Equal(t, 2*time.Second, s.At-s.Took)
	assert.Empty(t, s.Edges)
	assert.True(t, s.Contacts[1].On)
}

// Without a contact the current tells: the slow scan that sees it is followed by fast ones at once.
func TestFastOnCurrentAlone(t *testing.T) {
	r := newRig(t, func(c *sensors.Config) {
		c.Contacts = 0
		c.Schedule.RunContact = -1
		c.Schedule.RunChannels = []int{ampA, ampB}
		c.Schedule.RunBelow = -20
	})
	r.value[ampA], r.value[ampB] = -9, -9
	assert.False(t, r.until(t, 2*time.Second).Fast)
	assert.False(t, r.next(t).Fast, "18 A is no motor")
	r.value[ampA], r.value[ampB] = -62, -58
	first := *r.next(t)
	assert.False(t, first.Fast)
	s := r.next(t)
	assert.True(t, s.Fast)
	assert.Equal(t, first.At, s.At-s.Took)
	assert.InDelta(t, -62, s.Readings[ampA].Value, tolerance[ampA])
	stop := r.now
	r.value[ampA], r.value[ampB] = 0, 0
	for s.Fast {
		s = r.next(t)
	}
	assert.InDelta(t, 2.0, (s.At - s.Took - stop).Seconds(), 1, "two seconds of tail, then the next whole second")
	assert.Greater(t, s.At-s.Took-stop, 2*time.Second)
}

// A current sensor at the end of its range, as at an inrush, still says that the motor runs; a dead
// one does not.
func TestCurrentAloneWithAFaultySensor(t *testing.T) {
	current := func(c *sensors.Config) {
		c.Contacts = 0
		c.Schedule.RunContact, c.Schedule.RunChannels, c.Schedule.RunBelow = -1, []int{ampA}, -20
		set(c, ampA).FullScale = ads1115.Range2V048
		c.Channels[ampA].Scale = calibration.Hall{ZeroV: 1, VPerA: -0.01} // 2.048 V is -104.8 A
	}
	r := newRig(t, current)
	r.chips[1].Connect(2, func(time.Duration) float64 { return 3 })
	s := r.next(t)
	assert.Equal(t, sensors.Saturated, s.Readings[ampA].Fault)
	assert.InDelta(t, -104.8, s.Readings[ampA].Value, 0.01, "the end of the range")
	assert.True(t, r.next(t).Fast)

	r = newRig(t, current)
	r.chips[1].Absent(true)
	for range 10 {
		assert.False(t, r.next(t).Fast)
	}
}

// A contact that never opens again does not keep the board busy for good.
func TestLongestRun(t *testing.T) {
	r := newRig(t, func(c *sensors.Config) { c.Schedule.RunMax = 10 * time.Second })
	r.press(0, 1500*ms, time.Hour)
	r.until(t, 14*time.Second)
	s := r.next(t)
	assert.False(t, s.Fast)
	assert.Equal(t, 15*time.Second, s.At-s.Took)
	assert.InDelta(t, 12.0*1000/4.03, r.board.Stats().FastScans, 520, "ten seconds and the tail")

	r.press(0, 3602*time.Second, time.Second)
	s = r.until(t, 3602*time.Second)
	assert.True(t, s.Fast, "the next run is a run again")
}

// A touch that debouncing has not judged yet gets a short while of fast scans, so that nothing of a
// run's start is lost; one that chatters gets no more than one such while in a second.
func TestLooksAheadOfDebouncing(t *testing.T) {
	r := newRig(t, nil)
	for at := 1500 * ms; at < 11500*ms; at += 5 * ms {
		r.stirs = append(r.stirs, at)
	}
	r.until(t, time.Second)
	s := r.next(t)
	assert.True(t, s.Fast)
	assert.Equal(t, 1500*ms, s.At-s.Took)
	assert.Empty(t, s.Edges)
	tempAt := time.Duration(0)
	for s.At < 12*time.Second {
		s = r.next(t)
		assert.Less(
			t,
			s.At-s.Readings[tempA].At,
			1600*ms,
			"the channels that are not read in a run are not kept waiting",
		)
		tempAt = s.Readings[tempA].At
	}
	assert.Greater(t, tempAt, 11*time.Second)
	assert.InDelta(t, 10*50/4.03, r.board.Stats().FastScans, 35)
}

func TestOneDisturbedTransferCostsNothing(t *testing.T) {
	for n := 1; n <= 2; n++ {
		r := newRig(t, nil)
		r.next(t)
		r.bus.NACK(0x48, n)
		s := r.next(t)
		for ch := range s.Readings {
			assert.Equal(t, sensors.None, s.Readings[ch].Fault)
			assert.InDelta(t, r.value[ch], s.Readings[ch].Value, tolerance[ch])
		}
		st := r.board.Stats()
		assert.Equal(t, uint64(n), st.Chips[0].Errors)
		assert.Equal(t, uint64(n), st.Chips[0].Retries)
		assert.True(t, st.Chips[0].Answering)
		assert.Zero(t, st.Chips[1].Errors)
		assert.Zero(t, st.Channels[voltA].Rejected())
	}
}

// Three failures use up a channel's tries: it has a fault, the chip's other channels have values.
func TestThreeDisturbedTransfersCostOneReading(t *testing.T) {
	r := newRig(t, nil)
	r.next(t)
	r.bus.NACK(0x48, 3)
	s := r.next(t)
	assert.Equal(t, sensors.NoAnswer, s.Readings[voltA].Fault)
	assert.False(t, s.Readings[voltA].Fresh)
	assert.Zero(t, s.Readings[voltA].Value, "not the value before")
	assert.Equal(t, []int{1, 2, 3, 4, 5, 6, 7}, fresh(s))
	assert.Equal(t, uint64(1), r.board.Stats().Channels[voltA].Faults[sensors.NoAnswer])
	assert.Equal(t, all(), fresh(r.next(t)))
}

// One chip gone: the other one's readings go on at their time, the dead one is asked once a scan.
func TestDeadChipDoesNotHoldUpTheOther(t *testing.T) {
	r := newRig(t, nil)
	healthy := r.next(t).Took
	r.chips[0].Absent(true)
	for range 100 {
		s := r.next(t)
		assert.Equal(t, []int{voltB, ampA, motor, tempB}, fresh(s))
		for _, ch := range []int{voltA, ampB, feed, tempA} {
			assert.Equal(t, sensors.NoAnswer, s.Readings[ch].Fault)
		}
		assert.False(t, s.Overrun)
		assert.LessOrEqual(t, s.Took, healthy+6*ms, "two back-offs at most")
	}
	st := r.board.Stats().Chips[0]
	assert.False(t, st.Answering)
	// Three scans of 3+1+1+1 tries, then one each: a refusal takes no time.
	assert.InDelta(t, 18+97, st.Errors, 3)
	assert.ErrorContains(t, st.Last, "on ads1115 48h: no answer")
}

// In a run the dead chip costs the living one next to nothing.
func TestDeadChipInARun(t *testing.T) {
	r := newRig(t, nil)
	r.press(0, 1500*ms, 5*time.Second)
	r.until(t, 1510*ms)
	r.chips[0].Absent(true)
	before := r.board.Stats().Chips[1].Conversions
	r.until(t, 3510*ms)
	rate := float64(r.board.Stats().Chips[1].Conversions-before) / 2
	assert.Greater(t, rate, 0.97/slowest860.Seconds(), "conversions a second of the living chip")
	s := r.next(t)
	assert.Equal(t, sensors.NoAnswer, s.Readings[tempA].Fault, "also the channels that are not read in a run")
}

// A short burst of disturbance in a run does not take the chip out of the run.
func TestBurstInARun(t *testing.T) {
	r := newRig(t, nil)
	r.press(0, 1500*ms, 5*time.Second)
	r.until(t, 1510*ms)
	r.bus.NACK(0x48, -1)
	begin := r.now
	r.until(t, begin+50*ms)
	r.bus.NACK(0x48, 0)
	for ok := false; !ok; {
		ok = r.next(t).Readings[voltA].Fresh
	}
	assert.Less(t, r.now-begin, 200*ms)
}

// After an outage all channels are back in the scan in which the chip answers again, the next or the one
// after it.
func TestChipAnswersAgain(t *testing.T) {
	r := newRig(t, nil)
	r.next(t)
	r.chips[0].Absent(true)
	r.until(t, 60*time.Second)
	r.chips[0].Absent(false)
	r.chips[0].BrownOut() // it comes back with its power-on settings
	back := r.now
	s := r.next(t)
	for !s.Readings[voltA].Fresh {
		s = r.next(t)
	}
	assert.Equal(t, all(), fresh(s))
	assert.LessOrEqual(t, s.At-back, 2100*ms)
	assert.True(t, r.board.Stats().Chips[0].Answering)
	for range 5 {
		at := s.At
		s = r.next(t)
		assert.Equal(t, all(), fresh(s))
		assert.InDelta(t, 1, (s.At - at).Seconds(), 0.05)
	}
}

// stalling is a bus whose adapter waits before it gives up.
type stalling struct {
	*board.Bus
	r     *rig
	stall time.Duration // 0: it does not
	spent time.Duration
}

func (b *stalling) Tx(addr uint16, w, r []byte) error {
	if b.stall > 0 {
		b.spent += b.stall
		b.r.pass(b.r.now+b.stall, false)
	}
	return b.Bus.Tx(addr, w, r)
}

func (b *stalling) TxAll(addr uint16, w, r [][]byte) error {
	if b.stall > 0 {
		return b.Tx(addr, w[0], r[0])
	}
	return b.Bus.TxAll(addr, w, r)
}

// A held bus takes half of the time at most, whatever the adapter's time-out; readings are back within four
// time-outs of each chip or two scans, and at the latest after the longest pause.
func TestAHeldBusIsLookedAtByWhatThatCosts(t *testing.T) {
	for _, stall := range []time.Duration{ms, 20 * ms, 200 * ms, time.Second, 3 * time.Second} {
		r := newRig(t, nil)
		bus := &stalling{Bus: r.bus, r: r}
		b, err := sensors.New(r.cfg, []sensors.Chip{
			ads1115.New(bus, 0x48, r.script), ads1115.New(bus, 0x49, r.script),
		}, r.script, r.script)
		require.NoError(t, err)
		r.board = b
		r.next(t)
		bus.stall = stall
		r.bus.Stick(true)
		begin := r.now
		r.until(t, begin+200*time.Second)
		assert.Less(t, bus.spent, (r.now-begin)/2, stall)
		r.bus.Stick(false)
		bus.stall = 0
		back := r.now
		for len(fresh(r.next(t))) < channels {
			require.Less(t, r.now-back, 13*time.Second, stall)
		}
		assert.LessOrEqual(t, r.now-back, max(2100*ms, 4*stall+1100*ms), stall)
	}
}

// Each transfer on a held bus costs the adapter's time-out: one is made for each chip and scan.
func TestStuckBus(t *testing.T) {
	r := newRig(t, nil)
	r.next(t)
	before := r.bus.Transfers()
	r.bus.Stick(true)
	s := r.next(t)
	for ch := range s.Readings {
		assert.Equal(t, sensors.BusStuck, s.Readings[ch].Fault, ch)
	}
	assert.Equal(t, uint64(2), r.bus.Transfers()-before, "one for each chip")
	r.until(t, 100*time.Second)
	assert.LessOrEqual(t, r.bus.Transfers()-before, uint64(2*100))
	r.bus.Stick(false)
	assert.Equal(t, all(), fresh(r.until(t, 102*time.Second)))
}

// A chip that lost its settings between start and result is started again, and its value is right.
func TestBrownOutDuringAScan(t *testing.T) {
	r := newRig(t, nil)
	r.next(t)
	dipped := false
	r.chips[1].Connect(0, func(time.Duration) float64 {
		if !dipped {
			dipped = true
			r.chips[1].BrownOut()
		}
		return board.Divider{TopOhm: 56e3, BottomOhm: 10e3}.PinV(12.61)
	})
	s := r.next(t)
	assert.Equal(t, all(), fresh(s))
	for ch := range s.Readings {
		assert.InDelta(t, r.value[ch], s.Readings[ch].Value, tolerance[ch])
	}
	st := r.board.Stats().Chips[1]
	assert.Equal(t, uint64(1), st.Retries)
	assert.Equal(t, sensors.Reset, sensors.FaultOf(st.Last))
}

func TestConversionThatNeverEnds(t *testing.T) {
	r := newRig(t, nil)
	r.next(t)
	r.chips[0].SlowReady(time.Hour)
	s := r.next(t)
	assert.Equal(t, []int{voltB, ampA, motor, tempB}, fresh(s))
	assert.Equal(t, sensors.NotReady, s.Readings[voltA].Fault)
	assert.Equal(t, sensors.NotReady, s.Readings[tempA].Fault)
	assert.Less(t, s.Took, 150*ms)
}

func TestValuesThatCannotBe(t *testing.T) {
	r := newRig(t, nil)
	r.chips[0].Open(0, 0)    // divider tap off, pulled down: 0 V is possible on this channel
	r.chips[0].Open(3, 3.3)  // thermistor cut
	r.chips[1].Open(0, 4.8)  // above the range
	r.chips[1].Open(2, -0.3) // current sensor without supply: -280 A
	r.chips[1].StickCode(1, -0x8000)
	s := r.next(t)
	assert.Equal(t, sensors.None, s.Readings[voltA].Fault)
	assert.Zero(t, s.Readings[voltA].Value)
	assert.Equal(t, sensors.OutOfRange, s.Readings[tempA].Fault)
	assert.Zero(t, s.Readings[tempA].Value)
	assert.Equal(t, sensors.Saturated, s.Readings[voltB].Fault)
	assert.InDelta(t, 4.096*6.6, s.Readings[voltB].Value, 1e-3)
	assert.Equal(t, sensors.OutOfRange, s.Readings[ampA].Fault)
	assert.InDelta(t, -280, s.Readings[ampA].Value, 0.02)
	assert.Equal(t, sensors.Saturated, s.Readings[motor].Fault)
	assert.InDelta(t, -4.096*6.6, s.Readings[motor].Value, 1e-3)
	assert.Equal(t, all(), fresh(s))
	st := r.board.Stats()
	assert.Equal(t, uint64(1), st.Channels[tempA].Faults[sensors.OutOfRange])
	assert.Equal(t, uint64(1), st.Channels[voltB].Rejected())
	assert.Zero(t, st.Chips[0].Errors, "the bus is sound")
}

// With the address straps of the two chips swapped the bus looks sound; what gives it away are
// quantities that cannot be.
func TestSwappedAddresses(t *testing.T) {
	r := newRig(t, nil)
	b, err := sensors.New(r.cfg, []sensors.Chip{
		ads1115.New(r.bus, 0x49, r.script), ads1115.New(r.bus, 0x48, r.script),
	}, r.script, r.script)
	require.NoError(t, err)
	r.chips[0].Connect(3, func(time.Duration) float64 { return board.Divider{TopOhm: 56e3, BottomOhm: 10e3}.PinV(0.1) })
	s, err := b.Next(t.Context())
	require.NoError(t, err)
	assert.InDelta(t, 12.61, s.Readings[voltA].Value, tolerance[voltA], "the other battery's voltage: possible")
	assert.Equal(t, sensors.OutOfRange, s.Readings[tempB].Fault, "a voltage where a thermistor should be")
}

// Both chips at an address where nobody is.
func TestWrongAddress(t *testing.T) {
	r := newRig(t, nil)
	b, err := sensors.New(r.cfg, []sensors.Chip{
		ads1115.New(r.bus, 0x4A, r.script), ads1115.New(r.bus, 0x4B, r.script),
	}, r.script, r.script)
	require.NoError(t, err)
	r.press(0, 500*ms, 5*time.Second)
	scans := 0
	for r.now < 10*time.Second {
		s, err := b.Next(t.Context())
		require.NoError(t, err)
		assert.Empty(t, fresh(s))
		scans++
	}
	assert.Less(t, scans, 500, "a fast board without an answering chip has a pace too")
}

func TestChannelWithoutScanIsNotSampled(t *testing.T) {
	r := newRig(t, nil)
	r.press(0, 1*ms, 10*ms)
	s := r.next(t)
	require.Equal(t, sensors.None, s.Readings[voltA].Fault)
	assert.Equal(t, sensors.NotSampled, s.Readings[tempA].Fault, "cut short before its turn")
	assert.False(t, s.Readings[tempA].Fresh)
}

func TestStopsWithItsContext(t *testing.T) {
	r := newRig(t, nil)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := r.board.Next(ctx)
	require.NoError(t, err)
	cancel()
	_, err = r.board.Next(ctx)
	assert.Same(t, context.Canceled, err)

	// In the middle of a scan, too.
	ctx, cancel = context.WithCancel(t.Context())
	r.chips[0].Connect(1, func(time.Duration) float64 { cancel(); return 1 })
	_, err = r.board.Next(ctx)
	assert.Same(t, context.Canceled, err)
	assert.Equal(t, all(), fresh(r.next(t)), "and can go on after")
}

// A caller that comes back late: one overrun, and the missed scans are left out.
func TestOverrun(t *testing.T) {
	r := newRig(t, nil)
	r.next(t)
	r.now = 3500 * ms
	s := r.next(t)
	assert.True(t, s.Overrun)
	assert.Equal(t, 3500*ms, s.At-s.Took)
	s = r.next(t)
	assert.False(t, s.Overrun)
	assert.Equal(t, 4*time.Second, s.At-s.Took)
	assert.Equal(t, uint64(1), r.board.Stats().Overruns)
}

func TestCorrectionIsApplied(t *testing.T) {
	r := newRig(t, func(c *sensors.Config) {
		c.Channels[ampA].Correction = calibration.Correction{OffsetAdd: 1.5, Gain: 1.1}
		c.Channels[voltA].Correction = calibration.Correction{Gain: 2}
		c.Channels[voltA].Max = 25
	})
	s := r.next(t)
	assert.InDelta(t, 0, s.Readings[ampA].Value, 0.011)
	assert.InDelta(t, 25.3, s.Readings[voltA].Value, 0.002)
	assert.Equal(t, sensors.OutOfRange, s.Readings[voltA].Fault, "the limits are for the corrected value")
}

func TestNewRefuses(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*sensors.Config)
		want   string
	}{
		{
			"chip", func(c *sensors.Config) { c.Channels[feed].Chip = 2 },
			"board: channels[4] feed: chip: 2: want 0 to 1",
		},
		{
			"two channels on one input", func(c *sensors.Config) { set(c, feed).Mux = ads1115.AIN0 },
			"board: channels[4] feed: input: AIN0 of chip 0: want one not used by channels[0] volt a",
		},
		{
			"no input", func(c *sensors.Config) { c.Channels[feed].Input = nil },
			"board: channels[4] feed: input: none: want one",
		},
		{
			"no scale", func(c *sensors.Config) { c.Channels[feed].Scale = nil },
			"board: channels[4] feed: scale: none: want one",
		},
		{
			"scale", func(c *sensors.Config) { c.Channels[feed].Scale = calibration.Divider{} },
			"board: channels[4] feed: scale: bottom_ohm: 0: want more than 0",
		},
		{
			"correction", func(c *sensors.Config) { c.Channels[feed].Correction.Gain = 3 },
			"board: channels[4] feed: correction: gain: 3: want 0.5 to 2",
		},
		{
			"limits", func(c *sensors.Config) { c.Channels[feed].Min = 40 },
			"board: channels[4] feed: possible range: 40 to 30: want min below max, both finite",
		},
		{
			"no limit", func(c *sensors.Config) { c.Channels[feed].Max = math.NaN() },
			"board: channels[4] feed: possible range: 0 to NaN: want min below max, both finite",
		},
		{
			"pace", func(c *sensors.Config) { c.Schedule.RestEvery = 0 },
			"board: schedule: rest every: 0s: want more than 0",
		},
		{
			"contact", func(c *sensors.Config) { c.Schedule.RunContact = 2 },
			"board: schedule: run contact: 2: want -1 for none, or less than 2",
		},
		{
			"run channel",
			func(c *sensors.Config) { c.Schedule.RunChannels, c.Schedule.RunBelow = []int{tempA, 8}, -1 },
			"board: schedule: run channels: temp a: not read during a run: want one that is\n" +
				"schedule: run channels: 8: want 0 to 7",
		},
		{
			"threshold", func(c *sensors.Config) { c.Schedule.RunChannels, c.Schedule.RunBelow = []int{ampA}, 20 },
			"board: schedule: run below: 20 A: want a discharge, below 0",
		},
		{
			"fields of the chip", func(c *sensors.Config) {
				set(c, feed).Mux, set(c, feed).FullScale, set(c, feed).RunRate = 8, 6, 8
			},
			"board: channels[4] feed: input: Mux(8): want AIN0-AIN1 to AIN3\n" +
				"range: FullScale(6): want 0.256 V to 6.144 V\n" +
				"rates: 128 SPS, Rate(8): want 8 SPS to 860 SPS",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := rigConfig()
			tt.change(&cfg)
			s := &script{on: make([]bool, 2)}
			_, err := sensors.New(cfg, make([]sensors.Chip, 2), s, s)
			assert.EqualError(t, err, tt.want)
		})
	}
	_, err := sensors.New(rigConfig(), make([]sensors.Chip, 2), nil, &script{})
	assert.EqualError(t, err, "board: contacts: 2: want 0 on a board without contacts")
}

// Whatever happens on the bus and at the contacts: a reading without a fault is right, nothing lies
// in the future, every edge comes out once and in order, and no scan takes long.
func TestAnyTrouble(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, func(c *sensors.Config) { c.Schedule.RunChannels, c.Schedule.RunBelow = []int{ampA, ampB}, -20 })
		at := time.Duration(0)
		for _, gap := range rapid.SliceOfN(rapid.IntRange(10, 3000), 0, 12).Draw(rt, "contact gaps ms") {
			at += time.Duration(gap) * ms
			contact := rapid.IntRange(0, 1).Draw(rt, "contact")
			r.press(contact, at, 5*ms)
			at += 5 * ms
		}
		expected := slices.Clone(r.changes)
		var got []sensors.Edge
		for range rapid.IntRange(1, 60).Draw(rt, "scans") {
			r.trouble(rt)
			before := r.now
			s := r.next(t)
			got = append(got, s.Edges...)
			r.check(rt, s, before)
		}
		for r.now <= at {
			got = append(got, r.next(t).Edges...)
		}
		got = append(got, r.next(t).Edges...)
		if !slices.Equal(got, expected) {
			rt.Fatalf("edges: got %v, want %v", got, expected)
		}
	})
}

func (r *rig) trouble(t *rapid.T) {
	i := rapid.IntRange(0, 1).Draw(t, "chip")
	switch rapid.IntRange(0, 9).Draw(t, "trouble") {
	case 0:
		r.bus.NACK(uint16(0x48+i), rapid.IntRange(0, 9).Draw(t, "refused"))
	case 1:
		r.chips[i].Absent(rapid.Bool().Draw(t, "absent"))
	case 2:
		r.bus.Stick(rapid.Bool().Draw(t, "stuck"))
	case 3:
		r.chips[i].BrownOut()
	case 4:
		r.chips[i].SlowReady(time.Duration(rapid.IntRange(0, 12).Draw(t, "late ms")) * ms)
	}
}

func (r *rig) check(t *rapid.T, s *sensors.Scan, before time.Duration) {
	if s.At != r.now || s.Took < 0 || s.Took > 400*ms || s.At-before > 1500*ms {
		t.Fatalf("scan at %v, took %v, now %v, called at %v", s.At, s.Took, r.now, before)
	}
	for ch, reading := range s.Readings {
		switch {
		case reading.At > s.At:
			t.Fatalf("channel %d: of %v, in a scan of %v", ch, reading.At, s.At)
		case reading.Fault == sensors.None && !(math.Abs(reading.Value-r.value[ch]) <= tolerance[ch]):
			t.Fatalf("channel %d: got %g, want %g or a fault", ch, reading.Value, r.value[ch])
		case reading.Fault != sensors.None && (reading.Value != 0 || reading.Fresh):
			t.Fatalf("channel %d: got %+v, want no value with a fault of the bus", ch, reading)
		}
	}
	for _, e := range s.Edges {
		if e.At > s.At {
			t.Fatalf("edge at %v in a scan of %v", e.At, s.At)
		}
	}
}

// The emulated chips without bus bytes give the same scans as the registers through the driver.
func TestDirectPathGivesTheSameScans(t *testing.T) {
	run := func(r *rig) []string {
		r.press(0, 1700*ms, 300*ms)
		r.press(1, 7*time.Second, time.Second)
		var log []string
		for r.now < 15*time.Second {
			if r.now > 5*time.Second {
				r.chips[0].Absent(r.now < 8*time.Second)
			}
			s := r.next(t)
			log = append(log, fmt.Sprintf("%v %v %v %+v %v %v", s.At, s.Took, s.Fast, s.Readings, s.Contacts, s.Edges))
		}
		return log
	}
	registers := newRig(t, nil)
	short := newRig(t, nil)
	b, err := sensors.New(
		short.cfg,
		[]sensors.Chip{ads1115.Over(direct{short.chips[0]}), ads1115.Over(direct{short.chips[1]})},
		short.script,
		short.script,
	)
	require.NoError(t, err)
	short.board = b
	assert.Equal(t, run(registers), run(short))
}

func TestScanDoesNotAllocate(t *testing.T) {
	for _, fast := range []bool{false, true} {
		r := newRig(t, func(c *sensors.Config) { c.Schedule.RunMax = 0 })
		if fast {
			r.press(0, 0, time.Hour)
		}
		r.until(t, 2*time.Second)
		ctx := t.Context()
		assert.Zero(t, testing.AllocsPerRun(200, func() { _, _ = r.board.Next(ctx) }), "fast: %v", fast)
	}
}

// One scan of eight channels on two chips, all layers down to the emulated registers.
func BenchmarkScan8(b *testing.B) {
	bench := func(b *testing.B, r *rig) {
		ctx := b.Context()
		b.ReportAllocs()
		for b.Loop() {
			if _, err := r.board.Next(ctx); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.Run("registers", func(b *testing.B) { bench(b, newRig(b, nil)) })
	b.Run("direct", func(b *testing.B) {
		r := newRig(b, nil)
		short, err := sensors.New(
			r.cfg,
			[]sensors.Chip{ads1115.Over(direct{r.chips[0]}), ads1115.Over(direct{r.chips[1]})},
			r.script,
			r.script,
		)
		if err != nil {
			b.Fatal(err)
		}
		r.board = short
		bench(b, r)
	})
}

// A correction that is taken in mid-work holds from the next scan on, also for a channel that a scan of a
// run does not read; an impossible one is refused and changes nothing.
func TestCorrectInMidWork(t *testing.T) {
	r := newRig(t, nil)
	s := r.next(t)
	amps, warm := s.Readings[ampA].Value, s.Readings[tempA].Value
	r.press(0, r.now+ms, 3*time.Second)
	require.NoError(t, r.board.Correct(ampA, calibration.Correction{OffsetAdd: -0.5, Gain: 1.02}))
	require.NoError(t, r.board.Correct(tempA, calibration.Correction{OffsetAdd: 1.5}))
	s = r.next(t)
	require.True(t, s.Fast)
	assert.InDelta(t, (amps-0.5)*1.02, s.Readings[ampA].Value, tolerance[ampA])
	if !s.Readings[tempA].Fresh {
		assert.InDelta(t, warm+1.5, s.Readings[tempA].Value, tolerance[tempA], "an older value, as it is corrected now")
	}
	assert.ErrorContains(t, r.board.Correct(ampA, calibration.Correction{Gain: 3}), "gain: 3: want 0.5 to 2")
	assert.Equal(t, calibration.Correction{OffsetAdd: -0.5, Gain: 1.02}, r.board.Correction(ampA))
	require.NoError(t, r.board.Correct(tempA, calibration.Correction{OffsetAdd: 500}))
	s = r.next(t)
	assert.Equal(t, sensors.OutOfRange, s.Readings[tempA].Fault)
}
