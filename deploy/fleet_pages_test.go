package deploy_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/setup"
)

// The example has every field, with the defaults that it says.
func TestFleetExampleLoads(t *testing.T) {
	text := read(t, "fleet.yaml")
	got, err := setup.Parse("/etc/liftbank-fleet/fleet.yaml", []byte(text))
	require.NoError(t, err)
	want := setup.Default()
	assert.Equal(t, want.HTTP, got.HTTP)
	assert.Equal(t, want.Keep, got.Keep)
	assert.Equal(t, want.MQTT.AnswerEvery, got.MQTT.AnswerEvery)
	assert.Equal(t, want.MQTT.ClientID, got.MQTT.ClientID)
	assert.Equal(t, want.MQTT.Prefix, got.MQTT.Prefix)
	assert.Equal(t, "/etc/liftbank-fleet/fleet.collector.key", got.MQTT.Files.Key)
	full := regexp.MustCompile(`(?m)^( *)# ( *(?:- )?\w+:)`).ReplaceAllString(text, "$1$2")
	require.NotEqual(t, text, full)
	full = strings.Replace(full, "sqlite:///var/lib/liftbank-fleet/fleet.db", "postgres://fleet@db.example/fleet", 1)
	got, err = setup.Parse("fleet.yaml", []byte(full))
	require.NoError(t, err, "what is commented out is right, too:\n%s", full)
	assert.NotEmpty(t, got.HTTP.SignOn.From)
	assert.Len(t, got.Series.Receivers, 1)
	assert.NotEmpty(t, got.HTTP.Proxy.Trusted)
	for _, row := range regexp.MustCompile("(?m)^\\| `([^`]+)`").FindAllStringSubmatch(setup.Reference(), -1) {
		assert.Regexp(t, `\b`+row[1][strings.LastIndex(row[1], ".")+1:]+`:`, text, row[1])
	}
}

func TestFleetReferenceIsCurrent(t *testing.T) {
	if *update {
		require.NoError(t, os.WriteFile("fleet-config.md", []byte(setup.Reference()), 0o644))
	}
	if read(t, "fleet-config.md") != setup.Reference() {
		t.Error("fleet-config.md is not what the program accepts: renew it with go test ./deploy -run FleetReference -update and read the difference")
	}
}

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

// systemctlScript stands in for the service manager: it runs broker, collector, Alertmanager and
// Prometheus as they are set up.
const systemctlScript = `#!/bin/bash
stop() { if [ -e "$ROOT/$1.pid" ]; then kill "$(cat "$ROOT/$1.pid")"; while kill -0 "$(cat "$ROOT/$1.pid")"; do sleep 0.1; done; fi; }
run() { stop "$1" 2>/dev/null; "${@:2}" >>"$ROOT/$1.log" 2>&1 & echo $! >"$ROOT/$1.pid"; }
waits() { for i in $(seq 100); do (: <"/dev/tcp/127.0.0.1/$1") 2>/dev/null && return; sleep 0.1; done; exit 1; }
case "$*" in
"restart mosquitto") run mosquitto "$MOSQUITTO" -c "$ROOT/etc/mosquitto/mosquitto.conf"; waits "$BROKER_PORT" ;;
"reload mosquitto") kill -HUP "$(cat "$ROOT/mosquitto.pid")" ;;
"restart prometheus-alertmanager") run alertmanager "$ALERTMANAGER" --config.file="$ROOT/etc/prometheus/alertmanager.yml" \
	--web.listen-address="127.0.0.1:$ALERT_PORT" --cluster.listen-address= --storage.path="$ROOT/alertmanager"; waits "$ALERT_PORT" ;;
"restart prometheus") . "$ROOT/etc/default/prometheus"; run prometheus "$PROMETHEUS" --config.file="$ROOT/etc/prometheus/prometheus.yml" $ARGS \
	--web.listen-address="127.0.0.1:$SERIES_PORT" --storage.tsdb.path="$ROOT/prometheus"; waits "$SERIES_PORT" ;;
"enable --now liftbank-fleet" | "start liftbank-fleet" | "restart liftbank-fleet") run fleet liftbank fleet run --config "$ROOT/etc/liftbank-fleet/fleet.yaml" ;;
"stop liftbank-fleet") stop fleet 2>/dev/null ;;
*) echo "systemctl $*: not known here"; exit 1 ;;
esac
`

