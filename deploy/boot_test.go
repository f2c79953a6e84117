package deploy_test

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// tryScript stands in for the agent where the service is as shipped, and says what it can reach. Its
// devices are those of the test: null(4) by another name, one of them for the group i2c alone.
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

// proofScript is what is done on the booted system.
const proofScript = `#!/bin/bash
say() { echo "== $1"; systemctl show -p ActiveState,Result,NRestarts,ExecMainStatus,StatusText liftbank; }
liftbank pin --make --file /etc/liftbank/pin 2>&1 >/dev/null
echo 'unit: {id: LIFT}' >/etc/liftbank/unit.yaml
systemctl start liftbank
say wrong
cp /etc/liftbank/unit.yaml.example /etc/liftbank/unit.yaml
echo 'visits: {pin_file: pin}' >>/etc/liftbank/unit.yaml
echo "== check"
liftbank check --config /etc/liftbank/unit.yaml --as liftbank 2>&1
mkdir -p /run/systemd/system/liftbank.service.d
drop() { printf '[Service]\nType=%s\nExecStart=\nExecStart=%s\nRestart=no\nStandardOutput=file:/root/%s\n' "$@" \
	>/run/systemd/system/liftbank.service.d/test.conf; systemctl daemon-reload; systemctl restart liftbank; }
drop oneshot /opt/try try
echo "== try"
cat /root/try
drop exec '/usr/bin/liftbank demo --listen 127.0.0.1:8480 --data /var/lib/liftbank/demo --speed 600' demo
for i in $(seq 100); do curl -fsS http://127.0.0.1:8480/readyz && break; sleep 0.2; done
say demo
curl -fsS http://127.0.0.1:8480/metrics | grep -E '^(process_resident|liftbank_clock)'
systemctl stop liftbank
say stopped
tail -1 /root/demo
`

// bootable makes a machine of this one's programs and a folder with the package's files, and returns
// the folder and what boots it.
func bootable(t *testing.T) (root string, boot func(devices ...string)) {
	t.Helper()
	nspawn := program(t, "systemd-nspawn", "systemd-container")
	if os.Geteuid() != 0 {
		t.Skip("only root can boot a system")
	}
	root = t.TempDir()
	for _, dir := range []string{"etc/systemd/system", "etc/liftbank", "var/lib", "usr", "root", "opt", "run", "tmp", "proc",
		"sys", "dev", "home"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, dir), 0o755))
	}
	for _, name := range []string{"bin", "sbin", "lib", "lib64"} {
		require.NoError(t, os.Symlink("usr/"+name, filepath.Join(root, name)))
	}
	write(t, read(t, "/usr/lib/os-release"), root, "etc/os-release")
	write(t, "", root, "etc/machine-id")
	write(t, "root:x:0:0:root:/root:/bin/sh\n", root, "etc/passwd")
	write(t, "root:x:0:\ni2c:x:901:\ngpio:x:902:\nliftbank-secrets:x:903:\n", root, "etc/group")
	write(t, "[Unit]\nDefaultDependencies=no\n[Service]\nType=oneshot\nStandardOutput=file:/root/proof\n"+
		"StandardError=file:/root/proof\nExecStart=/opt/proof\nExecStopPost=systemctl poweroff --no-block\n",
		root, "etc/systemd/system/proof.service")
	for name, text := range map[string]string{"proof": proofScript, "try": tryScript} {
		require.NoError(t, os.WriteFile(filepath.Join(root, "opt", name), []byte(text), 0o755))
	}
	return root, func(more ...string) {
		args := append([]string{"--directory=" + root, "--register=no", "--keep-unit", "--private-network", "--boot",
			"--console=pipe", "--bind-ro=/usr"}, more...)
		p := launch(t, nspawn, append(args, "systemd.unit=proof.service")...)
		select {
		case <-p.ends:
		case <-t.Context().Done():
		}
		t.Log(p.output())
	}
}

// The service as shipped, on a booted system: what it reaches and what not, what becomes of a wrong
// configuration, and that the program runs and stops within its limits.
func TestServiceOnABootedSystem(t *testing.T) {
	if testing.Short() {
		t.Skip("boots a system")
	}
	root, boot := bootable(t)
	binds := []string{"--bind-ro=" + liftbank(t) + ":/opt/liftbank"}
	for name, group := range map[string]int{"i2c-1": 901, "i2c-2": 0} {
		device := filepath.Join(t.TempDir(), name)
		if err := syscall.Mknod(device, syscall.S_IFCHR|0o660, 1<<8|3); err != nil {
			t.Skip("may not make devices: ", err)
		}
		require.NoError(t, os.Chown(device, 0, group))
		require.NoError(t, os.Chmod(device, 0o660))
		binds = append(binds, "--bind="+device+":/dev/"+name)
	}
	// The machine's own /usr stays as it is: the program is elsewhere here.
	moved := strings.NewReplacer("/usr/bin/liftbank", "/opt/liftbank")
	write(t, moved.Replace(read(t, "systemd", "liftbank.service")), root, "etc/systemd/system/liftbank.service")
	proof := "PATH=/opt:$PATH\n" + moved.Replace(proofScript)
	require.NoError(t, os.WriteFile(filepath.Join(root, "opt/proof"), []byte("#!/bin/bash\n"+proof), 0o755))
	write(t, read(t, "board-two-batteries.yaml"), root, "etc/liftbank/unit.yaml.example")
	write(t, "secret\n", root, "etc/liftbank/roots")
	boot(binds...)

	said := map[string]string{}
	for part := range strings.SplitSeq(read(t, root, "root/proof"), "== ") {
		name, text, _ := strings.Cut(part, "\n")
		said[name] = text
	}
	for name, want := range map[string][]string{
		"wrong": {"ActiveState=failed", "Result=exit-code", "NRestarts=0", "ExecMainStatus=78",
			"StatusText=not started until the configuration is right: "},
		"check": {"visits.pin_file  /etc/liftbank/pin  OK", "/dev/i2c-1         OK"},
		"try": {"i2c-1 opens", "i2c-3 is not there", "few devices", "liftbank-pin-1", "the secret of root is not read",
			"its folder is written", "the configuration is not written", "its own processes only"},
		"demo":    {"ActiveState=active", "NRestarts=0", "process_resident_memory_bytes"},
		"stopped": {"ActiveState=inactive", "Result=success", "stopped   after"},
	} {
		for _, text := range want {
			assert.Contains(t, said[name], text, name)
		}
	}
	assert.NotContains(t, said["try"], "i2c-2 opens", "it is in another group")
}
