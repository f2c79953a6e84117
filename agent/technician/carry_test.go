package technician

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
	"liftbank/sensors/ads1115"
)

// rack is a unit with three current sensors and a tap, each at an input of its own.
func rack() *config.Config {
	c := unit()
	c.Bank.Batteries = append(c.Bank.Batteries, config.Battery{ID: "c", Chemistry: "agm", RatedAh: 100, RatedCCA: 700})
	c.Board.Channels = nil
	for i, id := range []string{"a", "b", "c"} {
		c.Board.Channels = append(c.Board.Channels, config.Channel{
			Signal: config.BatteryCurrent, Battery: id, Chip: "amps", Input: input(i),
			Scale: config.Scale{Kind: config.Hall, ZeroV: 1.65, VPerA: 0.003}, Calibration: config.Calibration{Gain: 1},
		})
	}
	c.Board.Channels = append(c.Board.Channels, config.Channel{
		Signal: config.FeedVoltage, Chip: "volts", Input: input(0), Calibration: config.Calibration{Gain: 1},
		Scale: config.Scale{Kind: config.Divider, TopOhm: 100e3, BottomOhm: 10e3},
	})
	return c
}

func input(n int) *ads1115.Input {
	return &ads1115.Input{Mux: []ads1115.Mux{ads1115.AIN0, ads1115.AIN1, ads1115.AIN2}[n]}
}

func corrected(channel string, offset, gain float64) Change {
	return Change{
		Values: map[string]string{ChannelPath(channel, Offset): plain(offset), ChannelPath(channel, Gain): plain(gain)},
		Calibrations: []calibrate.Record{{
			Channel: channel, By: "R. Vale", At: noon, Before: calibrate.Correction{Gain: 1}, After: calibrate.Correction{Offset: offset, Gain: gain},
			Points: []calibrate.At{{Meter: -80, Before: -79, After: -80}},
		}},
		By: "R. Vale", At: noon,
	}
}

// A correction goes with its sensor: to another battery's name, turned round with it; and it does not hold
// for another scale, until the old configuration is put back.
func TestCorrectionsGoWithTheirSensor(t *testing.T) {
	d := crash.New("/card")
	defer disk.Use(d)()
	o, err := Open("/card/technician.json")
	require.NoError(t, err)
	require.NoError(t, o.Set(rack(), corrected("battery_current_a", 0.3, 1.02)))
	require.NoError(t, o.Set(rack(), corrected("battery_current_c", -0.1, 0.98)))

	open := func(cfg *config.Config) *Overlay {
		o, err := Open("/card/technician.json")
		require.NoError(t, err)
		o.Settle(cfg)
		return o
	}
	swapped := rack()
	swapped.Board.Channels[0].Battery, swapped.Board.Channels[1].Battery = "b", "a"
	o = open(swapped)
	cfg, _ := o.Apply(*swapped)
	assert.Equal(t, config.Calibration{Offset: 0.3, Gain: 1.02}, cfg.Board.Channels[0].Calibration, "battery b now")
	assert.Equal(t, config.Calibration{Gain: 1}, cfg.Board.Channels[1].Calibration)
	assert.Nil(t, o.Calibration("battery_current_a"), "its undoing would be of another sensor")
	assert.Equal(t, "battery_current_b", o.Calibration("battery_current_b").Channel)

	turned := rack()
	turned.Board.Channels[0].Scale.VPerA *= -1
	o = open(turned)
	cfg, _ = o.Apply(*turned)
	assert.Equal(t, config.Calibration{Offset: -0.3, Gain: 1.02}, cfg.Board.Channels[0].Calibration)
	r := o.Calibration("battery_current_a")
	assert.Equal(t, calibrate.Correction{Offset: -0.3, Gain: 1.02}, r.After)
	assert.Equal(t, calibrate.At{Meter: 80, Before: 79, After: 80}, r.Points[0])

	scaled := rack()
	scaled.Board.Channels[0].Scale.VPerA *= 2
	o = open(scaled)
	cfg, all := o.Apply(*scaled)
	assert.Equal(t, config.Calibration{Gain: 1}, cfg.Board.Channels[0].Calibration)
	assert.Contains(t, effective(all, ChannelPath("battery_current_a", Offset)).Unused, "scale of this channel has changed")
	assert.Nil(t, o.Calibration("battery_current_a"))
	require.NoError(t, o.Set(scaled, corrected("battery_current_c", 0.2, 1)))

	recalibrated := rack()
	recalibrated.Board.Channels[0].Calibration.Gain = 1.05
	o = open(recalibrated)
	cfg, all = o.Apply(*recalibrated)
	assert.Equal(t, config.Calibration{Gain: 1.05}, cfg.Board.Channels[0].Calibration, "both parts go, or none")
	assert.Contains(t, effective(all, ChannelPath("battery_current_a", Offset)).Unused, "calibration has changed")

	back := open(rack())
	cfg, _ = back.Apply(*rack())
	assert.Equal(t, config.Calibration{Offset: 0.3, Gain: 1.02}, cfg.Board.Channels[0].Calibration, "put back, it holds again")
	assert.Equal(t, config.Calibration{Offset: 0.2, Gain: 1}, cfg.Board.Channels[2].Calibration)

	gone := rack()
	gone.Board.Channels = gone.Board.Channels[1:]
	o = open(gone)
	_, all = o.Apply(*gone)
	assert.Contains(t, effective(all, ChannelPath("battery_current_a", Offset)).Unused, "no such setting")

	// Set anew with another scale, it holds, and nothing is left of the one before.
	o = open(scaled)
	require.NoError(t, o.Set(scaled, corrected("battery_current_a", 0, 1.01)))
	cfg, _ = open(scaled).Apply(*scaled)
	assert.Equal(t, config.Calibration{Gain: 1.01}, cfg.Board.Channels[0].Calibration)
	cfg, _ = open(rack()).Apply(*rack())
	assert.Equal(t, config.Calibration{Gain: 1}, cfg.Board.Channels[0].Calibration)
}

