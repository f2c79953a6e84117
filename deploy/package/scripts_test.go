package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// machine is a folder that Debian's package manager takes for a machine's root.
type machine struct {
	t    *testing.T
	root string
	bin  string // programs of systemd that only note how they are called
}

// newMachine returns a machine where systemd runs, or an image that is being built.
func newMachine(t *testing.T, running bool) *machine {
	t.Helper()
	m := &machine{t, t.TempDir(), t.TempDir()}
	for _, dir := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates", "etc", "var/lib/private"} {
		require.NoError(t, os.MkdirAll(filepath.Join(m.root, dir), 0o755))
	}
	for _, file := range []string{"var/lib/dpkg/status", "etc/passwd", "etc/group"} {
		require.NoError(t, os.WriteFile(filepath.Join(m.root, file), nil, 0o644))
	}
	if running {
		require.NoError(t, os.MkdirAll(filepath.Join(m.root, "run/systemd/system"), 0o755))
	}
	for _, name := range []string{"systemctl", "udevadm", "modprobe"} {
		m.program(name, 0)
	}
	return m
}

// program puts a program in place that notes how it is called and exits with a code.
func (m *machine) program(name string, code int) {
	m.t.Helper()
	const script = "#!/bin/sh\necho \"$(basename \"$0\") $*\" >>\"$(dirname \"$0\")/calls\"\nexit "
	require.NoError(m.t, os.WriteFile(filepath.Join(m.bin, name), []byte(script+string(rune('0'+code))+"\n"), 0o755))
}

// calls returns how the programs were called since it was last asked.
func (m *machine) calls() string {
	path := filepath.Join(m.bin, "calls")
	text, _ := os.ReadFile(path) // none: not called
	_ = os.Remove(path)
	return string(text)
}

// dpkg runs the package manager, and returns what it and the package's scripts said.
func (m *machine) dpkg(args ...string) string {
	m.t.Helper()
	args = append([]string{
		"--root=" + m.root, "--force-script-chrootless", "--force-depends", "--force-not-root", "--no-triggers",
	}, args...)
	cmd := exec.Command(debian(m.t, "dpkg", "dpkg"), args...)
	cmd.Env = append(os.Environ(), "PATH="+m.bin+":"+os.Getenv("PATH"))
	out, err := cmd.CombinedOutput()
	require.NoError(m.t, err, string(out))
	return string(out)
}

// status returns what the package manager thinks of the package.
func (m *machine) status() string { return m.statusOf("liftbank") }

func (m *machine) statusOf(pkg string) string {
	m.t.Helper()
	out, _ := exec.Command(debian(m.t, "dpkg-query", "dpkg"), "--admindir="+filepath.Join(m.root, "var/lib/dpkg"),
		"--show", "--showformat=${Status}", pkg).Output() // fails where it knows no such package
	return string(out)
}

func (m *machine) path(name string) string { return filepath.Join(m.root, name) }

func (m *machine) write(name, text string) {
	m.t.Helper()
	require.NoError(m.t, os.MkdirAll(filepath.Dir(m.path(name)), 0o755))
	require.NoError(m.t, os.WriteFile(m.path(name), []byte(text), 0o600))
}

// debOf writes the package in a version.
func debOf(t *testing.T, version string) string { return debOfKind(t, version, false) }

func debOfKind(t *testing.T, version string, fleet bool) string {
	t.Helper()
	arch, err := exec.Command(debian(t, "dpkg", "dpkg"), "--print-architecture").Output()
	require.NoError(t, err)
	deb, err := build(repository, made, about{version: version, arch: strings.TrimSpace(string(arch)), fleet: fleet})
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "liftbank.deb")
	require.NoError(t, os.WriteFile(path, deb, 0o600))
	return path
}

const installed = "install ok installed"

