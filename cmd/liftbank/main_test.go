//go:build !board

package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
	"liftbank/agent/store/file"
	"liftbank/cmd/internal/score"
)

func readFile(path string) (string, error) {
	b, err := os.ReadFile(path)
	return string(b), err
}

// command runs the program and gives what it wrote and its exit code.
func command(t *testing.T, stdin string, args ...string) (out, errs string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(streams{t.Context(), strings.NewReader(stdin), &o, &e}, args)
	return o.String(), e.String(), code
}

func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

const bankOne = "bank:\n  layout: parallel\n  batteries:\n    - {id: a, chemistry: flooded, rated_ah: 100, " +
	"rated_cca: 950}\n"

// aDischarge is a day of one battery of 17 Ah: six hours at rest at 12.65 V, then 1.7 A for two
// hours.
func aDischarge() string {
	var w strings.Builder
	w.WriteString("time_s,battery,voltage_v,current_a,temperature_c,note\n")
	for s := 0; s <= 8*3600; s += 60 {
		v, a := 12.65, 0.0
		if s > 6*3600 {
			v, a = 12.3, -1.7
		}
		fmt.Fprintf(&w, "%d,a,%g,%g,25,x\n", s, v, a)
	}
	return w.String()
}

func TestReplayWritesARowForEachRow(t *testing.T) {
	bank := write(t, "bank.yaml", strings.Replace(bankOne, "rated_ah: 100, rated_cca: 950",
		"rated_ah: 17, rated_cca: 230", 1))
	for _, extra := range [][]string{nil, {"--board"}} {
		out, errs, code := command(t, aDischarge(), append([]string{"replay", "--bank", bank, "-"}, extra...)...)
		require.Zero(t, code, errs)
		rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		require.NoError(t, err)
		assert.Equal(t,
			strings.Split("time_s,battery,soc_pct,soc_sigma_pct,rested_v,resistance_mohm,cranking_a,verdict", ","),
			rows[0])
		require.Len(t, rows, 1+8*60+1)
		last := rows[len(rows)-1]
		assert.Equal(t, []string{"28800", "a"}, last[:2])
		soc, err := strconv.ParseFloat(last[2], 64)
		require.NoError(t, err)
		start, err := strconv.ParseFloat(rows[360][2], 64)
		require.NoError(t, err)
		sigma, err := strconv.ParseFloat(last[3], 64)
		require.NoError(t, err)
		assert.InDelta(t, start-20, soc, sigma, "1.7 A for two hours out of 17 Ah, %v", extra)
		assert.Less(t, sigma, 12.0, "a tap of 1 % is some 8 % of charge")
		assert.Equal(t, "unknown", last[7])
		assert.Regexp(t, `^replayed 481 rows, 8\.0 h, 1 batteries: a \d+ ± [\d.]+ % `, errs)
	}
}

func TestReplayRefusesBadInput(t *testing.T) {
	bank := write(t, "bank.yaml", bankOne)
	const head = "time_s,battery,voltage_v,current_a,temperature_c\n"
	for name, c := range map[string]struct{ curve, want string }{
		"missing columns": {"time_s,battery,voltage_v\n0,a,12\n", "current_a"},
		"not a number":    {head + "0,a,NaN,0,25\n", ":2"},
		"time goes back":  {head + "60,a,12,0,25\n0,a,12,0,25\n", ":3"},
		"empty":           {"", "empty"},
		"other battery":   {head + "0,b,12,0,25\n", `battery "b"`},
	} {
		_, errs, code := command(t, c.curve, "replay", "--bank", bank, "-")
		assert.Equal(t, exitUsage, code, name)
		assert.Contains(t, errs, c.want, name)
		assert.NotContains(t, errs, "panic", name)
	}
	_, errs, code := command(t, "", "replay", "--bank", write(t, "bank.yaml",
		strings.Replace(bankOne, "flooded", "lithium", 1)), "-")
	assert.Equal(t, exitUsage, code)
	assert.Regexp(t, `bank\.yaml:4:.*chemistry`, errs)
	_, errs, code = command(t, "", "replay", "--bank", bank, "no-such.csv")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "no-such.csv")
}

