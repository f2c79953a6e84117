package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/agent/config"
)

// unitSettings returns all settings of the service by name, in order; comments and sections are
// left out.
func unitSettings(text string) map[string][]string {
	all := map[string][]string{}
	for line := range strings.Lines(text) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(line, "#") {
			all[name] = append(all[name], value)
		}
	}
	return all
}

// verify has systemd judge a unit file. The program it starts must be there, so another takes its
// place. It gives what systemd has to say, which for a misspelled setting is a line but no failure.
func verify(t *testing.T, text string) string {
	analyze := program(t, "systemd-analyze", "systemd")
	self, err := os.Executable()
	require.NoError(t, err)
	file := write(
		t, strings.ReplaceAll(text, "ExecStart=/usr/bin/liftbank", "ExecStart="+self), t.TempDir(), "liftbank.service",
	)
	out, err := exec.Command(analyze, "verify", "--man=no", file).CombinedOutput()
	if err != nil {
		return err.Error() + ": " + string(out)
	}
	return string(out)
}

func TestServiceIsWhatSystemdUnderstands(t *testing.T) {
	text := read(t, "systemd", "liftbank.service")
	assert.Empty(t, verify(t, text))
	for from, to := range map[string]string{
		"WatchdogSec=150": "WatchdogSec=soon",
		"DynamicUser=yes": "DynamikUser=yes",
		"Type=notify":     "Type=eager",
	} {
		require.Contains(t, text, from)
		assert.NotEmpty(t, verify(t, strings.Replace(text, from, to, 1)), to)
	}
}

// The collector's service: understood, closed further than the agent's, with its group, and starting the
// program as it is.
func TestFleetService(t *testing.T) {
	text := read(t, "systemd", "liftbank-fleet.service")
	assert.Empty(t, verify(t, text))
	assert.NotEmpty(t, verify(t, strings.Replace(text, "MemoryMax=", "MemoryMost=", 1)))
	const most = "11" // tenths, as fleet.md says
	out, err := exec.Command(program(t, "systemd-analyze", "systemd"), "security", "--offline=true", "--threshold="+most,
		filepath.Join("systemd", "liftbank-fleet.service")).CombinedOutput()
	assert.NoError(t, err, string(out))
	assert.Contains(t, read(t, "fleet.md"), "`systemd-analyze security`: 1.1,")

	settings := unitSettings(text)
	for _, group := range strings.Fields(settings["SupplementaryGroups"][0]) {
		assert.Regexp(t, `(?m)^g `+regexp.QuoteMeta(group)+` `, read(t, "systemd", "liftbank-fleet-sysusers.conf"))
	}
	assert.Equal(t, []string{"78"}, settings["RestartPreventExitStatus"])
	if testing.Short() {
		t.Skip("builds the program")
	}
	words := strings.Fields(settings["ExecStart"][0])
	nowhere := filepath.Join(t.TempDir(), "fleet.yaml")
	args := strings.Fields(strings.ReplaceAll(strings.Join(words[1:], " "), "/etc/liftbank-fleet/fleet.yaml", nowhere))
	out, err = exec.Command(liftbank(t), args...).CombinedOutput()
	var exit *exec.ExitError
	require.ErrorAs(t, err, &exit)
	assert.Equal(t, 78, exit.ExitCode(), string(out))
	assert.Contains(t, string(out), nowhere)
}

// systemd's own measure of what a service could do to its machine, 0 to 10.
func TestServiceIsClosed(t *testing.T) {
	analyze := program(t, "systemd-analyze", "systemd")
	const most = "15" // tenths; systemd calls 2.0 to 4.9 OK, below that good
	out, err := exec.Command(
		analyze, "security", "--offline=true", "--threshold="+most, filepath.Join("systemd", "liftbank.service"),
	).CombinedOutput()
	assert.NoError(t, err, string(out))
}

// The filter must let through what tells whether the clock is set, and a filter that closes all of
// the calls that set it would not.
func TestServiceMayReadTheClocksState(t *testing.T) {
	analyze := program(t, "systemd-analyze", "systemd")
	allowed := map[string]bool{}
	var apply func(name string, allow bool)
	apply = func(name string, allow bool) {
		if !strings.HasPrefix(name, "@") {
			allowed[name] = allow
			return
		}
		out, err := exec.Command(analyze, "syscall-filter", "--no-pager", name).Output()
		require.NoError(t, err, name)
		for line := range strings.Lines(string(out)) {
			if line = strings.TrimSpace(line); line != "" && line != name && !strings.HasPrefix(line, "#") {
				apply(line, allow)
			}
		}
	}
	settings := unitSettings(read(t, "systemd", "liftbank.service"))
	for _, entry := range settings["SystemCallFilter"] {
		list, deny := strings.CutPrefix(entry, "~")
		for name := range strings.FieldsSeq(list) {
			apply(name, !deny)
		}
	}
	for _, call := range []string{
		"adjtimex", "openat", "epoll_pwait", "futex", "ioctl", "fsync", "renameat", "connect", "sendto",
	} {
		assert.True(t, allowed[call], call)
	}
	for _, call := range []string{
		"settimeofday", "clock_settime", "mount", "ptrace", "reboot", "init_module", "chroot",
	} {
		assert.False(t, allowed[call], call)
	}
	assert.NotContains(t, settings, "ProtectClock", "it closes adjtimex again")
	assert.Equal(t, []string{""}, settings["CapabilityBoundingSet"], "nothing can be set with it")
}

