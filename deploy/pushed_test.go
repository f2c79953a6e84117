package deploy_test

import (
	"encoding/json"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/series"
	"liftbank/agent/fleet/wire"
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
	"Charge [BC]",           // wants minutes after a snapshot
	"Rested voltage A",      // wants a bank at rest when the snapshot was taken, which hangs on the time of day
}, "|") + ")$")

// What simulated units have sent goes from the collector to a real Prometheus and a real VictoriaMetrics, and each
// query of the dashboards is put to them as Grafana does: what comes back is what the panel says that it shows.
func TestPushedDashboardsHaveData(t *testing.T) {
	slowtest.Long(t) // plays two days of four units, which then send them
	dir := t.TempDir()
	playFourUnits(t, dir)
	receivers := map[string]string{"Prometheus": freeAddress(t), "VictoriaMetrics": freeAddress(t)}
	config := write(t, read(t, "prometheus", "pushed.yml"), dir, "prometheus.yml")
	launch(t, program(t, "prometheus", "prometheus"), "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+receivers["Prometheus"], "--web.enable-remote-write-receiver").says(t, "Server is ready to receive web requests.")
	launch(t, program(t, "victoria-metrics", "victoria-metrics"),
		"-httpListenAddr="+receivers["VictoriaMetrics"], "-storageDataPath="+filepath.Join(dir, "vm"), "-retentionPeriod=2y",
		"-dedup.minScrapeInterval=1ms", "-search.latencyOffset=0s")
	for deadline := time.Now().Add(patience); ; <-time.After(50 * time.Millisecond) { // by the real clock, as the other program
		c, err := net.Dial("tcp", receivers["VictoriaMetrics"])
		if err == nil {
			_ = c.Close()
			break
		}
		require.True(t, time.Now().Before(deadline), err)
	}
	var to []string
	for name, address := range receivers {
		to = append(to, "{name: "+strings.ToLower(name)+", url: 'http://"+address+"/api/v1/write'}")
	}
	launch(t, liftbank(t), "fleet", "run", "--config", write(t, "mqtt: {broker: 'mqtt://127.0.0.1:9'}\nhttp: {listen: '"+freeAddress(t)+
		"'}\ndatabase: {url: 'sqlite://fleet.db'}\nseries: {receivers: ["+strings.Join(to, ", ")+"]}\n", dir, "fleet.yaml"))
	awaitSent(t, dir, receivers)
	for name, address := range receivers {
		asked := 0
		for file, b := range dashboards(t) {
			if !pushed(file) {
				continue
			}
			for i := range b.Panels {
				if b.Panels[i].Type != "row" {
					asked += drawn(t, name+": "+file, address, &b.Panels[i])
				}
			}
			for _, v := range b.Templating.List {
				if v.Type == "query" {
					assert.Equal(t, []string{"4001", "4002", "4003", "4004"}, choices(t, address, v.Definition), "%s: %s: %s", name, file, v.Name)
				}
			}
		}
		assert.Greater(t, asked, 40, name)
		// Some of them by their value: what stands, and who is there.
		assert.Len(t, queried(t, address, `last_over_time(liftbank_finding_active{finding="battery-tired",unit="4001"}[30d]) == 1`), 1, name)
		four := queried(t, address, `count(count by (unit) (last_over_time(liftbank_snapshot_timestamp_seconds[30d])))`)
		require.Len(t, four, 1, name)
		assert.EqualValues(t, 4, four[0].value, name)
	}
}

// awaitSent waits until receivers have all that the database has: records by the sender's cursors, and the snapshots, which
// have none.
func awaitSent(t *testing.T, dir string, receivers map[string]string) {
	t.Helper()
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(dir, "fleet.db"), db.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Close()) }()
	all := func(name, address string) bool {
		for _, stream := range series.Streams {
			last, err := d.RecentRecords(t.Context(), stream, math.MaxInt64, 1)
			require.NoError(t, err)
			sent, err := d.Position(t.Context(), "series:"+strings.ToLower(name)+":"+stream)
			require.NoError(t, err)
			if len(last) > 0 && sent < last[0].ID {
				return false
			}
		}
		return len(queried(t, address, "last_over_time(liftbank_clock_trusted[30d])")) == 4
	}
	for name, address := range receivers {
		for deadline := time.Now().Add(3 * patience); !all(name, address); {
			require.True(t, time.Now().Before(deadline), name)
			<-time.After(200 * time.Millisecond) // all these programs live by the real clock
		}
	}
}

