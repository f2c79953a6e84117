package fit

import (
	"liftbank/agent/config"
	"liftbank/sensors"
)

// Scanned returns a scan of a board as the fitting takes it.
func Scanned(cfg *config.Config, s *sensors.Scan) Frame {
	f := FrameOf(cfg)
	f.At = s.At
	for i := range s.Readings {
		r := &s.Readings[i]
		f.Readings[i].Value = r.Value
		switch r.Fault {
		case sensors.None:
		case sensors.OutOfRange:
			if r.Value == 0 {
				f.Readings[i].Fault = r.Fault.String()
			}
		case sensors.NoAnswer, sensors.BusStuck, sensors.NotReady, sensors.Reset:
			f.Readings[i].Fault, f.Readings[i].Lost = r.Fault.String(), true
		default:
			f.Readings[i].Fault = r.Fault.String()
		}
	}
	for i, c := range s.Contacts {
		switch {
		case c.Known && c.On:
			f.Contacts[i] = On
		case c.Known:
			f.Contacts[i] = Off
		}
	}
	return f
}

// ChipWatch notices chips that lost their settings and had them again before anybody could see it in a
// reading.
type ChipWatch struct{ errors []uint64 }

// Mark takes the readings of chips that have lost their settings since the frame before out of a frame.
func (w *ChipWatch) Mark(cfg *config.Config, stats *sensors.Stats, f *Frame) {
	if w.errors == nil {
		w.errors = make([]uint64, len(stats.Chips))
	}
	for i := range stats.Chips {
		c := &stats.Chips[i]
		lost := c.Errors > w.errors[i] && c.Last != nil && sensors.FaultOf(c.Last) == sensors.Reset
		w.errors[i] = c.Errors
		for ch := range cfg.Board.Channels {
			if lost && cfg.Board.Channels[ch].Chip == cfg.Board.Chips[i].Name {
				f.Readings[ch].Fault, f.Readings[ch].Lost = sensors.Reset.String(), true
			}
		}
	}
}

// unitOf is what a step is about; empty: everything.
var unitOf = map[Kind]string{Post: "V", Negative: "V", MotorRun: "V", Run: "A", Warm: "°C", Degrees: "°C"}

// onPaper reports whether nothing is measured in the step.
func (st *Step) onPaper() bool { return st.Kind == Begin || st.Kind == Label }

// Shows reports whether what a channel shows is of use in the step.
func (st *Step) Shows(c *config.Channel) bool {
	want := unitOf[st.Kind]
	return !st.onPaper() && (want == "" || want == c.Unit())
}

// ShowsContacts reports whether what the contacts show is of use in the step.
func (st *Step) ShowsContacts() bool { return !st.onPaper() && unitOf[st.Kind] == "" }
