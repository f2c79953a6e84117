package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

// tryScript stands in for the agent where the service is as shipped, and says what it can reach. Its
// devices are null(4) by other names, one of them for the group i2c alone.
const tryScript = `#!/bin/bash
exec 3<>/dev/i2c-1 && echo "i2c-1 opens"
exec 4<>/dev/i2c-2 && echo "i2c-2 opens"
[ -e /dev/i2c-3 ] || echo "i2c-3 is not there"
[ -e /dev/tty ] && [ ! -e /dev/mem ] && echo "few devices"
head -c 14 /etc/liftbank/pin && echo
[ -r /etc/liftbank/roots ] || echo "the secret of root is not read"
echo x >"$STATE_DIRECTORY/x" && echo "its folder is written"
echo x >/etc/liftbank/x || echo "the configuration is not written"
[ -r /proc/self/statm ] && [ ! -e /proc/stat ] && echo "its own processes only"
`

// limitedScript puts the agent into the group of processes that limitMemory made, if it did.
const limitedScript = `#!/bin/sh
[ ! -d /run/limit ] || echo $$ >/run/limit/cgroup.procs
exec /usr/bin/liftbank "$@"
`

// proofScript is what is done on the booted system, where there is no board: the demonstration takes
// the agent's place in the service, with everything else as shipped.
const proofScript = `#!/bin/bash
exec 2>&1
part() { echo "== $1"; }
install() { dpkg --force-depends --install "$1" 2>&1; }
state() { systemctl show -p ActiveState,Result,NRestarts,ExecMainStatus,StatusText liftbank; }
drop() { mkdir -p /etc/systemd/system/liftbank.service.d
	printf '[Service]\nType=%s\nExecStart=\nExecStart=%s\nStandardOutput=append:/root/%s\n' "$@" \
	>/etc/systemd/system/liftbank.service.d/test.conf; systemctl daemon-reload; }
answers() { for i in $(seq 150); do curl -fsS http://127.0.0.1:8480/readyz && return; sleep 0.2; done; }

part installed
install /opt/1.deb
dpkg-query --show --showformat='${Status}\n' liftbank
systemctl is-enabled liftbank
getent group i2c gpio liftbank-secrets
state
part pin
touch /etc/liftbank/older && chmod 0600 /etc/liftbank/older
liftbank pin --make --file /etc/liftbank/older
liftbank pin --make --file /etc/liftbank/older --group liftbank-secrets
rm /etc/liftbank/older
part wrong
liftbank pin --make --file /etc/liftbank/pin 2>&1 >/dev/null
echo 'unit: {id: LIFT}' >/etc/liftbank/unit.yaml
systemctl enable --now liftbank
state
part check
cp /etc/liftbank/unit.yaml.example /etc/liftbank/unit.yaml
echo 'visits: {pin_file: pin}' >>/etc/liftbank/unit.yaml
chgrp i2c /dev/i2c-1
liftbank check --config /etc/liftbank/unit.yaml --as liftbank 2>&1
part try
drop oneshot /opt/try try
printf 'Restart=no\n' >>/etc/systemd/system/liftbank.service.d/test.conf
systemctl daemon-reload; systemctl restart liftbank
cat /root/try
part running
drop exec '/usr/bin/liftbank demo --listen 127.0.0.1:8480 --data /var/lib/liftbank/demo --past 0s --speed 600' demo
systemctl restart liftbank
answers
state
curl -fsS http://127.0.0.1:8480/metrics | grep -E '^(process_resident|liftbank_build_info)'
part visit
url=http://127.0.0.1:8480
pin=$(sed -n 's/.*PIN for changes: //p' /root/demo | tail -1)
web() { curl -fsS --cookie-jar /root/jar --cookie /root/jar "$@"; }
web --data "pin=$pin" $url/pin >/dev/null
web --data 'by=R. Vega' $url/visit/begin >/dev/null
id=$(web $url/visit/review | sed -n 's/.*name="id" value="\([^"]*\)".*/\1/p' | head -1)
web --data "id=$id" $url/visit/finish >/dev/null
curl -fsS $url/api/v1/visits
part upgraded
install /opt/2.deb
answers
curl -fsS http://127.0.0.1:8480/metrics | grep '^liftbank_build_info'
state
curl -fsS $url/api/v1/visits
part 'rolled back'
install /opt/1.deb
answers
curl -fsS http://127.0.0.1:8480/metrics | grep '^liftbank_build_info'
curl -fsS $url/api/v1/visits
part removed
dpkg --remove liftbank 2>&1
systemctl is-active liftbank
tail -1 /root/demo
part 'installed again'
install /opt/2.deb
answers
systemctl is-active liftbank
part attacked
drop exec '/usr/bin/limited demo --listen 127.0.0.1:8480 --data /var/lib/liftbank/attacked --speed 60 --pin-file /etc/liftbank/pin --broker mqtt://127.0.0.1:1883' attacked
[ ! -d /run/limit ] || echo 'ReadWritePaths=/run/limit' >>/etc/systemd/system/liftbank.service.d/test.conf
cp /opt/limited /usr/bin/limited; systemctl daemon-reload
pin=$(liftbank pin --make --file /etc/liftbank/pin 2>/dev/null)
attack() { part "$1"
	/opt/fieldtest attack -pin "$pin" -restart 'systemctl restart liftbank' "$1" && echo "$1 withstood"
	systemctl show -p MainPID,NRestarts,MemoryMax liftbank
	grep VmHWM "/proc/$(systemctl show -P MainPID liftbank)/status"
	for f in "/sys/fs/cgroup$(systemctl show -P ControlGroup liftbank)/memory.peak" /run/limit/memory.max_usage_in_bytes; do
		[ ! -r "$f" ] || echo "peak $(cat "$f")"
	done; }
(sleep 1; systemctl restart liftbank) &
attack broker
for one in idle forms guesses; do attack $one; done
part purged
systemctl stop liftbank
mount -t tmpfs none /var/lib/private/liftbank && echo x >/var/lib/private/liftbank/learned
dpkg --purge liftbank 2>&1
ls -A /var/lib/private/liftbank /etc/liftbank
dpkg-query --show --showformat='${Status}\n' liftbank 2>&1
`