func TestCheck(t *testing.T) {
	good := filepath.Join("..", "..", "deploy", "board-two-batteries.yaml")
	out, errs, code := command(t, "", "check", "--fields-only", "--config", good)
	require.Zero(t, code, errs)
	assert.Contains(t, out,
		"board-two-batteries.yaml: OK: unit lift-1, 2 batteries, 2 input chips, 8 channels, 3 contacts")

	text, err := readFile(good)
	require.NoError(t, err)
	for name, c := range map[string]struct{ from, to, want string }{
		"unknown field":     {"rated_ah: 100 ", "capacity: 100 ", `:\d+: bank\.batteries\[0\]\.capacity`},
		"wrong unit":        {"rated_ah: 100 ", "rated_ah: 100 V ", `:\d+: bank\.batteries\[0\]\.rated_ah`},
		"one input, twice":  {"input: AIN1", "input: AIN0", `:\d+: board\.channels`},
		"number for a time": {"rest_every: 1s", "rest_every: 1", `:\d+: board\.scan\.rest_every`},
	} {
		require.Contains(t, text, c.from, name)
		bad := write(t, "unit.yaml", strings.Replace(text, c.from, c.to, 1))
		_, errs, code := command(t, "", "check", "--config", bad)
		assert.Equal(t, exitConfig, code, name)
		assert.Regexp(t, `unit\.yaml`+c.want, errs, name)
	}
}

func TestRunWithoutABusSaysSo(t *testing.T) {
	text, err := readFile(filepath.Join("..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	path := write(t, "unit.yaml", strings.Replace(text, "i2c_bus: /dev/i2c-1", "i2c_bus: /dev/i2c-97", 1))
	_, errs, code := command(t, "", "run", "--config", path)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errs, "i2c-97")
	_, errs, code = command(t, "", "run", "--config", "no-such.yaml")
	assert.Equal(t, exitConfig, code)
	assert.Contains(t, errs, "no-such.yaml")
}

func TestSimulateReport(t *testing.T) {
	out, errs, code := command(t, "", "simulate", "--scenario", "feed-lost", "--days", "0.3", "--report", "-")
	require.Zero(t, code, errs)
	var rep score.Report
	require.NoError(t, json.Unmarshal([]byte(out), &rep))
	require.NotEmpty(t, rep.Findings)
	assert.Equal(t, "feed-lost", rep.Findings[0].Finding)
	assert.NotNil(t, rep.Findings[0].DetectedS)
	assert.Equal(t, rep.Runs.True, rep.Runs.Counted)

	out, _, code = command(t, "", "simulate", "--list")
	require.Zero(t, code)
	assert.Contains(t, out, "healthy-day")
}

func TestUsageErrors(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"simulate"}, "--scenario"},
		{[]string{"simulate", "--scenario", "no-such"}, "no-such"},
		{[]string{"simulate", "--scenario", "healthy-day", "--step", "1h"}, "200ms to 1m"},
		{[]string{"simulate", "--scenario", "healthy-day", "--days", "-1"}, "--days"},
		{[]string{"suite", "nonsense"}, "want estimator, findings, healthy, wiring, capability"},
		{[]string{"suite"}, `suite "": want estimator, findings`},
		{[]string{"suite", "estimator", "--seeds", "0"}, "--seeds 0: want 1 to"},
		{[]string{"suite", "healthy", "--seeds", "1", "--years", "1"}, "--seeds and --years"},
		{[]string{"suite", "wiring", "--sweep"}, "--sweep: not a flag of the suite wiring"},
		{[]string{"suite", "wiring", "--only", "("}, "--only"},
		{[]string{"suite", "findings", "--only", "no such thing"}, "no scenario matches"},
		{[]string{"suite", "findings", "--step", "1h"}, "200ms to 1m"},
		{[]string{"demo", "--speed", "0"}, "--speed"},
		{[]string{"demo", "--past", "-1h"}, "--past"},
		{[]string{"demo", "--past", "2000h"}, "--past"},
		{[]string{"explain", "no-such"}, "feed-lost"},
		{[]string{"nonsense"}, "nonsense"},
		{[]string{"run"}, "--config"},
		{[]string{"run", "--nonsense"}, "try: liftbank run --help"},
		{[]string{"help", "nonsense"}, "nonsense"},
		{[]string{"completion", "csh"}, "csh"},
		{[]string{"check", "--config", "x", "--as", "no-such-user"}, "no-such-user"},
		{[]string{"simulate", "--scenario", "healthy-day", "--json"}, "want --list with it"},
		{[]string{"replay", "--bank", "-", "-"}, "several on standard input"},
		{[]string{"demo", "--broker-cert", "x.pem"}, "want --broker with it"},
		{[]string{"demo", "--broker", "mqtts://localhost", "--broker-ca", "no-such.pem"}, "no-such.pem: not there"},
		{[]string{"demo", "--broker", "http://localhost"}, "http://localhost"},
		{[]string{"demo", "--unit", "Ü"}, "unit.id"},
	} {
		_, errs, code := command(t, "", c.args...)
		want := exitUsage
		if c.args[0] == "run" {
			want = exitConfig // the service is not started again with it
		}
		assert.Equal(t, want, code, c.args)
		assert.Contains(t, errs, c.want, c.args)
	}
}

