package fitter_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/fit"
	"liftbank/cmd/internal/fitter"
	"liftbank/sim"
)

// The cable of the other battery is taken off: nothing is swapped for it, the step is asked for again, and
// done right it is all good.
func TestTheWrongBatteryIsParted(t *testing.T) {
	for name, text := range boards(t) {
		if len(parse(t, text).Bank.Batteries) < 2 {
			continue
		}
		tr := newTrial(t, text, nil, 5, true)
		first := true
		tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
			if st.ID != "part-a" || !first {
				return false
			}
			first = false
			f.Do(0, func(u *sim.Unit) { u.Part(1, true) })
			f.Run(12*time.Second, 10*time.Second)
			f.Do(0, func(u *sim.Unit) { u.Part(1, false) })
			f.Type(3*time.Second, func() string { return "" })
			return true
		}
		r := tr.run(t)
		assert.Empty(t, said(r, fit.Changed), "%s\n%s", name, &tr.out)
		assert.Empty(t, said(r, fit.ByHand), name)
		assert.False(t, r.Written)
	}
}

// Taps and sensors of two batteries are really swapped, both: done twice, it is believed.
func TestTapsAndSensorsAreSwappedAlike(t *testing.T) {
	m := func(names ...string) []fit.Change {
		cfg := parse(t, two(t))
		var all []fit.Change
		for _, n := range names {
			all = append(all, miswired(t, n)(&cfg)...)
		}
		return all
	}
	text, err := fit.Edit("unit.yaml", two(t), m("swapped-taps", "swapped-clamps"))
	require.NoError(t, err)
	tr := newTrial(t, two(t), nil, 5, true)
	w, err := disk.Now().OpenFile("/fit/unit.yaml", 0x241, 0o600)
	require.NoError(t, err)
	_, err = w.Write(text)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	r := tr.run(t)
	require.True(t, r.Written, "%s", &tr.out)
	assert.Equal(t, 2, strings.Count(tr.out.String(), "A run without battery a (step"))
	got, err := disk.ReadFile("/fit/unit.yaml")
	require.NoError(t, err)
	now := parse(t, got)
	assert.True(t, fit.Same(&tr.wired.Board, &now.Board))
}

// The clamp meter is on the other battery's cable, each time: nothing is calibrated to it.
func TestTheMeterIsOnTheWrongCable(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, false)
	n := 0
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		if st.Kind == fit.Begin {
			for _, line := range []string{"", "", "0.5", "0.1", ""} {
				f.Type(time.Second, func() string { return line })
			}
			return true
		}
		if st.ID != "run-b" {
			return false
		}
		if n++; n > 3 {
			f.Type(time.Second, func() string { return "skip" })
			return true
		}
		shown := 0.0
		f.Do(6*time.Second, func(u *sim.Unit) { u.Button(true) })
		f.Do(6*time.Second, func(u *sim.Unit) { shown = -u.Signals().Battery[0].CurrentA })
		f.Do(4*time.Second, func(u *sim.Unit) { u.Button(false) })
		f.Type(3*time.Second, func() string { return fmt.Sprintf("%.1f", shown) })
		return true
	}
	r := tr.run(t)
	assert.Contains(t, tr.out.String(), "was the meter on the right cable?")
	assert.Empty(t, said(r, fit.Changed))
}

// Everything at rest was looked at with the disconnect open: its contact is not inverted for that.
func TestTheDisconnectWasOpenAtFirst(t *testing.T) {
	tr := newTrial(t, two(t), nil, 5, true)
	looks := 0
	tr.fitter.Instead = func(f *fitter.Fitter, st fit.Step) bool {
		switch {
		case st.Kind == fit.Look:
			if looks++; looks == 1 {
				f.Do(0, func(u *sim.Unit) { u.Disconnect(false) })
				f.Type(8*time.Second, func() string { return "" })
				return true
			}
		case st.Kind == fit.Opened && looks == 1: // takes "open" for the other one
			f.Do(0, func(u *sim.Unit) { u.Disconnect(true) })
			f.Type(8*time.Second, func() string { return "" })
			return true
		case st.Kind == fit.Closed && looks == 1:
			f.Do(0, func(u *sim.Unit) { u.Disconnect(true) })
			f.Type(8*time.Second, func() string { return "" })
			return true
		}
		return false
	}
	r := tr.run(t)
	assert.Empty(t, said(r, fit.Changed), "%s", &tr.out)
	assert.Greater(t, looks, 1)
}
