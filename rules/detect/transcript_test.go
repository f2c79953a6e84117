package detect_test

import (
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/detect"
	"liftbank/rules/unit"
)

var update = flag.Bool("update", false, "write the transcripts that the findings give now")

// Each file of testdata is the course of one finding: blocks of commands (see played), and below
// ---- what becomes of it, in units of one, two, three and four batteries in parallel, two in series (s) and two
// strings of two (p) at once. A line that is
// not so in all of them begins with those in which it is. A restart between any two blocks changes
// nothing.
func TestTranscripts(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".txt")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.NotNil(t, detect.Lookup(name), "a transcript of no finding")
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			got := transcript(t, name, string(text), false)
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
				text = []byte(got)
			}
			assert.Equal(t, string(text), got)
			assert.Equal(t, got, transcript(t, name, string(text), true), "with a restart after each block")
		})
	}
}

func TestEveryFindingHasATranscript(t *testing.T) {
	for _, d := range detect.Catalog() {
		assert.FileExists(t, "testdata/"+d.Name+".txt")
	}
}

// Every reason why something is likely or can't be judged, and every word and figure of evidence,
// is said in a transcript: what none says, no test has seen.
func TestEveryTextIsInATranscript(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	var all strings.Builder
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		all.Write(text)
	}
	said := all.String()
	for id, text := range unit.Texts() {
		switch kind, _, _ := strings.Cut(id, "."); kind {
		case "why":
			assert.True(t, strings.Contains(said, "judged: "+text.English+"\n") || strings.Contains(said,
				"("+text.English+")\n"), id)
		case "word":
			assert.Contains(t, said, ": "+text.English+"\n", id)
		case "evidence":
			assert.Contains(t, said, "    "+text.English+": ", id)
		}
	}
}

// transcript plays a file and writes it again with what came of it.
func transcript(t *testing.T, name, text string, restarts bool) string {
	units, signs := drawnUnits(t, name)
	var out strings.Builder
	for block := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		commands, _, _ := strings.Cut(block+"\n", "----\n")
		out.WriteString(commands + "----\n")
		var said []line
		for i, u := range units {
			for command := range strings.SplitSeq(strings.TrimSpace(commands), "\n") {
				u.do(command)
			}
			said = merge(said, u.said, signs[i])
			u.said = nil
			if restarts {
				u.restart()
			}
		}
		for _, l := range said {
			if len(l.who) < len(units) {
				out.WriteString("[" + l.who + "] ")
			}
			out.WriteString(l.text + "\n")
		}
		out.WriteString("\n")
	}
	return strings.TrimSuffix(out.String(), "\n")
}

// drawnUnits returns units of one to four batteries in parallel, of two in series and of two such strings, with
// the sign that a transcript has for each.
func drawnUnits(t require.TestingT, name string) (units []*played, signs []string) {
	for n := 1; n <= unit.MaxBatteries; n++ {
		units, signs = append(units, newPlayed(t, name, n)), append(signs, strconv.Itoa(n))
	}
	units = append(units, newPlayedOf(t, name, unit.Series, 2), newPlayedOf(t, name, unit.SeriesPairs, 4))
	return units, append(signs, "s", "p")
}

// line is one line of a transcript, and the units that said it.
type line struct{ text, who string }

// merge adds what a unit of n batteries said to what smaller ones did: the longest row of lines
// that is in both stands once.
func merge(all []line, own []string, who string) (out []line) {
	// common[i][k] is how many lines all[i:] and own[k:] have in common.
	common := make([][]int, len(all)+1)
	for i := range common {
		common[i] = make([]int, len(own)+1)
	}
	for i, a := range slices.Backward(all) {
		for k, b := range slices.Backward(own) {
			if common[i][k] = max(common[i+1][k], common[i][k+1]); a.text == b {
				common[i][k] = common[i+1][k+1] + 1
			}
		}
	}
	i, k := 0, 0
	for i < len(all) || k < len(own) {
		switch {
		case i < len(all) && k < len(own) && all[i].text == own[k]:
			out = append(out, line{own[k], all[i].who + who})
			i, k = i+1, k+1
		case k == len(own) || i < len(all) && common[i+1][k] >= common[i][k+1]:
			out = append(out, all[i])
			i++
		default:
			out = append(out, line{own[k], who})
			k++
		}
	}
	return out
}
