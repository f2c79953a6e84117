package deploy_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
)

// blocks returns the commands of a page: its indented lines.
func blocks(page string) (lines []string) {
	fenced := false
	for line := range strings.Lines(page) {
		if strings.HasPrefix(line, "```") {
			fenced = !fenced
		}
		if command, ok := strings.CutPrefix(line, "    "); ok && !fenced {
			lines = append(lines, strings.TrimSpace(command))
		}
	}
	return lines
}

// systemctlScript stands in for the service manager: it runs broker and Alertmanager as they are set up.
// There are no other services here.
const systemctlScript = `#!/bin/bash
run() { [ -e "$ROOT/$1.pid" ] && kill "$(cat "$ROOT/$1.pid")" && sleep 0.3; "${@:2}" >>"$ROOT/$1.log" 2>&1 & echo $! >"$ROOT/$1.pid"; }
waits() { for i in $(seq 100); do (: <"/dev/tcp/127.0.0.1/$1") 2>/dev/null && return; sleep 0.1; done; exit 1; }
case "$*" in
"restart mosquitto") run mosquitto "$MOSQUITTO" -c "$ROOT/etc/mosquitto/mosquitto.conf"; waits "$BROKER_PORT" ;;
"reload mosquitto") kill -HUP "$(cat "$ROOT/mosquitto.pid")" ;;
"restart prometheus-alertmanager") run alertmanager "$ALERTMANAGER" --config.file="$ROOT/etc/prometheus/alertmanager.yml" \
	--web.listen-address="127.0.0.1:$ALERT_PORT" --cluster.listen-address= --storage.path="$ROOT/alertmanager"; waits "$ALERT_PORT" ;;
*) echo "systemctl $*" ;;
esac
`

// The commands of both pages, as written: in a folder that stands for the server's root, without
// package manager and groups, on free ports, and with this machine as the broker's name.
func TestFleetPagesRunAsWritten(t *testing.T) {
	if testing.Short() {
		t.Skip("runs two pages of commands")
	}
	env := []string{"MOSQUITTO=" + program(t, "mosquitto", "mosquitto"),
		"ALERTMANAGER=" + program(t, "prometheus-alertmanager", "prometheus-alertmanager")}
	for name, pkg := range map[string]string{"mosquitto_sub": "mosquitto-clients", "amtool": "prometheus-alertmanager",
		"sqlite3": "sqlite3", "bash": "bash"} {
		program(t, name, pkg)
	}
	root, work := t.TempDir(), t.TempDir()
	for _, dir := range []string{"bin", "etc/mosquitto/conf.d", "etc/liftbank-fleet", "etc/prometheus", "var/lib/mosquitto",
		"var/lib/liftbank-fleet", "doc/examples"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, dir), 0o755))
	}
	var ports [2]string
	for i := range ports {
		_, port, err := net.SplitHostPort(freeAddress(t))
		require.NoError(t, err)
		ports[i] = port
	}
	here := strings.NewReplacer("/etc/", root+"/etc/", "/var/lib/", root+"/var/lib/", "/usr/share/doc/liftbank-fleet", root+"/doc",
		"-C /etc", "-C "+root+"/etc", " -g mosquitto", "", " -g liftbank-fleet-secrets", "", "mqtts://broker.example",
		"mqtts://localhost:"+ports[0], "broker.example", "localhost", "192.0.2.7", "127.0.0.1", "8883", ports[0], "9093", ports[1],
		"--for 30s", "--for 10s")
	for to, from := range map[string]string{"acl": "mosquitto/acl", "liftbank.conf": "mosquitto/liftbank.conf",
		"alertmanager.yml": "prometheus/alertmanager.yml", "unit.yaml": "board-two-batteries.yaml"} {
		write(t, strings.Replace(here.Replace(read(t, from)), "listener "+ports[0], "listener "+ports[0]+" 127.0.0.1", 1),
			root, "doc/examples", to)
	}
	write(t, here.Replace(read(t, "fleet.yaml")), root, "etc/liftbank-fleet/fleet.yaml.example")
	main := fmt.Sprintf("persistence true\npersistence_location %s/var/lib/mosquitto/\nlog_dest stderr\ninclude_dir %s/etc/mosquitto/conf.d\n",
		root, root)
	if os.Getuid() == 0 {
		main += "user root\n"
	}
	write(t, main, root, "etc/mosquitto/mosquitto.conf")
	for name, text := range map[string]string{"systemctl": systemctlScript, "apt-get": "#!/bin/sh\n"} {
		require.NoError(t, os.WriteFile(filepath.Join(root, "bin", name), []byte(text), 0o755))
	}
	t.Cleanup(func() {
		for _, name := range []string{"mosquitto", "alertmanager"} {
			if pid, err := os.ReadFile(filepath.Join(root, name+".pid")); err == nil {
				_ = exec.Command("kill", strings.TrimSpace(string(pid))).Run()
			}
		}
	})
	env = append(os.Environ(), append(env, "ROOT="+root, "BROKER_PORT="+ports[0], "ALERT_PORT="+ports[1],
		"PATH="+filepath.Join(root, "bin")+":"+filepath.Dir(liftbank(t))+":"+os.Getenv("PATH"))...)

	// The collector's database, as it makes it.
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(root, "var/lib/liftbank-fleet/fleet.db"), db.Options{})
	require.NoError(t, err)
	require.NoError(t, d.Close())

	for _, page := range []string{"fleet.md", "restore.md"} {
		lines := blocks(read(t, page))
		require.Greater(t, len(lines), 10)
		script := "set -euxo pipefail\n" + here.Replace(strings.Join(lines, "\n")) + "\nkill $(jobs -p) 2>/dev/null || true\n"
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		cmd := exec.CommandContext(ctx, "bash", "-c", script)
		cmd.Dir, cmd.Env = work, env
		out, err := cmd.CombinedOutput()
		cancel()
		broker, _ := os.ReadFile(filepath.Join(root, "mosquitto.log"))
		require.NoError(t, err, "%s:\n%s\n%s", page, out, broker)
		for _, want := range map[string][]string{
			"fleet.md": {"authority/issued: 2 units, 0 errors, 0 problems", "bank-undercharged", "on-call", "SUCCESS",
				"t-1043: unit "},
			"restore.md": {"+ sqlite3", "\nok\n", "t-1043 ", "revoked on "},
		}[page] {
			assert.Contains(t, string(out), want, page)
		}
	}
}