func TestHelp(t *testing.T) {
	out, _, code := command(t, "", "help")
	require.Zero(t, code)
	for _, name := range []string{
		"run", "demo", "check", "pin", "explain", "replay", "simulate", "suite", "constants", "completion",
	} {
		assert.Contains(t, out, name)
		help, _, code := command(t, "", name, "--help")
		require.Zero(t, code, name)
		assert.Contains(t, help, "Example: liftbank "+name)
		same, _, code := command(t, "", "help", name)
		require.Zero(t, code, name)
		assert.Equal(t, help, same)
	}
	for _, name := range []string{
		"fleet enrol", "fleet check", "fleet authority", "fleet authority init", "fleet authority renew", "fleet authority revoke",
		"fleet authority list", "fleet user", "fleet user add", "fleet user list", "fleet user remove", "fleet user password",
		"fleet units", "fleet units import", "fleet units export",
		"fleet alarms", "fleet refill",
	} {
		words := strings.Fields(name)
		help, _, code := command(t, "", append(words, "--help")...)
		require.Zero(t, code, name)
		assert.Contains(t, help, "Example: liftbank "+name)
		same, _, code := command(t, "", append([]string{"help"}, words...)...)
		require.Zero(t, code, name)
		assert.Equal(t, help, same)
	}
	_, errs, code := command(t, "", "fleet", "enrol", "--no-such")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "try: liftbank fleet enrol --help")
	_, errs, code = command(t, "", "help", "fleet", "nonsense")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, `"fleet nonsense"`)
}

func TestExplain(t *testing.T) {
	out, _, code := command(t, "", "explain", "feed-lost")
	require.Zero(t, code)
	for _, part := range []string{"feed-lost (urgent)", "How it is detected", "Likely causes", "Check next",
		"What clears it"} {
		assert.Contains(t, out, part)
	}
}

// syncBuffer is a buffer that a running command writes and a test reads.
type syncBuffer struct{ lines chan string }

func (b syncBuffer) Write(p []byte) (int, error) {
	for _, l := range strings.Split(strings.TrimRight(string(p), "\n"), "\n") {
		select {
		case b.lines <- l:
		default:
		}
	}
	return len(p), nil
}

// demo starts the demonstration on free ports and gives the addresses it prints and what stops it.
func demo(t *testing.T, args ...string) (page, broker string, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out := syncBuffer{make(chan string, 200)}
	done := make(chan int, 1)
	go func() {
		done <- run(streams{ctx, strings.NewReader(""), out, io.Discard},
			append([]string{"demo", "--past", "0s", "--listen", "127.0.0.1:0"}, args...))
	}()
	address := regexp.MustCompile(`^(page|mqtt) +(\S+)`)
	deadline := time.After(3 * time.Minute)
	for page == "" || broker == "" {
		select {
		case l := <-out.lines:
			if m := address.FindStringSubmatch(l); m != nil && m[1] == "page" {
				page = m[2]
			} else if m != nil {
				broker = m[2]
			}
		case code := <-done:
			require.Fail(t, "demo ended", "code %d", code)
		case <-deadline:
			require.Fail(t, "demo did not start")
		}
	}
	return page, broker, func() int {
		cancel()
		select {
		case code := <-done:
			return code
		case <-time.After(20 * time.Second):
			require.Fail(t, "demo did not end")
			return -1
		}
	}
}