// playFourUnits has a demonstration leave a database of four units with a day behind them.
func playFourUnits(t *testing.T, dir string) {
	t.Helper()
	// Two working days whatever the time is now: of one, not every battery is judged.
	demo := launch(t, liftbank(t), "fleet", "demo", "--units", "4", "--past", "54h", "--data", dir, "--listen", "127.0.0.1:0")
	for deadline := time.Now().Add(2 * time.Minute); !strings.Contains(demo.output(), "have played their past"); {
		require.True(t, time.Now().Before(deadline), demo.output())
		<-time.After(200 * time.Millisecond) // it calculates for some seconds, on a busy machine for many
	}
	demo.says(t, "BatteryTired")
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(dir, "fleet.db"), db.Options{})
	require.NoError(t, err)
	for deadline := time.Now().Add(2 * time.Minute); ; <-time.After(500 * time.Millisecond) { // they live by the real clock
		units, err := d.Units(t.Context(), "", 10)
		require.NoError(t, err)
		if len(units) == 4 && !slices.ContainsFunc(units, func(u db.Unit) bool {
			last, err := d.UnitRecords(t.Context(), u.ID, wire.Readings, math.MaxInt64, 1)
			require.NoError(t, err)
			return u.SnapshotAt.IsZero() || len(last) == 0 || time.Since(last[0].At) > 2*time.Hour
		}) {
			break
		}
		require.True(t, time.Now().Before(deadline), "%+v\n%s", units, demo.output())
	}
	require.NoError(t, d.Close())
	demo.tell(os.Interrupt)
	receive(t, demo.ends, "the demonstration's end")
}

// sensible is what figures of lead-acid banks of 12 V can be, by a panel's unit, and closer by its title.
var sensible = map[string][2]float64{
	"percentunit": {-0.3, 1.3}, // the ends of an estimate's range go beyond
	"volt":        {0, 16}, "amp": {-400, 1200}, "ohm": {0, 1}, "celsius": {-40, 60}, "s": {0, 40 * 86400}, "none": {-1000, 1e6},
	"dateTimeFromNow": {1.7e12, 1e13}, // ms since 1970

	"Bank charge": {0.05, 1}, "Rested voltage": {11, 13.5}, "Lowest charge": {5, 100}, "Active findings": {0, 20}, "Units": {4, 4},
	"Heard in the last day": {1, 4}, "Lift cycles": {1, 1000}, "Runs per day": {1, 300}, "Bank in the last run": {8, 13},
	"Resistance": {1e-3, 0.1}, "Upper battery less lower": {-4, 4}, "Links": {0, 0.05}, "Paths": {0, 0.2}, "Clock": {0, 1}, "Discharge shares": {0, 1},
	"Cold cranking capability": {50, 1200}, "Bank, lowest and highest of each minute": {7, 16},
}

