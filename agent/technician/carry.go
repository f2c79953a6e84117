package technician

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
)

// Pin is what a channel's correction was measured at: the input, and how the configuration made a value of
// it. A correction belongs to the sensor that is there, whatever the channel is called.
type Pin struct {
	Chip        string               `json:"chip"`
	Input       string               `json:"input"`
	Kind        string               `json:"scale"`
	Scale       map[string]float64   `json:"scale_fields"` // those that are not 0
	Calibration calibrate.Correction `json:"calibration"`  // of the configuration
}

// PinOf returns the pin of a channel.
func PinOf(ch *config.Channel) Pin {
	p := Pin{Chip: ch.Chip, Kind: string(ch.Scale.Kind), Scale: map[string]float64{},
		Calibration: calibrate.Correction{Offset: ch.Calibration.Offset, Gain: gainOf(ch.Calibration.Gain)}}
	if ch.Input != nil {
		p.Input = ch.Input.Name()
	}
	s := &ch.Scale
	for name, x := range map[string]float64{
		"top_ohm": s.TopOhm, "bottom_ohm": s.BottomOhm, "zero_v": s.ZeroV, "v_per_a": s.VPerA, "shunt_ohm": s.ShuntOhm, "gain": s.Gain,
		"r25_ohm": s.R25Ohm, "beta_k": s.BetaK, "a": s.A, "b": s.B, "c": s.C, "pullup_ohm": s.PullupOhm, "supply_v": s.SupplyV,
		"full_scale_v": s.FullScaleV, "full_scale_bar": s.FullScaleBar,
	} {
		if x != 0 {
			p.Scale[name] = x
		}
	}
	return p
}

func gainOf(g float64) float64 {
	if g == 0 {
		return 1
	}
	return g
}

func (p *Pin) same(o *Pin) bool {
	return p.Chip == o.Chip && p.Input == o.Input && p.Kind == o.Kind && p.Calibration == o.Calibration && maps.Equal(p.Scale, o.Scale)
}

// turned returns the pin with its sensor the other way round; ok is false where there is no such thing.
func (p *Pin) turned() (o Pin, ok bool) {
	field := map[string]string{string(config.Hall): "v_per_a", string(config.Shunt): "gain"}[p.Kind]
	if field == "" {
		return o, false
	}
	o = *p
	o.Scale = maps.Clone(p.Scale)
	o.Scale[field] = -o.Scale[field]
	o.Calibration.Offset = 0 - o.Calibration.Offset
	return o, true
}

// Fate is what becomes of a correction with another configuration.
type Fate string

// Fates.
const (
	Kept    Fate = "kept"    // nothing of its channel changes, but the battery perhaps
	Turned  Fate = "turned"  // its sensor is the other way round: so is its offset
	Dropped Fate = "dropped" // the channel has another scale or calibration, or is gone
)

// fate returns what becomes of a correction that was measured at p with what is there now.
func (p *Pin) fate(now *Pin) Fate {
	if p.same(now) {
		return Kept
	}
	if t, ok := p.turned(); ok && t.same(now) {
		return Turned
	}
	return Dropped
}

func turn(c calibrate.Correction) calibrate.Correction { c.Offset = 0 - c.Offset; return c }

// turnRound returns a record as it would be of a sensor the other way round.
func turnRound(r calibrate.Record) calibrate.Record {
	r.Before, r.After, r.Points = turn(r.Before), turn(r.After), slices.Clone(r.Points)
	for i := range r.Points {
		p := &r.Points[i]
		p.Meter, p.Before, p.After = 0-p.Meter, 0-p.Before, 0-p.After
	}
	return r
}

// at returns the channel at a pin, nil for none.
func at(cfg *config.Config, p *Pin) *config.Channel {
	for i := range cfg.Board.Channels {
		if now := PinOf(&cfg.Board.Channels[i]); now.Chip == p.Chip && now.Input == p.Input {
			return &cfg.Board.Channels[i]
		}
	}
	return nil
}

func named(cfg *config.Config, name string) *config.Channel {
	for i := range cfg.Board.Channels {
		if cfg.Board.Channels[i].Name() == name {
			return &cfg.Board.Channels[i]
		}
	}
	return nil
}

// Settle has each correction of a channel go with its sensor: to the channel that is at its input in this
// configuration, turned round if the sensor is. One whose channel has another scale or calibration than it
// was measured with is not used; it stays in the file, for a configuration that is put back. The file is as
// it was until something is set.
func (o *Overlay) Settle(cfg *config.Config) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.doc, o.dropped = o.doc.settled(cfg)
}