// fleetScript is what is done with the collector's package on the booted system. The broker is not there:
// that is a state of the collector, not a reason to end.
const fleetScript = `#!/bin/bash
exec 2>&1
part() { echo "== $1"; }
state() { systemctl show -p ActiveState,Result,NRestarts,ExecMainStatus,MemoryMax liftbank-fleet; }
web() { curl -sS http://127.0.0.1:8490/$1; } # it is there once the service has started

part installed
dpkg --force-depends --install /opt/fleet.deb
getent group liftbank-fleet-secrets
part enrolled
cd /root
liftbank fleet authority init --dir authority
liftbank fleet enrol --dir authority --service fleet.collector
install -m 0644 authority/ca.pem authority/issued/fleet.collector/fleet.collector.pem /etc/liftbank-fleet/
install -m 0640 -g liftbank-fleet-secrets authority/issued/fleet.collector/fleet.collector.key /etc/liftbank-fleet/
part wrong
echo 'mqtt: {}' >/etc/liftbank-fleet/fleet.yaml
systemctl enable --now liftbank-fleet
state
part running
cp /etc/liftbank-fleet/fleet.yaml.example /etc/liftbank-fleet/fleet.yaml
systemctl restart liftbank-fleet
web healthz
for i in $(seq 50); do web readyz | grep "broker away" && break; sleep 0.2; done
state
ls /var/lib/private/liftbank-fleet
web metrics | grep -c '^liftbank_fleet_'
part stopped
systemctl stop liftbank-fleet
state
part purged
dpkg --purge liftbank-fleet
ls -A /var/lib/private/liftbank-fleet
`

// debsOf builds the program in two versions and packs each.
func debsOf(t *testing.T, dir string) {
	t.Helper()
	t.Chdir(filepath.Join("..", ".."))
	arch := strings.TrimSpace(output(t, debian(t, "dpkg", "dpkg"), "--print-architecture"))
	attacker := exec.CommandContext(t.Context(), "go", "build", "-o", filepath.Join(dir, "fieldtest"), "./cmd/internal/fieldtest")
	attacker.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := attacker.CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, version := range []string{"1", "2"} {
		program := filepath.Join(t.TempDir(), "liftbank")
		a := about{version: version, arch: arch}
		whole := a
		whole.fleet = true // a demonstration stands for the board, which the board's own program lacks
		require.NoError(t, buildProgram(program, t.TempDir(), whole))
		text, err := os.ReadFile(program)
		require.NoError(t, err)
		deb, err := build(os.DirFS("."), map[string][]byte{
			programFile: text, copyrightFile: made[copyrightFile], partsFile: made[partsFile],
		}, a)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(dir, version+".deb"), deb, 0o600))
	}
}