// drawn asks what a panel asks, for each unit (over time, at any moment of the days that were played), and checks what would
// be drawn.
// It returns how many queries that were.
func drawn(t *testing.T, where, address string, p *panel) int {
	t.Helper()
	where += ": " + p.Title
	columns := map[string]bool{"Value": len(p.Targets) == 1}
	bounds, known := sensible[p.Title]
	if !known {
		bounds = sensible[p.FieldConfig.Defaults.Unit]
	}
	for _, target := range p.Targets {
		columns["Value #"+target.RefID] = len(p.Targets) > 1
		n := 0
		for _, unit := range []string{"4001", "4002", "4003", "4004"} {
			legends := map[string]bool{}
			expr := strings.ReplaceAll(target.Expr, "$instance", unit)
			query := expr // a table and a stat have what is now
			if p.Type == "timeseries" {
				query = "(" + expr + ") or last_over_time((" + expr + ")[4d:10m])" // snapshots are of now
			}
			for _, s := range queried(t, address, query) {
				n++
				bounds := bounds
				if unit == "4004" && p.FieldConfig.Defaults.Unit == "volt" {
					bounds[1] *= 2 // its batteries are in series
				}
				for label := range s.labels {
					columns[label] = true
				}
				if p.Type != "table" || len(p.Targets) == 1 { // a table has columns of several kinds
					assert.True(t, s.value >= bounds[0] && s.value <= bounds[1], "%s %s: %v, want %v", where, target.RefID, s, bounds)
				}
				if p.Type == "timeseries" {
					legend := regexp.MustCompile(`{{(\w+)}}`).ReplaceAllStringFunc(target.LegendFormat, func(m string) string {
						label := s.labels[strings.Trim(m, "{}")]
						assert.NotEmpty(t, label, "%s %s: legend %s of %v", where, target.RefID, target.LegendFormat, s.labels)
						return label
					})
					assert.NotEmpty(t, legend, where)
					assert.False(t, legends[legend], "%s %s: two lines %q of unit %s", where, target.RefID, legend, unit)
					legends[legend] = true
				}
				if p.Type == "stat" {
					assert.False(t, legends[unit], "%s: more than one figure", where)
					legends[unit] = true
				}
			}
		}
		if !mayBeEmpty.MatchString(p.Title + " " + target.RefID) {
			assert.NotZero(t, n, "%s %s: %s", where, target.RefID, target.Expr)
		}
	}
	for _, x := range p.Transformations {
		for column := range x.Options.RenameByName {
			assert.True(t, columns[column] || mayBeEmpty.MatchString(p.Title+" A"), "%s: a column %s that no query has: %v", where, column, columns)
		}
	}
	return len(p.Targets)
}

// point is a series with its value.
type point struct {
	labels map[string]string
	value  float64
}

// ask asks a time-series database over HTTP.
func ask(t *testing.T, address, path string, q url.Values, answer any) {
	t.Helper()
	client := http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Get("http://" + address + path + "?" + q.Encode())
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, resp.StatusCode, "%s: %s", q, body)
	require.NoError(t, json.Unmarshal(body, answer), string(body))
}

// queried returns what a query has now.
func queried(t *testing.T, address, expr string) (all []point) {
	t.Helper()
	var answer struct {
		Data struct {
			Result []struct {
				Metric map[string]string
				Value  [2]any
			}
		}
	}
	ask(t, address, "/api/v1/query", url.Values{"query": {expr}}, &answer)
	for _, r := range answer.Data.Result {
		v, err := strconv.ParseFloat(r.Value[1].(string), 64)
		require.NoError(t, err, expr)
		all = append(all, point{r.Metric, v})
	}
	return all
}

// choices returns what a dashboard's variable offers, asked as Grafana does.
func choices(t *testing.T, address, definition string) (all []string) {
	t.Helper()
	m := regexp.MustCompile(`^label_values\((\w+), (\w+)\)$`).FindStringSubmatch(definition)
	require.NotNil(t, m, definition)
	now := time.Now()
	var answer struct{ Data []string }
	ask(t, address, "/api/v1/label/"+m[2]+"/values", url.Values{
		"match[]": {m[1]}, "start": {strconv.FormatInt(now.Add(-7*24*time.Hour).Unix(), 10)}, "end": {strconv.FormatInt(now.Unix(), 10)},
	}, &answer)
	return answer.Data
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
