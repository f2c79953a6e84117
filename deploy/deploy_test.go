package deploy_test

import (
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/deploy"
	"liftbank/sensors/ads1115"
)

var update = flag.Bool("update", false, "renew config.md, schemas and pictures")

func TestExampleConfigsLoad(t *testing.T) {
	two, err := config.Parse("board-two-batteries.yaml", deploy.BoardTwoBatteries)
	require.NoError(t, err)
	assert.Len(t, two.Bank.Batteries, 2)
	assert.Len(t, two.Board.Channels, 8, "both input chips are full")

	four, err := config.Parse("board-four-batteries.yaml", deploy.BoardFourBatteries)
	require.NoError(t, err)
	assert.Len(t, four.Bank.Batteries, 4)
	assert.Len(t, four.Board.Chips, 4)

	all, err := filepath.Glob("board-*.yaml")
	require.NoError(t, err)
	layouts := map[config.Layout]int{}
	for _, file := range all {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		c, err := config.Check(file, text)
		require.NoError(t, err)
		layouts[c.Bank.Layout]++
	}
	assert.Equal(t, map[config.Layout]int{config.Parallel: 5, config.Series: 1, config.SeriesPairs: 1}, layouts)
}

// The example writes its defaults down: what it says must be what a file without them gets.
func TestExampleShowsTheDefaults(t *testing.T) {
	c, err := config.Parse("board-two-batteries.yaml", deploy.BoardTwoBatteries)
	require.NoError(t, err)
	d := config.Default()
	assert.Equal(t, d.Board.Scan, c.Board.Scan)
	assert.Empty(t, c.Limits.Values(), "limits that differ from their defaults")
	assert.Equal(t, d.HTTP.Listen, c.HTTP.Listen)

	full, bare := c.Board.Channels[0], c.Board.Channels[1]
	full.Battery = bare.Battery
	full.Input.(*ads1115.Input).Mux = bare.Input.(*ads1115.Input).Mux
	assert.Equal(t, bare, full, "a channel with everything written and one with the required only")
}

func TestExampleVisitsSectionLoads(t *testing.T) {
	text := string(deploy.BoardTwoBatteries)
	at := strings.Index(text, "# visits:")
	require.Positive(t, at)
	c, err := config.Parse(
		"/etc/liftbank/config.yaml", []byte(text[:at]+regexp.MustCompile(`(?m)^# ?`).ReplaceAllString(text[at:], "")),
	)
	require.NoError(t, err)
	assert.Equal(t, "/var/lib/liftbank/visits", c.Visits.Dir)
	assert.Equal(t, "/etc/liftbank/pin", c.Visits.PINFile)
	require.Len(t, c.Visits.Checklist, 1)
	assert.Equal(t, "mm", c.Visits.Checklist[0].Items[1].Unit)
}

// The part of the example that is commented out must be right too.
func TestExampleMQTTSectionLoads(t *testing.T) {
	text := string(deploy.BoardTwoBatteries)
	at := strings.Index(text, "# mqtt:")
	require.Positive(t, at)
	end := at + strings.Index(text[at:], "\n\n")
	mqtt := regexp.MustCompile(`(?m)^# ?`).ReplaceAllString(text[at:end], "")
	c, err := config.Parse("/etc/liftbank/config.yaml", []byte(text[:at]+mqtt+text[end:]))
	require.NoError(t, err)
	assert.Equal(t, &config.MQTT{
		Broker: "mqtts://broker.example:8883", Prefix: "liftbank", SnapshotEvery: 6 * time.Hour,
		ReadingsEvery: time.Hour, KeepAlive: 4 * time.Minute,
		DailyKB: 150, Encoding: config.JSON, Username: "lift-1",
		PasswordFile: "/etc/liftbank/mqtt-password", CAFile: "/etc/liftbank/ca.pem",
		CertFile: "/etc/liftbank/lift-1.pem", KeyFile: "/etc/liftbank/lift-1.key",
	}, c.MQTT)
}

// The fields of a kind of chip that the example has none of are in that kind's own example, and
// config.md alone has every limit of every finding.
func TestExampleMentionsEveryField(t *testing.T) {
	full, err := os.ReadFile("board-full.yaml")
	require.NoError(t, err)
	boardFull := string(full)
	kind := regexp.MustCompile(`^\| .board\.ch.*\| \((?:chip's )?kind: ([^)]*)\)`)
	for _, row := range regexp.MustCompile("(?m)^\\| `([^`]+)`.*").FindAllStringSubmatch(config.Reference(), -1) {
		if strings.HasPrefix(row[1], "findings.") {
			continue
		}
		name := row[1][strings.LastIndex(row[1], ".")+1:]
		if regexp.MustCompile(`\b` + name + `:`).MatchString(boardFull) { // of signals that few units have
			continue
		}
		if of := kind.FindStringSubmatch(row[0]); of != nil && !strings.Contains(row[1], ".scale.") &&
			!strings.Contains(string(deploy.BoardTwoBatteries), "kind: "+of[1]) {
			continue
		}
		assert.Regexp(t, `\b`+name+`:`, string(deploy.BoardTwoBatteries), row[1])
	}
}

func TestReferenceIsCurrent(t *testing.T) {
	if *update {
		require.NoError(t, os.WriteFile("config.md", []byte(config.Reference()), 0o644))
	}
	got, err := os.ReadFile("config.md")
	require.NoError(t, err)
	if string(got) != config.Reference() {
		t.Error("config.md is not what the program accepts: renew it with go test ./deploy -update and read the difference")
	}
}

// The documented way to renew golden files names each package that has the flag, and no other: go
// test fails in a package that doesn't know it.
func TestRenewingNamesThePackagesThatCan(t *testing.T) {
	var have []string
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		if regexp.MustCompile(`(?m)^\s*(var )?update += flag\.Bool\("update"`).Match(text) {
			have = append(have, "./"+strings.TrimPrefix(filepath.ToSlash(filepath.Dir(path)), "../"))
		}
		return err
	})
	require.NoError(t, err)
	command := regexp.MustCompile("`go test (\\./[^`]*) -update`").FindStringSubmatch(read(t, "..", "DEVELOPERS.md"))
	require.NotNil(t, command, "DEVELOPERS.md: no command that renews golden files")
	assert.ElementsMatch(t, have, strings.Fields(command[1]))
}
