package playback

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/cmd/internal/trial"
	"liftbank/sim"
)

// Truth appends a simulated unit's truth to its recording, once a minute.
type Truth struct {
	unit *sim.Unit
	due  time.Duration
}

// truthEvery is how often the truth is written: charge moves slowly, and a run is a reading's.
const truthEvery = time.Minute

// NewTruth returns the truth of a unit.
func NewTruth(unit *sim.Unit) *Truth { return &Truth{unit: unit} }

// Append appends the truth if it is time to.
func (t *Truth) Append(b []byte, at time.Duration) []byte {
	if at < t.due {
		return b
	}
	t.due = (at/truthEvery + 1) * truthEvery
	truth := t.unit.Truth()
	add := func(name, battery string, v float64) {
		b = recording.AppendTruth(b, at, recording.TruthPrefix+name, battery, v)
	}
	for i := range truth.Batteries {
		bat := &truth.Batteries[i]
		b = recording.AppendTruth(b, at, recording.TrueSoC, bat.ID, bat.SoCPct)
		add("capacity_ah", bat.ID, bat.CapacityAh)
		add("resistance_mohm", bat.ID, bat.ResistanceMohm)
		add("cranking_a", bat.ID, bat.CrankingA)
	}
	add("motor_runs", "", float64(truth.MotorRuns))
	return b
}

// Record writes a trial's recording.
type Record struct {
	w     io.Writer
	gz    *gzip.Writer // nil: plain
	enc   *recording.Encoder
	truth *Truth
	unit  string
	buf   []byte
	begun bool
}

// NewRecord returns a record that writes to w, with gzip if the file's name asks for it.
func NewRecord(w io.Writer, name string, cfg *config.Config, unit *sim.Unit) *Record {
	r := &Record{w: w, enc: recording.NewEncoder(cfg), truth: NewTruth(unit), unit: cfg.Unit.ID}
	if strings.HasSuffix(name, ".gz") {
		r.gz, _ = gzip.NewWriterLevel(w, gzip.BestSpeed) // an error means a wrong level only
		r.w = r.gz
	}
	return r
}

// Step writes a trial's last scan.
func (r *Record) Step(t *trial.Trial) error {
	in, scan := t.Core.Input(), t.Core.Scan()
	if !r.begun {
		r.begun = true
		r.buf = r.enc.Begin(r.buf, recording.Header{Unit: r.unit, Start: t.Rig.Unit.StartWall(), Zone: "UTC"})
	}
	r.buf = r.enc.Scan(r.buf, scan, in.At.Wall, in.At.WallTrusted)
	r.buf = r.truth.Append(r.buf, scan.At)
	const enough = 64 << 10
	if len(r.buf) < enough {
		return nil
	}
	return r.flush()
}

func (r *Record) flush() error {
	_, err := r.w.Write(r.buf)
	r.buf = r.buf[:0]
	if err != nil {
		return fmt.Errorf("write recording: %w", err)
	}
	return nil
}

// Close writes what is left.
func (r *Record) Close() error {
	err := r.flush()
	if r.gz != nil {
		err = errors.Join(err, r.gz.Close())
	}
	return err
}
