package commands_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/commands"
)

type shared struct {
	Key string `placeholder:"FILE" help:"A file."`
}

type program struct {
	Help bool      `short:"h" help:"Show help."`
	Play playCmd   `cmd:"" help:"Play."`
	Near nearGroup `cmd:"" help:"A group."`
	Off  offCmd    `cmd:"" hidden:"" help:"Elsewhere."`
}

type playCmd struct {
	Name      string        `arg:"" help:"What."`
	More      []string      `arg:"" optional:"" help:"And more."`
	Speed     float64       `default:"60" placeholder:"N" help:"How fast (default ${default})."`
	For       time.Duration `help:"How long."`
	Past      *int          `help:"Days."`
	From      time.Time     `help:"From when."`
	Only      []int64       `placeholder:"N" help:"Only these."`
	Lang      string        `default:"en" enum:"en,es" help:"${enum}."`
	NewKeyOf  string        `required:"" placeholder:"NAME" help:"Needed."`
	JSON      bool          `name:"json" short:"j" help:"As JSON."`
	Unlimited bool          `hidden:"" help:"Not shown."`
	Keys      shared        `embed:""`
}

// Help says more.
func (playCmd) Help() string {
	return "A long line that has to be broken somewhere as it is longer than the eighty columns of a terminal.\n\n  kept   as it is\n\nThe end."
}

type nearGroup struct {
	By byCmd `cmd:"" help:"By."`
}

type byCmd struct{ shared }

type offCmd struct {
	Words []string `arg:"" optional:"" passthrough:""`
}

func parse(t *testing.T, line string) (p *program, cmd *commands.Command, done bool, err error) {
	t.Helper()
	p = &program{}
	cmd, done, err = commands.New("prog", "A program.", p).Parse(strings.Fields(line),
		func(_ *commands.Command, f *commands.Value) bool { return f.Name == "help" })
	return p, cmd, done, err
}

func TestParse(t *testing.T) {
	p, cmd, _, err := parse(t, "play --speed=2.5 a -j --new-key-of n --for 90s b --past -3 --only 1,2 --only 3 --lang es "+
		"--from 2026-03-09T06:30:00Z --key k - -- --c")
	require.NoError(t, err)
	assert.Equal(t, "play", cmd.Path())
	assert.Same(t, &p.Play, cmd.Target())
	three := -3
	assert.Equal(t, playCmd{
		Name: "a", More: []string{"b", "-", "--c"}, Speed: 2.5, For: 90 * time.Second, Past: &three, Only: []int64{1, 2, 3}, Lang: "es",
		From: time.Date(2026, 3, 9, 6, 30, 0, 0, time.UTC), NewKeyOf: "n", JSON: true, Keys: shared{"k"},
	}, p.Play)

	p, _, _, err = parse(t, "play a --new-key-of n --json=false")
	require.NoError(t, err)
	assert.Equal(t, playCmd{Name: "a", Speed: 60, Lang: "en", NewKeyOf: "n"}, p.Play, "defaults")

	p, cmd, _, err = parse(t, "near by --key x")
	require.NoError(t, err)
	assert.Equal(t, "near by", cmd.Path())
	assert.Equal(t, "x", p.Near.By.Key)

	p, _, _, err = parse(t, "off run --help -x y")
	require.NoError(t, err)
	assert.Equal(t, []string{"run", "--help", "-x", "y"}, p.Off.Words)

	for _, line := range []string{"--help", "-h play", "play --help", "near --help", "off --help", "play --help --nonsense"} {
		_, _, done, err := parse(t, line)
		require.NoError(t, err, line)
		assert.True(t, done, line)
	}
}