func TestInstallSaysTheNextStep(t *testing.T) {
	m := newMachine(t, true)
	m.program("systemctl", 1) // is-enabled: it is not
	said := m.dpkg("--install", debOf(t, "1"))
	assert.Equal(t, installed, m.status(), said)
	for _, want := range []string{"next, as root", "cp /etc/liftbank/unit.yaml.example /etc/liftbank/unit.yaml",
		"check --config /etc/liftbank/unit.yaml --as liftbank", "systemctl enable --now liftbank"} {
		assert.Contains(t, said, want)
	}
	assert.FileExists(t, m.path("etc/liftbank/unit.yaml.example"))
	assert.NoFileExists(t, m.path("etc/liftbank/unit.yaml"), "the example is not this board's")
	assert.NotContains(t, m.calls(), "enable --now")
	m.write("etc/liftbank/unit.yaml", "mine\n")
	assert.NotContains(t, m.dpkg("--install", debOf(t, "2")), "next, as root")
}

// Whatever fails around the service, the package is installed, and says what is wrong.
func TestNothingLeavesThePackageHalfConfigured(t *testing.T) {
	for _, running := range []bool{true, false} {
		m := newMachine(t, running)
		for _, name := range []string{"systemctl", "udevadm", "modprobe", "systemd-sysusers"} {
			m.program(name, 1)
		}
		said := m.dpkg("--install", debOf(t, "1"))
		assert.Equal(t, installed, m.status(), said)
		assert.Contains(t, said, "its groups could not be made")
		assert.Equal(t, running, strings.Contains(said, "installed, but not running"))
		m.dpkg("--install", debOf(t, "2"))
		assert.Equal(t, installed, m.status())
		m.dpkg("--remove", "liftbank")
		m.dpkg("--purge", "liftbank")
		assert.NotContains(t, m.status(), "installed ", m.status())
	}
}

// An image is built where no systemd runs: the service's groups are made all the same.
func TestGroupsAreMadeInAnImage(t *testing.T) {
	debian(t, "systemd-sysusers", "systemd")
	m := newMachine(t, false)
	said := m.dpkg("--install", debOf(t, "1"))
	groups, err := os.ReadFile(m.path("etc/group"))
	require.NoError(t, err)
	for _, name := range []string{"i2c", "gpio", "liftbank-secrets"} {
		assert.Regexp(t, "(?m)^"+name+":", string(groups), said)
	}
	assert.Empty(t, m.calls(), "nothing runs that could be told")
}

