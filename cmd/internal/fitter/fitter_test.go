package fitter_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/fit"
	"liftbank/agent/safefile"
	"liftbank/cmd/internal/fitter"
	"liftbank/cmd/internal/fitting"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/slowtest"
	"liftbank/sim/scenario"
)

// boards are the examples, and the reference board with one to four batteries.
func boards(t *testing.T) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	files, err := filepath.Glob(filepath.Join("..", "..", "..", "deploy", "board-*.yaml"))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 4)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		all[filepath.Base(file)] = text
	}
	for _, n := range []int{1, 3} {
		sc := scenario.Default()
		sc.Bank.Batteries = nil
		for k := range n {
			sc.Bank.Batteries = append(sc.Bank.Batteries, scenario.DefaultBattery("abcd"[k:k+1]))
		}
		sc.Complete()
		all[fmt.Sprintf("reference-%d.yaml", n)] = []byte(refboard.YAML(&sc, "lift-ref", refboard.Options{}))
	}
	return all
}

func parse(t *testing.T, text []byte) config.Config {
	t.Helper()
	cfg, err := config.Parse("unit.yaml", text)
	require.NoError(t, err, "%s", text)
	return cfg
}

// trial is one fitting on a disk in memory.
type trial struct {
	fitter *fitter.Fitter
	disk   *crash.Disk
	wired  config.Config
	text   []byte // as written
	out    bytes.Buffer
}

func newTrial(t *testing.T, wiredText []byte, wrong func(*config.Config) []fit.Change, seed uint64, errs bool) *trial {
	t.Helper()
	wired := parse(t, wiredText)
	tr := &trial{wired: wired, text: wiredText, disk: crash.New("/fit")}
	if wrong != nil {
		changes := wrong(&wired)
		if changes == nil {
			return nil
		}
		var err error
		tr.text, err = fit.Edit("unit.yaml", wiredText, changes)
		require.NoError(t, err)
	}
	r, meters, err := fitter.Unit(wired, seed, errs)
	require.NoError(t, err)
	tr.fitter = fitter.New(r)
	tr.fitter.Meters, tr.fitter.Echo = meters, &tr.out
	t.Cleanup(disk.Use(tr.disk))
	require.NoError(t, safefile.WriteFile("/fit/unit.yaml", tr.text))
	return tr
}

func (tr *trial) terminal(t *testing.T) *fitting.Terminal {
	t.Helper()
	text, err := disk.ReadFile("/fit/unit.yaml")
	require.NoError(t, err)
	return &fitting.Terminal{Path: "/fit/unit.yaml", Text: text, Config: parse(t, text), Write: safefile.WriteFile, Program: "test"}
}

func (tr *trial) run(t *testing.T) fitting.Result {
	t.Helper()
	r, err := tr.fitter.Go(t.Context(), tr.terminal(t))
	require.NoError(t, err, "%s", &tr.out)
	return r
}

func said(r fitting.Result, o fit.Outcome) (all []string) {
	for _, v := range r.Document.Verdicts {
		if v.Outcome == o {
			all = append(all, v.Subject+" "+v.Test+": "+v.Text)
		}
	}
	return all
}

// usual reports whether a mis-wiring of a board is tried each time: all that the usual board can have, and one that it can't.
// Where the longest tests are asked for all boards have all of them.
func usual(board, miswiring string) bool {
	return board == "board-two-batteries.yaml" || miswiring == "swapped-thermistors" && board == "reference-3.yaml"
}

// Each mis-wiring on each board: it is found, and the configuration then says what the board is.
func TestEachMiswiring(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for name, text := range boards(t) {
		for _, m := range fitter.Miswirings {
			t.Run(name+"/"+m.Name, func(t *testing.T) {
				if !usual(name, m.Name) {
					slowtest.Long(t)
				}
				tr := newTrial(t, text, m.Of, 7, true)
				if tr == nil {
					t.Log("this board can't have it")
					return
				}
				r := tr.run(t)
				assert.NotEmpty(t, said(r, fit.Changed))
				assert.Empty(t, said(r, fit.ByHand))
				require.True(t, r.Written, "%s", &tr.out)
				got, err := disk.ReadFile("/fit/unit.yaml")
				require.NoError(t, err)
				now := parse(t, got)
				assert.True(t, fit.Same(&tr.wired.Board, &now.Board), "%s", fit.Diff(text, got))
				if t.Failed() {
					t.Logf("%s", &tr.out)
				}
			})
		}
	}
}

// A sound board, with sensors and meters anywhere within their limits, changes nothing.
func TestASoundBoardChangesNothing(t *testing.T) {
	seeds := 2
	if os.Getenv("LIFTBANK_LONG") != "" {
		seeds = 50
	}
	for name, text := range boards(t) {
		for seed := range seeds {
			t.Run(fmt.Sprint(name, "/", seed), func(t *testing.T) {
				tr := newTrial(t, text, nil, uint64(seed+1), seed > 0)
				r := tr.run(t)
				assert.Empty(t, said(r, fit.Changed))
				assert.Empty(t, said(r, fit.ByHand))
				assert.False(t, r.Written)
				if t.Failed() {
					t.Logf("%s", &tr.out)
				}
			})
			if t.Failed() {
				return
			}
		}
	}
}