func TestServiceStartsTheProgramAsItIs(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program")
	}
	settings := unitSettings(read(t, "systemd", "liftbank.service"))
	require.Len(t, settings["ExecStart"], 1)
	words := strings.Fields(settings["ExecStart"][0])
	require.Equal(t, "/usr/bin/liftbank", words[0])
	nowhere := filepath.Join(t.TempDir(), "unit.yaml")
	args := strings.Fields(strings.ReplaceAll(strings.Join(words[1:], " "), "/etc/liftbank/unit.yaml", nowhere))
	out, err := exec.Command(liftbank(t), args...).CombinedOutput()
	var exit *exec.ExitError
	require.ErrorAs(t, err, &exit)
	assert.Equal(t, 78, exit.ExitCode())
	assert.Contains(t, string(out), nowhere+": no such file", "the flags are right; what is wrong is the file")
	assert.NotContains(t, settings, "ExecReload", "the program reads its configuration once")
}

// A healthy agent that scans as seldom as its configuration allows must not be taken for one that
// hangs.
func TestWatchdogWaitsForTheSlowestScan(t *testing.T) {
	m := regexp.MustCompile(
		"(?m)^\\| `board\\.scan\\.rest_every` \\| a time from \\w+ to (\\w+) ",
	).FindStringSubmatch(config.Reference())
	require.NotNil(t, m)
	slowest, err := time.ParseDuration(m[1])
	require.NoError(t, err)
	seconds, err := strconv.Atoi(unitSettings(read(t, "systemd", "liftbank.service"))["WatchdogSec"][0])
	require.NoError(t, err)
	assert.Greater(t, time.Duration(seconds)*time.Second, 2*slowest)
}

// A group that isn't there keeps the service from starting: every one it names is made.
func TestServiceHasItsGroups(t *testing.T) {
	made := read(t, "systemd", "sysusers.conf")
	for _, group := range strings.Fields(
		unitSettings(read(t, "systemd", "liftbank.service"))["SupplementaryGroups"][0],
	) {
		assert.Regexp(t, `(?m)^g `+regexp.QuoteMeta(group)+` `, made)
	}
	sysusers := program(t, "systemd-sysusers", "systemd")
	// a relative name is looked for in systemd's folders
	file, err := filepath.Abs(filepath.Join("systemd", "sysusers.conf"))
	require.NoError(t, err)
	out, err := exec.Command(sysusers, "--dry-run", file).CombinedOutput()
	assert.NoError(t, err, string(out))
}

// The units that put the board to sleep, as systemd understands them.
func TestSleepUnits(t *testing.T) {
	analyze := program(t, "systemd-analyze", "systemd")
	dir := t.TempDir()
	service := read(t, "systemd", "liftbank-sleep.service")
	script, err := filepath.Abs(filepath.Join("systemd", "sleep"))
	require.NoError(t, err)
	write(t, strings.ReplaceAll(service, "/usr/lib/liftbank/sleep", script), dir, "liftbank-sleep.service")
	path := write(t, read(t, "systemd", "liftbank-sleep.path"), dir, "liftbank-sleep.path")
	out, err := exec.Command(analyze, "verify", "--man=no", path).CombinedOutput()
	require.NoError(t, err, string(out))
	assert.Empty(t, string(out))
	write(t, strings.Replace(service, "Type=oneshot", "Type=sometimes", 1), dir, "liftbank-sleep.service")
	out, _ = exec.Command(analyze, "verify", "--man=no", path).CombinedOutput()
	assert.NotEmpty(t, string(out))
	// The agent writes where the path unit looks, and the script takes it from there.
	agents := unitSettings(read(t, "systemd", "liftbank.service"))
	request := "/run/" + agents["RuntimeDirectory"][0] + "/" + agent.SleepRequest
	assert.Equal(t, request, unitSettings(read(t, "systemd", "liftbank-sleep.path"))["PathExists"][0])
	assert.Contains(t, read(t, "systemd", "sleep"), "request=${1:-"+request+"}")
	assert.Contains(t, agents["Wants"], "liftbank-sleep.path")
}

