package deploy_test

import (
	"encoding/json"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// dashboard is what the tests need of a dashboard in Grafana's classic JSON model.
type dashboard struct {
	UID, Title string
	Templating struct {
		List []struct {
			Name, Type, Definition string
			Query                  json.RawMessage
		}
	}
	Panels []panel
}

type panel struct {
	ID                       int
	Type, Title, Description string
	Datasource               source
	GridPos                  struct{ X, Y, W, H int }
	FieldConfig              struct{ Defaults struct{ Unit string } }
	Targets                  []struct {
		RefID, Expr, LegendFormat string
		Datasource                source
	}
	Transformations []struct {
		ID      string
		Options struct{ RenameByName map[string]string }
	}
}

type source struct{ Type, UID string }

func dashboards(t *testing.T) map[string]dashboard {
	t.Helper()
	files, err := filepath.Glob("grafana/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	all := map[string]dashboard{}
	for _, file := range files {
		var b dashboard
		require.NoError(t, json.Unmarshal([]byte(read(t, file)), &b), file)
		all[file] = b
	}
	return all
}

// queries returns every expression of a dashboard with the panel that it is in, the dashboard's
// variables put in.
func (b dashboard) queries() map[string]string {
	all := map[string]string{}
	for _, p := range b.Panels {
		for _, target := range p.Targets {
			all[p.Title+" "+target.RefID] = strings.ReplaceAll(target.Expr, "$instance", "t-1042")
		}
	}
	return all
}

func TestDashboardsAskForWhatAgentsShow(t *testing.T) {
	all := inventoryOf(t)
	rules, recorded := rulesOf(t)
	all["ALERTS"] = map[string][]string{"alertstate": {"firing", "pending"}} // Prometheus' own
	for _, r := range rules {
		if r.Alert != "" {
			all["ALERTS"]["alertname"] = append(all["ALERTS"]["alertname"], r.Alert)
		}
	}
	names := regexp.MustCompile(`alertname=~"([^"]*)"`)
	shown, sent := all, pushedInventory(all)
	for file, b := range dashboards(t) {
		if all = shown; pushed(file) {
			all = sent
		}
		for where, expr := range b.queries() {
			require.NotEmpty(t, selectors(expr), "%s: %s: %s", file, where, expr)
			assert.Empty(t, all.check(expr, recorded), "%s: %s", file, where)
			for _, m := range names.FindAllStringSubmatch(expr, -1) {
				for name := range strings.SplitSeq(m[1], "|") {
					assert.Contains(t, all["ALERTS"]["alertname"], name, "%s: %s", file, where)
				}
			}
		}
		for _, v := range b.Templating.List {
			if v.Type == "query" {
				m := regexp.MustCompile(`^label_values\((\w+), (\w+)\)$`).FindStringSubmatch(v.Definition)
				require.NotNil(t, m, v.Definition)
				assert.Contains(t, all[m[1]], m[2], file)
				assert.Contains(t, string(v.Query), v.Definition, file)
			}
		}
	}
}

// promtool has Prometheus' own parser: each query is put to it as a rule.
func TestDashboardsSpeakPromQL(t *testing.T) {
	type rec struct {
		Record string `yaml:"record"`
		Expr   string `yaml:"expr"`
	}
	var all []rec
	for _, b := range dashboards(t) {
		for _, expr := range b.queries() {
			all = append(all, rec{"q" + strconv.Itoa(len(all)), expr})
		}
	}
	text, err := yaml.Marshal(map[string]any{"groups": []any{map[string]any{"name": "queries", "rules": all}}})
	require.NoError(t, err)
	promtool(t, "check", "rules", write(t, string(text), t.TempDir(), "queries.yml"))
}

// Units: ids of Grafana's list of value formats, as its documentation names them (from memory).
var units = []string{"none", "percentunit", "volt", "amp", "ohm", "celsius", "s", "bytes", "dateTimeFromNow"}

func TestDashboardsAreWhole(t *testing.T) {
	uids := map[string]bool{}
	for file, b := range dashboards(t) {
		assert.NotEmpty(t, b.Title, file)
		assert.False(t, uids[b.UID], "%s: uid %q twice", file, b.UID)
		uids[b.UID] = true
		ids, taken := map[int]bool{}, map[[2]int]string{}
		for _, p := range b.Panels {
			assert.False(t, ids[p.ID], "%s: panel id %d twice", file, p.ID)
			ids[p.ID] = true
			assert.LessOrEqual(t, p.GridPos.X+p.GridPos.W, 24, "%s: %s: wider than the grid", file, p.Title)
			for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
				for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
					assert.Empty(t, taken[[2]int{x, y}], "%s: %s lies on it", file, p.Title)
					taken[[2]int{x, y}] = p.Title
				}
			}
			if p.Type == "row" {
				continue
			}
			assert.NotEmpty(t, p.Targets, "%s: %s", file, p.Title)
			assert.Regexp(t, `\.$`, p.Description, "%s: %s: says in a sentence what it shows", file, p.Title)
			assert.Contains(t, units, p.FieldConfig.Defaults.Unit, "%s: %s", file, p.Title)
			assert.Equal(t, source{"prometheus", "${datasource}"}, p.Datasource, "%s: %s", file, p.Title)
			for _, target := range p.Targets {
				assert.Equal(t, p.Datasource, target.Datasource, "%s: %s", file, p.Title)
			}
		}
	}
	// Links between the dashboards lead to one that is there.
	for file := range dashboards(t) {
		for _, m := range regexp.MustCompile(`"/d/([a-z-]+)`).FindAllStringSubmatch(read(t, file), -1) {
			assert.True(t, uids[m[1]], "%s: link to %s", file, m[1])
		}
	}
}
