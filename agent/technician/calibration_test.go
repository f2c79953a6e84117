package technician

import (
	"math/rand/v2"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
)

func wired() *config.Config {
	c := unit()
	c.Board.Channels = []config.Channel{
		{Signal: config.BatteryCurrent, Battery: "a", Calibration: config.Calibration{Offset: 0.1, Gain: 1.01}},
		{Signal: config.FeedVoltage, Calibration: config.Calibration{Gain: 1}},
	}
	return c
}

func calibrated(offset, gain string) Change {
	return Change{
		Values: map[string]string{
			ChannelPath("battery_current_a", Offset): offset, ChannelPath("battery_current_a", Gain): gain,
		},
		Calibrations: []calibrate.Record{{
			Channel: "battery_current_a", Kind: calibrate.ByMeter, By: "R. Vale", At: noon,
			Before: calibrate.Correction{Offset: 0.1, Gain: 1.01}, After: calibrate.Correction{Offset: -0.24, Gain: 1.0132},
		}},
		By: "R. Vale", At: noon,
	}
}

// The correction of a channel is set like any other setting, over the configuration's, within what the
// configuration takes; its record goes with it.
func TestCorrectionsOfChannels(t *testing.T) {
	path := t.TempDir() + "/technician.json"
	o, err := Open(path)
	require.NoError(t, err)
	require.NoError(t, o.Set(wired(), calibrated("-0.24", "1.0132")))
	o, err = Open(path)
	require.NoError(t, err)
	base := wired()
	cfg, all := o.Apply(*base)
	assert.Equal(t, config.Calibration{Offset: -0.24, Gain: 1.0132}, cfg.Board.Channels[0].Calibration)
	assert.Equal(t, config.Calibration{Offset: 0.1, Gain: 1.01}, base.Board.Channels[0].Calibration, "the base stays")
	e := effective(all, "board.channels.battery_current_a.calibration.offset")
	assert.Equal(t, Effective{
		Path: e.Path, Value: "-0.24", Unit: "A", Origin: FromTechnician, Base: "0.1", By: "R. Vale", At: noon, Fixed: true,
	}, e)
	assert.Equal(t, FromConfiguration, effective(all, "board.channels.feed_voltage.calibration.gain").Origin)
	assert.Equal(t, 1.0132, o.Calibration("battery_current_a").After.Gain)
	assert.Nil(t, o.Calibration("feed_voltage"))
	assert.Len(t, o.Journal(), 2)

	for _, bad := range [][2]string{{"21", "1"}, {"0", "0.4"}, {"0", "2.1"}, {"much", "1"}, {"NaN", "1"}, {"0", "NaN"}, {"-Inf", "1"}} {
		assert.Error(t, o.Set(wired(), calibrated(bad[0], bad[1])), bad)
		cfg, _ = o.Apply(*wired())
		assert.Equal(t, -0.24, cfg.Board.Channels[0].Calibration.Offset)
	}
	changed := wired()
	changed.Board.Channels[0].Calibration.Offset = 0.3
	cfg, all = o.Apply(*changed)
	assert.Equal(t, 0.3, cfg.Board.Channels[0].Calibration.Offset, "somebody has changed the configuration there")
	assert.Contains(t, effective(all, "board.channels.battery_current_a.calibration.offset").Unused, "has changed since")
}

// Whichever operation on the card fails, and wherever the power is cut, correction and record are both of
// before, or both of after.
func TestEachOperationOfACalibrationFails(t *testing.T) {
	for nth := 1; ; nth++ {
		d := crash.New("/card")
		undo := disk.Use(d)
		o, err := Open("/card/technician.json")
		require.NoError(t, err)
		require.NoError(t, safefile.MakeDir("/card", 0o750))
		require.NoError(t, o.Set(wired(), calibrated("-0.1", "1")))
		from := d.Operations()
		failed := false
		d.FailWith(func(at int, _, _ string) error {
			if at == from+nth {
				failed = true
				return syscall.EIO
			}
			return nil
		})
		err = o.Set(wired(), calibrated("-0.24", "1.0132"))
		after := d.Cut(rand.New(rand.NewPCG(uint64(nth), 1)))
		undo()
		undo = disk.Use(after)
		back, openErr := Open("/card/technician.json")
		require.NoError(t, openErr)
		cfg, _ := back.Apply(*wired())
		got := cfg.Board.Channels[0].Calibration
		if err == nil {
			assert.Equal(t, config.Calibration{Offset: -0.24, Gain: 1.0132}, got, "operation %d", nth)
		} else {
			assert.Contains(t, []float64{-0.1, -0.24}, got.Offset, "operation %d", nth)
			assert.Equal(t, got.Offset == -0.24, got.Gain == 1.0132, "operation %d: both, or none", nth)
		}
		undo()
		if !failed {
			return
		}
	}
}