// settled returns the document for a configuration, and the channels whose correction does not hold.
func (d *document) settled(cfg *config.Config) (document, map[string]bool) {
	next := *d
	next.Settings, next.Pins, next.Calibrations = maps.Clone(d.Settings), map[string]Pin{}, maps.Clone(d.Calibrations)
	dropped := map[string]bool{}
	for name := range d.Pins { // they come back below, under the names that they have now
		for _, part := range []string{Offset, Gain} {
			delete(next.Settings, ChannelPath(name, part))
		}
		delete(next.Calibrations, name)
	}
	names := slices.Sorted(maps.Keys(d.Pins))
	slices.SortStableFunc(names, func(a, b string) int { // those whose input is there come first
		p, q := d.Pins[a], d.Pins[b]
		if there := at(cfg, &p) != nil; there != (at(cfg, &q) != nil) {
			if there {
				return -1
			}
			return 1
		}
		return 0
	})
	for _, name := range names {
		pin := d.Pins[name]
		ch, to, fate := at(cfg, &pin), name, Dropped
		if ch != nil {
			to = ch.Name()
			now := PinOf(ch)
			fate = pin.fate(&now)
		}
		if _, taken := next.Pins[to]; taken {
			continue // of an input that is gone, under the name of another
		}
		if next.Pins[to] = pin; fate != Dropped {
			next.Pins[to] = PinOf(ch)
		}
		dropped[to] = fate == Dropped
		for _, part := range []string{Offset, Gain} {
			s, set := d.Settings[ChannelPath(name, part)]
			if !set {
				continue
			}
			if fate == Turned && part == Offset {
				s.Value, s.Base = turnText(s.Value), turnText(s.Base)
			}
			next.Settings[ChannelPath(to, part)] = s
		}
		if r, is := d.Calibrations[name]; is {
			if fate == Turned {
				r = turnRound(r)
			}
			r.Channel = to
			next.Calibrations[to] = r
		}
	}
	return next, dropped
}

func turnText(text string) string {
	x, err := number(text)
	if err != nil {
		return text
	}
	return plain(0 - x)
}

// Stamp notes what corrections were measured at that an older program stored: so far they went by the name
// of their channel. It saves if there was one.
func (o *Overlay) Stamp(cfg *config.Config) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	next := o.doc
	next.Pins = maps.Clone(o.doc.Pins)
	for i := range cfg.Board.Channels {
		ch := &cfg.Board.Channels[i]
		name := ch.Name()
		if _, known := next.Pins[name]; known || !o.doc.corrects(name, ch) {
			continue
		}
		if next.Pins == nil {
			next.Pins = map[string]Pin{}
		}
		next.Pins[name] = PinOf(ch)
	}
	if len(next.Pins) == len(o.doc.Pins) {
		return nil
	}
	if err := o.save(&next); err != nil {
		return err
	}
	o.doc = next
	return nil
}

// corrects reports whether something is stored of a channel's correction, made over what the configuration has.
func (d *document) corrects(name string, ch *config.Channel) bool {
	_, some := d.Calibrations[name]
	for part, has := range map[string]float64{Offset: ch.Calibration.Offset, Gain: ch.Calibration.Gain} {
		if s, set := d.Settings[ChannelPath(name, part)]; set {
			if some = true; s.Base != plain(has) {
				return false
			}
		}
	}
	return some
}

// unusable returns why a correction does not hold; empty: it does.
func (d *document) unusable(cfg *config.Config, path string) string {
	name, _, is := CorrectionOf(path)
	pin, known := d.Pins[name]
	if !is || !known {
		return ""
	}
	now := PinOf(named(cfg, name))
	switch {
	case pin.same(&now):
		return ""
	case pin.Chip != now.Chip || pin.Input != now.Input:
		return fmt.Sprintf("it was measured at input %s of chip %s", pin.Input, pin.Chip)
	case pin.Calibration != now.Calibration:
		return fmt.Sprintf("the configuration's calibration has changed since, from offset %g and gain %g", pin.Calibration.Offset, pin.Calibration.Gain)
	}
	return "the configuration's scale of this channel has changed since"
}

// Carried is a correction that is in use, and what becomes of it with another configuration.
type Carried struct {
	Channel string
	To      string // its channel then
	Now     calibrate.Correction
	Then    calibrate.Correction
	Fate    Fate
	By      string
	At      time.Time
}

// Carried returns what becomes of the corrections that are in use with the configuration now, with the one
// that is next.
func (o *Overlay) Carried(now, next *config.Config) (all []Carried) {
	effective, list := o.Apply(*now)
	for i := range effective.Board.Channels {
		ch := &effective.Board.Channels[i]
		c := Carried{Channel: ch.Name(), To: ch.Name(), Now: calibrate.Correction{Offset: ch.Calibration.Offset, Gain: gainOf(ch.Calibration.Gain)}}
		for _, e := range list {
			if name, _, is := CorrectionOf(e.Path); is && name == c.Channel && e.Origin == FromTechnician && e.Unused == "" {
				c.By, c.At = e.By, e.At
			}
		}
		if c.By == "" && c.At.IsZero() {
			continue
		}
		pin := PinOf(&now.Board.Channels[i])
		c.Fate, c.Then = Dropped, c.Now
		if then := at(next, &pin); then != nil {
			is := PinOf(then)
			c.To, c.Fate = then.Name(), pin.fate(&is)
			if c.Fate == Dropped {
				c.Then = is.Calibration
			}
		}
		if c.Fate == Turned {
			c.Then = turn(c.Now)
		}
		all = append(all, c)
	}
	return all
}