// The collector's package on a booted system, with the service as shipped.
func TestFleetPackageOnABootedSystem(t *testing.T) {
	slowtest.Long(t) // compiles the program for a board, and boots
	if os.Geteuid() != 0 {
		t.Skip("only root can boot a system")
	}
	root := bootable(t)
	require.NoError(t, os.WriteFile(filepath.Join(root, "opt/proof"), []byte(fleetScript), 0o755))
	t.Chdir(filepath.Join("..", ".."))
	a := about{version: "1", arch: strings.TrimSpace(output(t, debian(t, "dpkg", "dpkg"), "--print-architecture")), fleet: true}
	program := filepath.Join(t.TempDir(), "liftbank")
	require.NoError(t, buildProgram(program, t.TempDir(), a))
	text, err := os.ReadFile(program)
	require.NoError(t, err)
	deb, err := build(os.DirFS("."), map[string][]byte{
		programFile: text, copyrightFile: made[copyrightFile], partsFile: made[partsFile],
	}, a)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(root, "opt/fleet.deb"), deb, 0o600))
	said := boot(t, root)
	defer func() {
		if t.Failed() {
			t.Log(said)
		}
	}()
	for name, want := range map[string][]string{
		"installed": {"next, as root", "liftbank-fleet-secrets:x:"},
		"enrolled":  {"fleet.collector: service until "},
		"wrong":     {"ActiveState=failed", "NRestarts=0", "ExecMainStatus=78"},
		"running":   {"alive", "broker away", "ActiveState=active", "MemoryMax=536870912", "fleet.db"},
		"stopped":   {"ActiveState=inactive", "Result=success", "ExecMainStatus=0"},
		"purged":    {"the records of the fleet stay", "fleet.db"},
	} {
		for _, text := range want {
			assert.Contains(t, said[name], text, name)
		}
	}
}

// bootable makes the root of a system that has this machine's programs, and whatever more of them it
// is given, to itself.
func bootable(t *testing.T) (root string) {
	t.Helper()
	root = t.TempDir()
	for _, dir := range []string{"etc/systemd/system", "etc/liftbank", "var/lib/dpkg/info", "var/lib/dpkg/updates", "usr", "root",
		"opt", "run", "tmp", "proc", "sys", "dev", "home"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, dir), 0o755))
	}
	for _, name := range []string{"bin", "sbin", "lib", "lib64"} {
		require.NoError(t, os.Symlink("usr/"+name, filepath.Join(root, name)))
	}
	release, err := os.ReadFile("/usr/lib/os-release")
	require.NoError(t, err)
	for name, text := range map[string]string{
		"etc/os-release": string(release), "etc/machine-id": "", "var/lib/dpkg/status": "",
		"etc/passwd": "root:x:0:0:root:/root:/bin/sh\n", "etc/group": "root:x:0:\n", "etc/liftbank/roots": "secret\n",
		"opt/proof": proofScript, "opt/try": tryScript, "opt/limited": limitedScript,
		"etc/systemd/system/proof.service": "[Unit]\nAfter=sysinit.target\nWants=sysinit.target\n" +
			"[Service]\nType=oneshot\nStandardOutput=append:/root/proof\n" +
			"ExecStart=/opt/proof\nExecStopPost=systemctl poweroff --no-block\n",
	} {
		require.NoError(t, os.WriteFile(filepath.Join(root, name), []byte(text), 0o644))
	}
	require.NoError(t, os.Chmod(filepath.Join(root, "etc/liftbank/roots"), 0o600))
	for _, name := range []string{"proof", "try", "limited"} {
		require.NoError(t, os.Chmod(filepath.Join(root, "opt", name), 0o755))
	}
	return root
}

// memoryMax is the service's limit, as shipped.
const memoryMax = 64 << 20

// limitMemory makes a group of processes with the service's limit where the machine has the first
// version of control groups: a booted system is not let near them there, and its MemoryMax does
// nothing. It returns the folder, empty where MemoryMax does what it says.
func limitMemory(t *testing.T) (dir string) {
	t.Helper()
	const all = "/sys/fs/cgroup/memory"
	if _, err := os.Stat(filepath.Join(all, "memory.limit_in_bytes")); err != nil {
		return ""
	}
	dir, err := os.MkdirTemp(all, "liftbank-test-")
	if err != nil {
		t.Log("the limit of memory is not tried: ", err)
		return ""
	}
	t.Cleanup(func() { _ = syscall.Rmdir(dir) }) // empty, as far as processes go
	require.NoError(t, os.WriteFile(filepath.Join(dir, "memory.limit_in_bytes"), []byte(strconv.Itoa(memoryMax)), 0))
	require.NoError(t, os.Chmod(dir, 0o755))
	require.NoError(t, os.Chmod(filepath.Join(dir, "cgroup.procs"), 0o666)) // for the service's user
	return dir
}

