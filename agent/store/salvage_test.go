package store

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
	"liftbank/agent/store/file"
	"liftbank/agent/store/outbox"
	"liftbank/cmd/slowtest"
)

const (
	pastMinutes = 1500
	pastRuns    = 200
)

// rounds is fewer under the race detector, which makes SQLite ten times slower.
func rounds(n int) int {
	switch {
	case slowtest.UnderRace:
		return n / 8
	case !slowtest.LongAsked():
		return n / 3
	}
	return n
}

func minuteMV(i int) int32 { return int32(12000 + i*7%900) }

func bodyOf(i int) string { return fmt.Sprintf("run %d %0*d", i, 20+i%50, i) }

// filled returns the bytes of a store's file with a past of which each row is known.
func filled(t *testing.T) []byte {
	t.Helper()
	dir, err := os.MkdirTemp(inMemory(), "store")
	require.NoError(t, err)
	defer os.RemoveAll(dir)
	h := open(t, dir, "s1", Limits{})
	for i := range pastMinutes {
		h.AddRow(trusted(time.Duration(i+1)*time.Minute), row(time.Duration(i)*time.Minute, minuteMV(i)))
		if i%100 == 0 {
			h.flush()
		}
	}
	for i := range pastRuns {
		at := time.Duration(i) * 5 * time.Minute
		h.AddRun(trusted(at), at, history.Run{DurationS: float64(i), MeanA: 100, PeakA: 300}, []byte(bodyOf(i)), []byte(bodyOf(i)))
	}
	h.flush()
	h.stop()
	data, err := os.ReadFile(filepath.Join(dir, file.Name))
	require.NoError(t, err)
	return data
}

// whatIsLeft opens a store on these bytes and checks that nothing in it is wrong: what is shown is as
// it was written, and each record that is gone has a gap. It returns how much is left.
func whatIsLeft(t *testing.T, data []byte, when string) (minutes, records int) {
	t.Helper()
	dir, err := os.MkdirTemp(inMemory(), "store")
	require.NoError(t, err)
	defer os.RemoveAll(dir)
	require.NoError(t, os.WriteFile(filepath.Join(dir, file.Name), data, 0o600))
	h := open(t, dir, "s2", Limits{})
	defer h.stop()
	require.Empty(t, h.Health().Problem, when)
	w, err := h.Window(t.Context(), history.Query{From: day0, To: day0.Add(pastMinutes * time.Minute), Points: pastMinutes})
	if err == nil && len(w.Series) > 0 {
		for i, v := range w.Series[0].Mean {
			if v != nil && *w.Series[0].Max[i]-*w.Series[0].Min[i] < 0.012 { // a minute, no aggregate
				minutes++
				assert.InDelta(t, float64(minuteMV(i))/1000, *v, 1e-9, when)
			}
		}
	}
	next := uint64(1)
	place := int64(0)
	for {
		list, err := h.After(t.Context(), outbox.Runs, place, 50)
		if err != nil || len(list) == 0 {
			break
		}
		for _, r := range list {
			place = r.ID
			if r.Session != "s1" {
				continue
			}
			require.Equal(t, next, r.From, when)
			next = r.Seq + 1
			if r.Gap != "" {
				assert.Equal(t, "store damaged", r.Gap, when)
				continue
			}
			records++
			assert.Equal(t, bodyOf(int(r.Seq)-1), string(r.Body), when)
		}
	}
	if records > 0 {
		assert.Equal(t, uint64(pastRuns+1), next, when)
	}
	return minutes, records
}

// One damaged page costs what was on it and not the past.
func TestADamagedPageCostsWhatWasOnIt(t *testing.T) {
	data := filled(t)
	minutes, records := whatIsLeft(t, data, "whole")
	require.Equal(t, pastMinutes, minutes)
	require.Equal(t, pastRuns, records)
	const page = 1024
	chance := rand.New(rand.NewPCG(5, 6))
	tries := rounds(40)
	little := 0 // damages that cost little
	for range tries {
		at := 1 + chance.IntN(len(data)/page-1)
		bad := append([]byte{}, data...)
		for i := range page {
			bad[at*page+i] = byte(chance.Uint32())
		}
		minutes, records = whatIsLeft(t, bad, fmt.Sprintf("page %d", at))
		if minutes+records > (pastMinutes+pastRuns)*9/10 {
			little++
		}
	}
	t.Logf("%d of %d damaged pages cost less than a tenth of the rows", little, tries)
	// The rest are pages that say where tables begin: some ten, however large the file.
	assert.Greater(t, little, tries*8/10)
}

// A flipped bit anywhere in the file is never shown as a value.
func TestAFlippedBitIsNeverShown(t *testing.T) {
	data := filled(t)
	chance := rand.New(rand.NewPCG(7, 8))
	for range rounds(60) {
		at := 100 + chance.IntN(len(data)-100) // not in SQLite's own header
		bad := append([]byte{}, data...)
		bad[at] ^= 1 << chance.IntN(8)
		whatIsLeft(t, bad, fmt.Sprintf("byte %d", at))
		if t.Failed() {
			return
		}
	}
}

// Damage that shows while the file is in use, and that took little: what can be read goes on, with
// its numbers, and what waits comes after it.
func TestWhatCanBeReadOfAFileInUseStays(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	for i := range 3 {
		h.AddRecord(trusted(0), outbox.Runs, []byte(bodyOf(i)))
	}
	h.flush()
	require.NoError(t, h.card.ask(t.Context(), func() error {
		h.card.abandon(file.ErrDamaged)
		h.card.fault(file.ErrDamaged)
		return nil
	}))
	h.AddRecord(trusted(time.Minute), outbox.Runs, []byte("x"))
	h.flush()
	assert.Empty(t, h.Health().Problem)
	assert.NotEmpty(t, h.Health().SetAside)
	assert.Equal(t, []string{"s1:1", "s1:2", "s1:3", "s1:4"}, h.numbers(outbox.Runs))
}