func get(t *testing.T, url string) string {
	t.Helper()
	resp, err := http.Get(url)
	require.NoError(t, err)
	defer resp.Body.Close()
	require.Equal(t, http.StatusOK, resp.StatusCode, url)
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return string(body)
}

// The page's API, the metrics and the MQTT message with one sequence number give the same figures.
func TestDemoOutletsAgree(t *testing.T) {
	page, broker, stop := demo(t, "--speed", "600")
	bySeq := make(chan snapshot.Snapshot, 64)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker).SetClientID("test").SetAutoReconnect(false))
	require.True(t, client.Connect().WaitTimeout(10*time.Second))
	defer client.Disconnect(0)
	token := client.Subscribe("liftbank/v1/demo/snapshot", 1, func(_ mqtt.Client, m mqtt.Message) {
		var s snapshot.Snapshot
		if json.Unmarshal(m.Payload(), &s) == nil {
			bySeq <- s
		}
	})
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())

	matched := 0
	for range 12 {
		s := <-bySeq
		var api snapshot.Snapshot
		require.NoError(t, json.Unmarshal([]byte(get(t, page+"api/v1/snapshot")), &api))
		metrics := get(t, page+"metrics")
		if api.Seq != s.Seq || metric(t, metrics, "liftbank_snapshot_sequence") != float64(s.Seq) {
			continue // a newer one came in between
		}
		matched++
		assert.Equal(t, s, api)
		for _, b := range s.Batteries {
			assert.Equal(t, *b.VoltageV, metric(t, metrics, `liftbank_battery_volts{battery="`+b.ID+`"}`))
		}
		if matched == 2 {
			break
		}
	}
	assert.Positive(t, matched, "no snapshot seen by all three")
	assert.True(t, strings.Contains(get(t, page), "<html"))
	assert.Zero(t, stop())
}

// metric returns the value of a sample in the text format.
func metric(t *testing.T, text, sample string) float64 {
	t.Helper()
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, sample+" "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			require.NoError(t, err)
			return v
		}
	}
	return math.NaN()
}

func TestDemoOnATakenPortSaysSo(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	_, errs, code := command(t, "", "demo", "--listen", l.Addr().String(), "--for", "5s")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errs, l.Addr().String())
	assert.Contains(t, errs, "--listen")
}

// A demonstration that can't start leaves nothing open: whoever looks at its folder next can.
func TestADemoThatFailsClosesItsStore(t *testing.T) {
	for _, taken := range []string{"recording", "recording.truth.csv"} {
		dir := t.TempDir()
		if taken == "recording" {
			require.NoError(t, os.WriteFile(filepath.Join(dir, taken), nil, 0o600), "a file where a folder should be")
		} else {
			require.NoError(t, os.Mkdir(filepath.Join(dir, taken), 0o755))
		}
		_, errs, code := command(t, "", "demo", "--listen", "127.0.0.1:0", "--for", "5s", "--data", dir)
		assert.Equal(t, exitUsage, code, errs)
		db, err := file.Open(dir)
		require.NoError(t, err, taken)
		require.NoError(t, db.Close())
	}
}

// With a PIN of one's own the tries outlive a restart.
func TestDemoWithAGivenPIN(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "pin")
	code, errs, exit := command(t, "", "pin", "--make", "--file", path)
	require.Zero(t, exit, errs)
	page, _, stop := demo(t, "--pin-file", path, "--data", filepath.Join(dir, "data"))
	resp, err := http.PostForm(page+"/pin", url.Values{"pin": {strings.TrimSpace(code)}})
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	assert.Equal(t, http.StatusOK, resp.StatusCode, "the page that it leads to")
	assert.NotNil(t, resp.Request.Response, "it was let in, and led on")
	assert.Zero(t, stop())
	assert.FileExists(t, filepath.Join(dir, "data", "tries.json"))
}

// An unreachable broker is a normal state: the demonstration runs on and says so in its metrics.
func TestDemoWithoutABrokerRunsOn(t *testing.T) {
	page, _, stop := demo(t, "--speed", "600", "--broker", "mqtt://127.0.0.1:9")
	require.Eventually(t, func() bool {
		resp, err := http.Get(page + "readyz")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	}, 20*time.Second, 50*time.Millisecond)
	assert.Zero(t, metric(t, get(t, page+"metrics"), `liftbank_publish_connected{outlet="mqtt"}`))
	assert.Zero(t, stop())
}