// The commands of both pages, as written: in a folder that stands for the server's root, without
// package manager and groups, on free ports, and with this machine as the broker's name.
func TestFleetPagesRunAsWritten(t *testing.T) {
	t.Parallel() // waits more than it computes
	if testing.Short() {
		t.Skip("runs two pages of commands")
	}
	env := []string{"MOSQUITTO=" + program(t, "mosquitto", "mosquitto"),
		"ALERTMANAGER=" + program(t, "prometheus-alertmanager", "prometheus-alertmanager"),
		"PROMETHEUS=" + program(t, "prometheus", "prometheus")}
	for name, pkg := range map[string]string{"mosquitto_sub": "mosquitto-clients", "amtool": "prometheus-alertmanager", "promtool": "prometheus",
		"sqlite3": "sqlite3", "curl": "curl"} {
		program(t, name, pkg)
	}
	root, work := t.TempDir(), t.TempDir()
	for _, dir := range []string{"bin", "etc/mosquitto/conf.d", "etc/liftbank-fleet", "etc/prometheus", "etc/default", "var/lib/mosquitto",
		"var/lib/liftbank-fleet", "doc/examples"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, dir), 0o755))
	}
	var ports [4]string
	for i := range ports {
		_, port, err := net.SplitHostPort(freeAddress(t))
		require.NoError(t, err)
		ports[i] = port
	}
	here := strings.NewReplacer("/etc/", root+"/etc/", "/var/lib/", root+"/var/lib/", "/usr/share/doc/liftbank-fleet", root+"/doc",
		"-C /etc", "-C "+root+"/etc", " -g mosquitto", "", " -g liftbank-fleet-secrets", "", "mqtts://broker.example",
		"mqtts://localhost:"+ports[0], "broker.example", "localhost", "192.0.2.7", "127.0.0.1", "8883", ports[0], "9093", ports[1], "8490", ports[2], "9090", ports[3],
		"--for 20s", "--for 10s")
	for to, from := range map[string]string{"acl": "mosquitto/acl", "liftbank.conf": "mosquitto/liftbank.conf",
		"alertmanager.yml": "alertmanager/alertmanager.yml", "prometheus.yml": "prometheus/pushed.yml", "unit.yaml": "board-two-batteries.yaml"} {
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
		for _, name := range []string{"fleet", "mosquitto", "alertmanager", "prometheus"} {
			if pid, err := os.ReadFile(filepath.Join(root, name+".pid")); err == nil {
				_ = exec.Command("kill", strings.TrimSpace(string(pid))).Run()
			}
		}
	})
	env = append(os.Environ(), append(env, "ROOT="+root, "BROKER_PORT="+ports[0], "ALERT_PORT="+ports[1], "SERIES_PORT="+ports[3],
		"PATH="+filepath.Join(root, "bin")+":"+filepath.Dir(liftbank(t))+":"+os.Getenv("PATH"))...)

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
		collector, _ := os.ReadFile(filepath.Join(root, "fleet.log"))
		require.NoError(t, err, "%s:\n%s\n%s\n%s", page, out, broker, collector)
		for _, want := range map[string][]string{
			"fleet.md": {"authority/issued: 2 units, 0 errors, 0 problems", `"name":"feed-lost"`, "liftbank_fleet_",
				"on-call\n", "t-1042: no charge reaches the bank  active", `liftbank_bank_volts{instance="t-1042"`, "t-1043: unit "},
			"restore.md": {"+ sqlite3", "\nok\n", "t-1043 ", "revoked on "},
		}[page] {
			assert.Contains(t, string(out), want, page)
		}
	}
	// The collector stored what the unit said; the restored database has it.
	out, err := exec.Command(program(t, "sqlite3", "sqlite3"), filepath.Join(root, "var/lib/liftbank-fleet/fleet.db"),
		"SELECT name, (SELECT count(*) FROM record) > 10 FROM unit").CombinedOutput()
	require.NoError(t, err, string(out))
	assert.Equal(t, "t-1042|1\n", string(out))
}