// What an older program stored goes by the channel's name until it is stamped at the next start.
func TestCorrectionsOfAnOlderProgram(t *testing.T) {
	d := crash.New("/card")
	defer disk.Use(d)()
	require.NoError(t, safefile.Save("/card/t.json", []byte(`{"schema":"liftbank.technician.v1","settings":{
		"board.channels.battery_current_a.calibration.offset":{"value":"0.3","base":"0","by":"R. Vale"},
		"board.channels.battery_current_b.calibration.gain":{"value":"1.1","base":"0.9","by":"R. Vale"}}}`)))
	for range 2 {
		o, err := Open("/card/t.json")
		require.NoError(t, err)
		o.Settle(rack())
		require.NoError(t, o.Stamp(rack()))
	}
	swapped := rack()
	swapped.Board.Channels[0].Battery, swapped.Board.Channels[1].Battery = "b", "a"
	o, err := Look("/card/t.json")
	require.NoError(t, err)
	o.Settle(swapped)
	cfg, all := o.Apply(*swapped)
	assert.Equal(t, 0.3, cfg.Board.Channels[0].Calibration.Offset)
	assert.Contains(t, effective(all, ChannelPath("battery_current_b", Gain)).Unused, "has changed since")
	o, err = Open("/card/t.json")
	require.NoError(t, err)
	o.doc.Pins = nil
	d.FailWith(func(int, string, string) error { return assert.AnError })
	require.Error(t, o.Stamp(rack()))
	assert.Empty(t, o.doc.Pins)
}

// Whatever a fitting changes, what is said beforehand of each correction is what then holds, and put back it is
// as before. Swaps and turns, any number of times, change nothing of what a sensor is corrected by.
func TestWhatIsSaidOfCorrectionsComesTrue(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		now := rack()
		o, err := Open("")
		require.NoError(rt, err)
		for _, ch := range now.Board.Channels {
			if rapid.Bool().Draw(rt, "corrected") {
				require.NoError(rt, o.Set(now, corrected(ch.Name(), float64(rapid.IntRange(-9, 9).Draw(rt, "offset"))/10,
					1+float64(rapid.IntRange(-9, 9).Draw(rt, "gain"))/100)))
			}
		}
		first, _ := o.Apply(*now)
		for range rapid.IntRange(1, 4).Draw(rt, "changes") {
			next := *now
			next.Board.Channels = append([]config.Channel(nil), now.Board.Channels...)
			sound := true
			switch i, k := rapid.IntRange(0, 2).Draw(rt, "i"), rapid.IntRange(0, 2).Draw(rt, "k"); rapid.IntRange(0, 3).Draw(rt, "what") {
			case 0:
				c := next.Board.Channels
				c[i].Battery, c[k].Battery = c[k].Battery, c[i].Battery
			case 1:
				next.Board.Channels[i].Scale.VPerA *= -1
				next.Board.Channels[i].Calibration.Offset = 0 - next.Board.Channels[i].Calibration.Offset
			case 2:
				next.Board.Channels[i].Scale.ZeroV += 0.01
				sound = false
			case 3:
				next.Board.Channels[i].Calibration.Offset += 0.5
				sound = false
			}
			said := o.Carried(now, &next)
			was, _ := o.Apply(*now)
			o.Settle(&next)
			is, all := o.Apply(next)
			for _, c := range said {
				require.Equal(rt, config.Calibration{Offset: c.Then.Offset, Gain: c.Then.Gain}, named(&is, c.To).Calibration, "%+v", c)
				require.Equal(rt, c.Fate == Dropped, effective(all, ChannelPath(c.To, Gain)).Unused != "" || effective(all, ChannelPath(c.To, Offset)).Unused != "", "%+v", c)
				if c.Fate != Dropped && c.Now != (calibrate.Correction{Gain: 1}) {
					require.Equal(rt, "R. Vale", o.Calibration(c.To).By)
				}
			}
			if sound { // 100 A at the pin, as the sensor is wired
				for i := range is.Board.Channels[:3] {
					a, b := &was.Board.Channels[i], &is.Board.Channels[i]
					x, y := 0.3/a.Scale.VPerA, 0.3/b.Scale.VPerA
					x, y = (x+a.Calibration.Offset)*a.Calibration.Gain, (y+b.Calibration.Offset)*b.Calibration.Gain
					if x*y < 0 {
						y = -y
					}
					require.InDelta(rt, x, y, 1e-9)
				}
			}
			now = &next
		}
		home := rack()
		o.Settle(home)
		last, _ := o.Apply(*home)
		require.Equal(rt, first.Board.Channels[3].Calibration, last.Board.Channels[3].Calibration)
		for i := range last.Board.Channels {
			require.Contains(rt, []config.Calibration{first.Board.Channels[i].Calibration, home.Board.Channels[i].Calibration}, last.Board.Channels[i].Calibration)
		}
	})
}