// sleepMachine is what the script sees of a machine: a request, clocks, and a systemctl that notes calls.
type sleepMachine struct {
	t   *testing.T
	dir string
}

func (m *sleepMachine) path(name string) string { return filepath.Join(m.dir, name) }

func (m *sleepMachine) text(name string) string {
	b, err := os.ReadFile(m.path(name))
	if os.IsNotExist(err) {
		return ""
	}
	require.NoError(m.t, err)
	return strings.TrimSpace(string(b))
}

func (m *sleepMachine) run() error {
	cmd := exec.Command("/bin/sh", "systemd/sleep", m.path("sleep"), m.path("rtc"), m.path("state"))
	cmd.Env = []string{"PATH=" + m.path("bin") + ":" + os.Getenv("PATH")}
	out, err := cmd.CombinedOutput()
	m.t.Logf("%s", out)
	return err
}

func newSleepMachine(t *testing.T, request string) *sleepMachine {
	m := &sleepMachine{t, t.TempDir()}
	for _, dir := range []string{"bin", "rtc/rtc0", "rtc/rtc1"} {
		require.NoError(t, os.MkdirAll(m.path(dir), 0o755))
	}
	require.NoError(t, os.WriteFile(m.path("bin/systemctl"), []byte("#!/bin/sh\necho \"$@\" >>"+m.path("calls")+"\n"), 0o755))
	require.NoError(t, os.WriteFile(m.path("rtc/rtc1/since_epoch"), []byte("1700000000\n"), 0o600))
	require.NoError(t, os.WriteFile(m.path("rtc/rtc1/wakealarm"), nil, 0o600))
	require.NoError(t, os.WriteFile(m.path("sleep"), []byte(request), 0o600))
	return m
}

// The alarm is set by the clock's own time, on the clock that has one, before anything is switched off.
func TestTheBoardIsPutToSleep(t *testing.T) {
	m := newSleepMachine(t, "for=86400\nhow=power-off\n")
	require.NoError(t, m.run())
	assert.Equal(t, "1700086400", m.text("rtc/rtc1/wakealarm"))
	assert.Equal(t, "poweroff", m.text("calls"))
	assert.NoFileExists(t, m.path("sleep"), "taken")

	m = newSleepMachine(t, "for=0\nhow=suspend\n")
	require.NoError(t, m.run())
	assert.Empty(t, m.text("rtc/rtc1/wakealarm"), "the wake line alone")
	assert.Equal(t, "stop liftbank.service\nstart liftbank.service", m.text("calls"))
	assert.Equal(t, "mem", m.text("state"))
}

// Whatever else is in the request, and without an alarm that works, the board stays awake, and the request
// is gone.
func TestWhatDoesNotPutABoardToSleep(t *testing.T) {
	for _, request := range []string{
		"", "for=\nhow=power-off\n", "for=86400\n", "for=86400\nhow=reboot\n", "for=1;reboot\nhow=power-off\n",
		"for=$(reboot)\nhow=power-off\n", "for=-1\nhow=power-off\n", "for=60\nhow=power-off\n", "for=99999999999\nhow=power-off\n",
		"for=0x10000\nhow=power-off\n", strings.Repeat("x", 100_000) + "\nfor=86400\nhow=power-off\n", "for=86400\x00\nhow=\x00\n",
	} {
		m := newSleepMachine(t, request)
		require.Error(t, m.run(), "%.40q", request)
		assert.Empty(t, m.text("calls"), "%.40q", request)
		assert.NoFileExists(t, m.path("sleep"))
	}
	for name, spoil := range map[string]func(m *sleepMachine) error{
		"no clock":      func(m *sleepMachine) error { return os.RemoveAll(m.path("rtc")) },
		"no alarm":      func(m *sleepMachine) error { return os.Remove(m.path("rtc/rtc1/wakealarm")) },
		"no time":       func(m *sleepMachine) error { return os.Remove(m.path("rtc/rtc1/since_epoch")) },
		"takes nothing": func(m *sleepMachine) error { return nullAlarm(m.path("rtc/rtc1/wakealarm")) },
	} {
		m := newSleepMachine(t, "for=86400\nhow=power-off\n")
		require.NoError(t, spoil(m))
		require.Error(t, m.run(), name)
		assert.Empty(t, m.text("calls"), name)
	}
}

// nullAlarm has an alarm that takes anything and keeps nothing.
func nullAlarm(path string) error {
	if err := os.Remove(path); err != nil {
		return err
	}
	return os.Symlink(os.DevNull, path)
}