// Each error is of the command that it is for, and says what to do.
func TestErrors(t *testing.T) {
	for line, want := range map[string][2]string{
		"":                                          {"", "want one of play, near"},
		"nonsense":                                  {"", "nonsense: want one of play, near"},
		"near":                                      {"near", "want one of by"},
		"near by x":                                 {"near by", "unexpected argument x"},
		"play":                                      {"play", "missing: --new-key-of=NAME, <name>"},
		"play a":                                    {"play", "missing: --new-key-of=NAME"},
		"play a --nonsense":                         {"play", "unknown flag --nonsense"},
		"play a --new-key-of":                       {"play", "--new-key-of: want a value after it: --new-key-of=NAME"},
		"play a --new-key-of --json":                {"play", "--new-key-of: want a value after it, not the flag --json: --new-key-of=NAME"},
		"play a --new-key-of n --speed x":           {"play", `--speed: "x": want a number`},
		"play a --new-key-of n --for 3":             {"play", `--for: "3": want a time such as 90s, 10m or 48h`},
		"play a --new-key-of n --past 1.5":          {"play", `--past: "1.5": want a whole number`},
		"play a --new-key-of n --only 1,b":          {"play", `--only: "b": want a whole number`},
		"play a --new-key-of n --only 1" + nines:    {"play", `--only: "1` + nines + `": too large`},
		"play a --new-key-of n --lang fr":           {"play", `--lang: "fr": want en, es`},
		"play a --new-key-of n --from today":        {"play", `--from: "today": want a time such as 2026-03-09T06:30:00Z`},
		"play a --new-key-of n --json=perhaps":      {"play", `--json: "perhaps": want true or false`},
		"play a --new-key-of n -x":                  {"play", "unknown flag -x"},
		"--speed 3 play":                            {"", "unknown flag --speed"},
		"play a --new-key-of n --for 10000000000h0": {"play", `--for: "10000000000h0": want a time such as 90s, 10m or 48h`},
	} {
		_, _, _, err := parse(t, line)
		var bad *commands.Error
		require.ErrorAs(t, err, &bad, line)
		assert.Equal(t, want[0], bad.Command.Path(), line)
		if line == "play a --new-key-of n --lang fr" {
			want[1] = `--lang: "fr": want one of en, es`
		}
		assert.EqualError(t, err, want[1], line)
	}
}

const nines = "99999999999999999999"

func TestUsage(t *testing.T) {
	var b strings.Builder
	root := commands.New("prog", "A program.", &program{})
	require.NoError(t, root.Usage(&b))
	require.NoError(t, root.Child("play").Usage(&b))
	assert.Equal(t, `Usage: prog <command> [flags]

A program.

Flags:
  -h, --help    Show help.

Commands:
  play    Play.
  near    A group.
Usage: prog play --new-key-of=NAME <name> [<more> ...] [flags]

Play.

A long line that has to be broken somewhere as it is longer than the eighty
columns of a terminal.

    kept   as it is

The end.

Arguments:
  <name>          What.
  [<more> ...]    And more.

Flags:
  -h, --help               Show help.

      --speed=N            How fast (default 60).
      --for=DURATION       How long.
      --past=INT           Days.
      --from=TIME          From when.
      --only=N,...         Only these.
      --lang="en"          en,es.
      --new-key-of=NAME    Needed.
  -j, --json               As JSON.
      --key=FILE           A file.
`, b.String())
	for line := range strings.Lines(b.String()) {
		assert.LessOrEqual(t, len(strings.TrimSuffix(line, "\n")), 80)
	}
}

// A tag that is not known is a bug, and so is a default that is none.
func TestBugs(t *testing.T) {
	assert.Panics(t, func() {
		commands.New("p", "", &struct {
			A string `hepl:"x"`
		}{})
	})
	assert.Panics(t, func() {
		commands.New("p", "", &struct {
			A int `default:"x"`
		}{})
	})
}

func FuzzParse(f *testing.F) {
	for _, line := range []string{"play a --new-key-of n", "off x -h", "near by --key=", "-", "--", "play --only ,"} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		root := commands.New("prog", "A program.", &program{})
		cmd, _, err := root.Parse(strings.Split(line, " "), func(*commands.Command, *commands.Value) bool { return false })
		if (cmd == nil) == (err == nil) {
			t.Fatalf("%q: %v and %v", line, cmd, err)
		}
	})
}
