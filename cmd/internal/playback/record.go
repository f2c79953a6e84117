package playback

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"strings"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/cmd/internal/trial"
)

// Record writes a trial's recording.
type Record struct {
	w     io.Writer
	gz    *gzip.Writer // nil: plain
	enc   *recording.Encoder
	unit  string
	buf   []byte
	begun bool
}

// NewRecord returns a record that writes to w, with gzip if the file's name asks for it.
func NewRecord(w io.Writer, name string, cfg *config.Config) *Record {
	r := &Record{w: w, enc: recording.NewEncoder(cfg), unit: cfg.Unit.ID}
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
	r.enc.Work(t.Core.Worked())
	r.buf = r.enc.Scan(r.buf, scan, in.At.Wall, in.At.WallTrusted)
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