// boot boots the system, and returns what the proof said, by its parts.
func boot(t *testing.T, root string) map[string]string {
	t.Helper()
	args := []string{"--directory=" + root, "--register=no", "--keep-unit", "--private-network", "--boot", "--console=pipe",
		"--overlay=/usr:" + filepath.Join(root, "usr") + ":/usr"}
	for _, name := range []string{"i2c-1", "i2c-2"} {
		device := filepath.Join(t.TempDir(), name)
		if err := syscall.Mknod(device, syscall.S_IFCHR|0o660, 1<<8|3); err != nil {
			t.Skip("may not make devices: ", err)
		}
		require.NoError(t, os.Chmod(device, 0o660))
		args = append(args, "--bind="+device+":/dev/"+name)
	}
	if limit := limitMemory(t); limit != "" {
		args = append(args, "--bind="+limit+":/run/limit")
	}
	cmd := exec.CommandContext(t.Context(), debian(t, "systemd-nspawn", "systemd-container"),
		append(args, "systemd.unit=proof.service")...)
	out, err := cmd.CombinedOutput() // the exit code says how the system ended
	text, readErr := os.ReadFile(filepath.Join(root, "root/proof"))
	require.NoError(t, readErr, "%v\n%s", err, out)
	said := map[string]string{}
	for part := range strings.SplitSeq(string(text), "== ") {
		name, text, _ := strings.Cut(part, "\n")
		said[name] = text
	}
	return said
}

// The package on a booted system, with the service as shipped: what it reaches and what not, what
// becomes of a wrong configuration, and of the data over upgrade, rolling back, removal and purge.
func TestPackageOnABootedSystem(t *testing.T) {
	slowtest.Long(t) // compiles the program for a board, and boots
	if os.Geteuid() != 0 {
		t.Skip("only root can boot a system")
	}
	root := bootable(t)
	debsOf(t, filepath.Join(root, "opt"))
	said := boot(t, root)
	defer func() {
		if t.Failed() {
			t.Log(said)
		}
	}()
	for name, want := range map[string][]string{
		"installed": {"install ok installed\ndisabled\n", "i2c:x:", "gpio:x:", "liftbank-secrets:x:", "next, as root",
			"ActiveState=inactive"},
		"pin": {"older written: root:root 0600\nthe service can't read it: no permission to read it (root:root 0600): want " +
			"--group liftbank-secrets\n", "older written: root:liftbank-secrets 0640\n"},
		"wrong": {"pin written: root:liftbank-secrets 0640\n", "ActiveState=failed", "Result=exit-code", "NRestarts=0", "ExecMainStatus=78",
			"StatusText=not started until the set-up is right: "},
		"check": {"visits.pin_file /etc/liftbank/pin OK", "/dev/i2c-1 OK"},
		"try": {"i2c-1 opens", "i2c-3 is not there", "few devices", "liftbank-pin-1", "the secret of root is not read",
			"its folder is written", "the configuration is not written", "its own processes only"},
		"running":         {"ActiveState=active", "NRestarts=0", "process_resident_memory_bytes", `version="1"`},
		"visit":           {"R. Vega"},
		"upgraded":        {`version="2"`, "ActiveState=active", "R. Vega"},
		"rolled back":     {`version="1"`, "R. Vega"},
		"removed":         {"\ninactive\n", "stopped   after"},
		"installed again": {"\nactive\n"},
		"purged":          {"/etc/liftbank:\npin\nroots\nunit.yaml\n\n/var/lib/private/liftbank:\n", "no packages found"},
	} {
		told := said[name]
		if name == "check" { // a table
			told = strings.Join(strings.Fields(told), " ")
		}
		for _, text := range want {
			assert.Contains(t, told, text, name)
		}
	}
	assert.NotContains(t, said["try"], "i2c-2 opens", "it is in another group")
	checkAttacks(t, said)
}

// checkAttacks holds the service against what was done to it: it was not ended, and stayed within its
// memory, which the kernel would have ended it for leaving.
func checkAttacks(t *testing.T, said map[string]string) {
	t.Helper()
	for _, name := range []string{"broker", "idle", "forms", "guesses"} {
		text := said[name]
		t.Log(name + "\n" + text)
		assert.Contains(t, text, name+" withstood\n")
		assert.Contains(t, text, "\nNRestarts=0\n", name)
		assert.NotContains(t, text, "MainPID=0\n", name)
		assert.Contains(t, text, "\nMemoryMax="+strconv.Itoa(memoryMax)+"\n", "as shipped")
		// Memory that other processes have, too, as of the program itself, is not the group's alone: the
		// process's own peak is looked at as well.
		peaks := regexp.MustCompile(`\n(?:VmHWM:\s+(\d+) kB|peak (\d+))`).FindAllStringSubmatch(text, -1)
		require.NotEmpty(t, peaks, name)
		for _, m := range peaks {
			kib, _ := strconv.Atoi(m[1]) // one of the two is empty
			bytes, _ := strconv.Atoi(m[2])
			assert.Less(t, kib<<10+bytes, memoryMax, name)
		}
	}
	mainPID := regexp.MustCompile(`MainPID=\d+`)
	assert.Equal(t, mainPID.FindString(said["broker"]), mainPID.FindString(said["idle"]))
	assert.Equal(t, mainPID.FindString(said["idle"]), mainPID.FindString(said["forms"]))
}
