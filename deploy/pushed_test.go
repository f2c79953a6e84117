package deploy_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/cmd/slowtest"
)

// pushed says of a dashboard that it asks for what the collector sends.
func pushed(file string) bool { return strings.HasPrefix(filepath.Base(file), "pushed-") }

// pushedInventory makes of what agents show what the collector sends: the same names and labels, some more
// labels, and the lowest and highest of each minute.
func pushedInventory(shown inventory) inventory {
	all := inventory{}
	for name, labels := range shown {
		more := map[string][]string{"unit": nil, "group": nil}
		for label, values := range labels {
			more[label] = values
		}
		more["job"] = []string{"liftbank-fleet"}
		all[name] = more
		if m := regexp.MustCompile(`^(liftbank_(?:bank|battery|feed|motor)(?:_soc)?)_(volts|amperes|celsius|ratio)$`).FindStringSubmatch(name); m != nil {
			all[m[1]+"_min_"+m[2]], all[m[1]+"_max_"+m[2]] = more, more
		}
	}
	return all
}

// mayBeEmpty are panels that a small fleet of a day may have nothing for.
var mayBeEmpty = regexp.MustCompile("^(" + strings.Join([]string{
	"Silent A",                                // nobody is
	"Losing charge A", "Charge in and out .*", // want two snapshots, 6 h apart
	"Trouble of monitors A", // have none
}, "|") + ")$")

// What simulated units have sent goes from the collector to a real Prometheus, and each query of the
// dashboards is put to that as Grafana does.
func TestPushedDashboardsHaveData(t *testing.T) {
	slowtest.Long(t) // plays a day of four units, which then send it
	prometheus := program(t, "prometheus", "prometheus")
	dir, receiver, pages := t.TempDir(), freeAddress(t), freeAddress(t)
	demo := launch(t, liftbank(t), "fleet", "demo", "--units", "4", "--past", "30h", "--data", dir, "--listen", "127.0.0.1:0")
	demo.says(t, "have played their past")
	demo.says(t, "BatteryTired")
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(dir, "fleet.db"), db.Options{})
	require.NoError(t, err)
	for deadline := time.Now().Add(2 * time.Minute); ; <-time.After(500 * time.Millisecond) { // they live by the real clock
		units, err := d.Units(t.Context(), "", 10)
		require.NoError(t, err)
		if len(units) == 4 && !slices.ContainsFunc(units, func(u db.Unit) bool { return u.SnapshotAt.IsZero() }) {
			break
		}
		require.True(t, time.Now().Before(deadline), "%+v\n%s", units, demo.output())
	}
	require.NoError(t, d.Close())
	demo.tell(os.Interrupt)
	receive(t, demo.ends, "the demonstration's end")

	config := write(t, read(t, "prometheus", "pushed.yml"), dir, "prometheus.yml")
	server := launch(t, prometheus, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+receiver, "--web.enable-remote-write-receiver")
	server.says(t, "Server is ready to receive web requests.")
	launch(t, liftbank(t), "fleet", "run", "--config", write(t, "mqtt: {broker: 'mqtt://127.0.0.1:9'}\nhttp: {listen: '"+pages+
		"'}\ndatabase: {url: 'sqlite://fleet.db'}\nseries: {receivers: [{name: main, url: 'http://"+receiver+"/api/v1/write'}]}\n",
		dir, "fleet.yaml"))
	for deadline := time.Now().Add(time.Minute); len(queried(t, receiver, "last_over_time(liftbank_unit_info[30d])")) < 4; {
		require.True(t, time.Now().Before(deadline), server.output())
		<-time.After(200 * time.Millisecond) // both programs live by the real clock
	}

	asked := 0
	for file, b := range dashboards(t) {
		if !pushed(file) {
			continue
		}
		for where, expr := range b.queries() {
			n := 0
			for _, unit := range []string{"4001", "4002", "4003", "4004"} {
				// at any moment of the days that were played, as a panel over time has it
				n += len(queried(t, receiver, "last_over_time(("+strings.ReplaceAll(expr, "t-1042", unit)+")[4d:10m])"))
			}
			asked++
			if !mayBeEmpty.MatchString(where) {
				assert.NotZero(t, n, "%s: %s: %s", file, where, expr)
			}
		}
	}
	assert.Greater(t, asked, 40)
	// Some of them by their value: what stands, and who is there.
	assert.Len(t, queried(t, receiver, `last_over_time(liftbank_finding_active{finding="battery-tired",unit="4001"}[30d]) == 1`), 1)
	assert.Equal(t, []string{"4"}, queried(t, receiver, `count(count by (unit) (last_over_time(liftbank_snapshot_timestamp_seconds[30d])))`))
}

// queried returns the values that a query has now.
func queried(t *testing.T, address, expr string) (values []string) {
	t.Helper()
	client := http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Get("http://" + address + "/api/v1/query?" + url.Values{"query": {expr}}.Encode())
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, resp.StatusCode, "%s: %s", expr, body)
	var answer struct {
		Data struct {
			Result []struct{ Value [2]any }
		}
	}
	require.NoError(t, json.Unmarshal(body, &answer), string(body))
	for _, r := range answer.Data.Result {
		values = append(values, r.Value[1].(string))
	}
	return values
}

// Grafana reads these files strictly at its start; their fields are those of its documentation (from memory).
func TestGrafanaProvisioning(t *testing.T) {
	var sources struct {
		APIVersion  int `yaml:"apiVersion"`
		Datasources []struct {
			Name, UID, Type, Access, URL string
			JSONData                     map[string]string `yaml:"jsonData"`
		}
	}
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(read(t, "grafana", "provisioning", "datasources", "liftbank.yaml")), &sources, yaml.Strict()))
	require.Len(t, sources.Datasources, 1)
	assert.Equal(t, "prometheus", sources.Datasources[0].Type, "what the dashboards' variable lists")
	var boards struct {
		APIVersion int `yaml:"apiVersion"`
		Providers  []struct {
			Name, Folder, Type    string
			AllowUIUpdates        bool `yaml:"allowUiUpdates"`
			UpdateIntervalSeconds int  `yaml:"updateIntervalSeconds"`
			Options               struct{ Path string }
		}
	}
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(read(t, "grafana", "provisioning", "dashboards", "liftbank.yaml")), &boards, yaml.Strict()))
	require.Len(t, boards.Providers, 1)
	assert.Contains(t, read(t, "grafana", "README.md"), " "+boards.Providers[0].Options.Path+" ", "where the page puts them")
}
