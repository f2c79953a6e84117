package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The manual page is made from the commands, and the formatter has nothing to say against it.
func TestManualIsOfTheCommands(t *testing.T) {
	made, err := exec.Command(liftbank(t), "man").Output()
	require.NoError(t, err)
	if *update {
		require.NoError(t, os.WriteFile("liftbank.1", made, 0o644))
	}
	assert.True(t, string(made) == read(t, "liftbank.1"),
		"liftbank.1 is not of the commands: renew it with go test ./deploy -run Manual -update and read the difference")
	cmd := exec.Command(program(t, "groff", "groff"), "-man", "-ww", "-Tutf8", "-P-cbou", "liftbank.1")
	var said strings.Builder
	cmd.Stderr = &said
	page, err := cmd.Output()
	require.NoError(t, err, said.String())
	assert.Empty(t, said.String())
	for _, part := range []string{
		"NAME", "check --config=FILE", "--fields-only", "EXIT STATUS", "78", "/etc/liftbank/unit.yaml",
	} {
		assert.Contains(t, string(page), part)
	}
	assert.NotContains(t, string(page), "HIDDEN")
	assert.NotContains(t, string(page), "liftbank complete ")
}

// asked is a command line up to where completion is asked for, and what must and must not come.
var asked = []struct {
	words    string // with a last word that may be empty
	want     []string
	unwanted []string
}{
	{"liftbank ", []string{"run", "check", "completion"}, []string{"complete", "man", "--help"}},
	{"liftbank ch", []string{"check"}, []string{"run"}},
	{"liftbank explain fe", []string{"feed-lost", "feed-high"}, []string{"hot"}},
	{"liftbank explain --json fe", []string{"feed-lost"}, nil},
	{"liftbank simulate --scenario battery-t", []string{"battery-tired"}, []string{"feed-lost"}},
	{"liftbank check --config unit.yaml --pr", []string{"--probe"}, []string{"--config", "--as"}},
	{"liftbank check --config uni", []string{"unit.yaml"}, []string{"--config"}},
	{"liftbank check --probe --", []string{"--config", "--as"}, []string{"--probe"}},
	{"liftbank completion ", []string{"bash", "fish", "zsh"}, []string{"unit.yaml"}},
	{"liftbank suite est", []string{"estimator"}, nil},
	{"liftbank help ex", []string{"explain"}, nil},
	{"liftbank fleet ", []string{"enrol", "check", "authority"}, []string{"run", "--help"}},
	{"liftbank fleet authority re", []string{"renew", "revoke"}, []string{"list"}},
	{"liftbank fleet authority list --dir . --da", []string{"--days"}, []string{"--dir"}},
	{"liftbank fleet enrol --template uni", []string{"unit.yaml"}, nil},
	{"liftbank nonsense ", nil, []string{"run", "unit.yaml"}},
}

// completes has a shell complete each of the command lines: complete returns the words that it gives.
func completes(t *testing.T, complete func(t *testing.T, dir, line string) string) {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "unit.yaml"), nil, 0o600))
	for _, c := range asked {
		got := strings.Fields(complete(t, dir, c.words))
		for _, word := range c.want {
			assert.Contains(t, got, word, "%q", c.words)
		}
		for _, word := range c.unwanted {
			assert.NotContains(t, got, word, "%q", c.words)
		}
	}
}

// shell runs a script in a shell, where liftbank is this source's program.
func shell(t *testing.T, dir, name, script string) string {
	t.Helper()
	cmd := exec.Command(program(t, name, name), "-c", script)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "HOME="+dir, "PATH="+filepath.Dir(liftbank(t))+":"+os.Getenv("PATH"))
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}

func inQuotes(words []string) string {
	var b strings.Builder
	for _, w := range words {
		b.WriteString(" '" + w + "'")
	}
	return b.String()
}

func TestBashCompletes(t *testing.T) {
	bash := func(t *testing.T, dir, line string) string {
		// bash takes = for a word of its own
		words := strings.Split(strings.ReplaceAll(line, "=", " = "), " ")
		return shell(t, dir, "bash", `source <(liftbank completion bash); COMP_WORDS=(`+inQuotes(words)+` )
COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); _liftbank; printf '%s\n' "${COMPREPLY[@]}"`)
	}
	completes(t, bash)
	assert.Equal(t, "feed-high", strings.Fields(bash(t, t.TempDir(), "liftbank simulate --scenario=feed-h"))[0])
}

func TestZshCompletes(t *testing.T) {
	zsh := func(t *testing.T, dir, line string) string {
		// what the shell's own completion has functions for, which print here
		return shell(t, dir, "zsh", `compdef() { : }; compset() { : }
_describe() { print -rl -- ${${(P)4}%%:*} }; _files() { print -rl -- ${words[CURRENT]}*(N) }
source <(liftbank completion zsh); words=(`+inQuotes(strings.Split(line, " "))+` ); CURRENT=${#words}; _liftbank`)
	}
	completes(t, zsh)
	assert.Contains(t, zsh(t, t.TempDir(), "liftbank simulate --scenario=feed-h"), "--scenario=feed-high")
}

func TestFishCompletes(t *testing.T) {
	fish := func(t *testing.T, dir, line string) string {
		return shell(t, dir, "fish", `liftbank completion fish | source; complete -C '`+line+`'`)
	}
	completes(t, fish)
	assert.Contains(t, fish(t, t.TempDir(), "liftbank simulate --scenario=feed-h"), "--scenario=feed-high")
}