// Removing stops the service and forgets nothing: installed again, it runs again.
func TestEnabledStaysEnabled(t *testing.T) {
	m := newMachine(t, true)
	m.dpkg("--install", debOf(t, "1"))
	const link = "etc/systemd/system/multi-user.target.wants/liftbank.service"
	require.NoError(t, os.MkdirAll(filepath.Dir(m.path(link)), 0o755))
	require.NoError(t, os.Symlink("/usr/lib/systemd/system/liftbank.service", m.path(link)))
	m.calls()
	m.dpkg("--remove", "liftbank")
	calls := m.calls()
	assert.Contains(t, calls, "systemctl stop liftbank-sleep.path liftbank.service\n")
	assert.NotContains(t, calls, "disable")
	_, err := os.Lstat(m.path(link))
	assert.NoError(t, err)
	m.dpkg("--install", debOf(t, "1"))
	assert.Contains(t, m.calls(), "systemctl restart liftbank.service\n")
	m.dpkg("--purge", "liftbank")
	_, err = os.Lstat(m.path(link))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

// What was learned outlives everything but purge, and a data partition is emptied where it is mounted.
func TestPurgeDeletesWhatWasLearned(t *testing.T) {
	m := newMachine(t, true)
	m.dpkg("--install", debOf(t, "1"))
	const dir = "var/lib/private/liftbank"
	m.write(dir+"/learned", "x")
	m.write(dir+"/visits/draft", "x")
	m.write(dir+"/lost+found/1", "x")
	m.write("etc/liftbank/unit.yaml", "mine\n")
	require.NoError(t, os.Symlink("private/liftbank", m.path("var/lib/liftbank")))
	m.dpkg("--remove", "liftbank")
	assert.FileExists(t, m.path(dir+"/learned"))
	said := m.dpkg("--purge", "liftbank")
	left, err := os.ReadDir(m.path(dir))
	require.NoError(t, err)
	require.Len(t, left, 1)
	assert.Equal(t, "lost+found", left[0].Name(), "the file system's own")
	assert.Contains(t, said, "stays")
	_, err = os.Lstat(m.path("var/lib/liftbank"))
	assert.ErrorIs(t, err, os.ErrNotExist)
	assert.FileExists(t, m.path("etc/liftbank/unit.yaml"))
	assert.NoFileExists(t, m.path("etc/liftbank/unit.yaml.example"))

	m = newMachine(t, true) // without a partition of its own the folder goes, too
	m.dpkg("--install", debOf(t, "1"))
	m.write(dir+"/learned", "x")
	m.dpkg("--purge", "liftbank")
	assert.NoDirExists(t, m.path(dir))
}

func TestPurgeWhileTheDataPartitionIsMounted(t *testing.T) {
	m := newMachine(t, true)
	m.dpkg("--install", debOf(t, "1"))
	const dir = "var/lib/private/liftbank"
	require.NoError(t, os.MkdirAll(m.path(dir), 0o700))
	script := `mount -t tmpfs none "$1" && touch "$1/learned" && shift && "$@" && test -d "$0" && test -z "$(ls "$0")"`
	cmd := exec.Command("unshare", "--mount", "sh", "-c", script, m.path(dir), m.path(dir),
		debian(t, "dpkg", "dpkg"), "--root="+m.root, "--force-script-chrootless", "--force-not-root", "--purge", "liftbank")
	cmd.Env = append(os.Environ(), "PATH="+m.bin+":"+os.Getenv("PATH"))
	if exec.Command("unshare", "--mount", "true").Run() != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("may not mount: want root")
		}
		t.Skip("may not mount")
	}
	out, err := cmd.CombinedOutput()
	assert.NoError(t, err, string(out))
	assert.NotContains(t, m.status(), "installed ")
}

// The collector's package: whatever fails around it, it is installed; it stays enabled; the fleet's
// records outlive even a purge.
func TestFleetPackageOnAMachine(t *testing.T) {
	for _, fails := range []int{0, 1} {
		m := newMachine(t, true)
		for _, name := range []string{"systemctl", "systemd-sysusers"} {
			m.program(name, fails)
		}
		said := m.dpkg("--install", debOfKind(t, "1", true))
		assert.Equal(t, installed, m.statusOf("liftbank-fleet"), said)
		assert.Contains(t, said, "systemctl enable --now liftbank-fleet")
		assert.Equal(t, fails == 1, strings.Contains(said, "its group could not be made"))
		assert.Contains(t, m.calls(), "systemd-sysusers --root="+m.root+" liftbank-fleet.conf\n")
		m.write("etc/liftbank-fleet/fleet.yaml", "mine\n")
		m.write("var/lib/private/liftbank-fleet/fleet.db", "records")
		assert.NotContains(t, m.dpkg("--install", debOfKind(t, "2", true)), "next, as root")
		restart := "systemctl restart liftbank-fleet.service\n"
		if fails == 1 { // so that it is not enabled
			restart = "systemctl try-restart liftbank-fleet.service\n"
		}
		assert.Contains(t, m.calls(), restart)
		m.dpkg("--remove", "liftbank-fleet")
		assert.Contains(t, m.calls(), "systemctl stop liftbank-fleet.service\n")
		assert.Contains(t, m.dpkg("--purge", "liftbank-fleet"), "the records of the fleet stay in")
		assert.FileExists(t, m.path("var/lib/private/liftbank-fleet/fleet.db"))
		assert.FileExists(t, m.path("etc/liftbank-fleet/fleet.yaml"))
		assert.NoFileExists(t, m.path("etc/liftbank-fleet/fleet.yaml.example"))
	}
}
