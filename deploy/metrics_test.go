package deploy_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/metrics"
	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/cmd/slowtest"
	"liftbank/sim/scenario"
)

// inventory is every metric that an agent can show, with the values each of its labels was seen
// with.
type inventory map[string]map[string][]string

// inventoryOf gathers what a whole agent shows that runs, and the metrics of units about which
// everything is known: both sample snapshots, with whatever they leave unknown or empty filled in.
func inventoryOf(t *testing.T) inventory {
	t.Helper()
	all := inventory{"up": {}}
	unit := startUnit(t, "t-1042", `{broker: "mqtt://127.0.0.1:9"}`)
	get(t, unit.page+"/api/v1/snapshot") // the first is there
	for line := range strings.Lines(get(t, unit.page+"/metrics")) {
		m := sampleLine.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		if all[m[1]] == nil {
			all[m[1]] = map[string][]string{}
		}
		for _, l := range matchers.FindAllStringSubmatch(m[2], -1) {
			all[m[1]][l[1]] = append(all[m[1]][l[1]], l[3])
		}
	}
	unit.stop()
	for _, name := range []string{"healthy", "findings"} {
		s := sampleSnapshot(t, name)
		fill(reflect.ValueOf(s).Elem())
		hub := snapshot.NewHub(time.Now)
		hub.Publish(s)
		page := httptest.NewRecorder()
		metrics.New(metrics.Options{
			Hub: hub, Outlets: func() []outlet.State { return []outlet.State{{Name: "mqtt", Since: time.Unix(1, 0)}} },
			Store:   func() store.Health { return store.Health{Problem: "disk full"} },
			Started: time.Unix(1, 0),
		}).ServeHTTP(page, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		parser := expfmt.NewTextParser(model.UTF8Validation)
		families, err := parser.TextToMetricFamilies(page.Body)
		require.NoError(t, err)
		for _, f := range families {
			if all[f.GetName()] == nil {
				all[f.GetName()] = map[string][]string{}
			}
			for _, m := range f.GetMetric() {
				for _, l := range m.GetLabel() {
					all[f.GetName()][l.GetName()] = append(all[f.GetName()][l.GetName()], l.GetValue())
				}
			}
		}
	}
	for metric := range all {
		all[metric]["instance"], all[metric]["job"] = nil, []string{"liftbank"} // put on by Prometheus
	}
	return all
}

// sampleLine is a line of the text format: name, labels, value.
var sampleLine = regexp.MustCompile(`^([a-zA-Z_:][a-zA-Z0-9_:]*)(\{.*\})? \S+`)

// fill makes every unknown figure known and every empty list one entry long.
func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
			if f := v.Elem(); f.Kind() == reflect.Float64 {
				f.SetFloat(1)
			}
		}
		fill(v.Elem())
	case reflect.Slice:
		if v.Len() == 0 {
			v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		}
		for i := range v.Len() {
			fill(v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fill(v.Field(i))
			}
		}
	}
}

// selector is one metric in an expression, with its matchers as written.
type selector struct {
	metric   string
	matchers []matcher
}

type matcher struct{ label, op, value string }

// What is left of PromQL is read with a small tokenizer: the real parser is a module many times the
// size of this one. promtool has parsed each expression already, so only names have to be found
// here. A word is a metric unless it is a function (a parenthesis follows), a keyword, a duration,
// or in the parentheses of by, without, on, ignoring and group_*, which are taken out before.
var (
	quoted    = regexp.MustCompile(`"(?:[^"\\]|\\.)*"`)
	labelList = regexp.MustCompile(`\b(by|without|on|ignoring|group_left|group_right)\s*\([^)]*\)`)
	ranges    = regexp.MustCompile(`\[[^\]]*\]|\boffset\s+[0-9a-z]+|\b[0-9][0-9a-zA-Z.]*`) // and numbers
	words     = regexp.MustCompile(`([a-zA-Z_:][a-zA-Z0-9_:]*)\s*(\{[^}]*\}|\()?`)
	matchers  = regexp.MustCompile(`([a-zA-Z_][a-zA-Z0-9_]*)\s*(=~|!~|!=|=)\s*"((?:[^"\\]|\\.)*)"`)
	keywords  = []string{"and", "or", "unless", "bool", "inf", "nan"}
)

// selectors returns the metrics of an expression.
func selectors(expr string) []selector {
	var strs []string // a quoted text may hold anything, braces too
	expr = quoted.ReplaceAllStringFunc(expr, func(s string) string {
		strs = append(strs, s)
		return fmt.Sprintf(`"q%d"`, len(strs)-1)
	})
	expr = ranges.ReplaceAllString(labelList.ReplaceAllString(expr, " "), " ")
	var found []selector
	for _, m := range words.FindAllStringSubmatch(expr, -1) {
		if m[2] == "(" || slices.Contains(keywords, strings.ToLower(m[1])) {
			continue
		}
		s := selector{metric: m[1]}
		for _, x := range matchers.FindAllStringSubmatch(m[2], -1) {
			var i int
			_, _ = fmt.Sscanf(x[3], "q%d", &i)
			s.matchers = append(s.matchers, matcher{x[1], x[2], strings.Trim(strs[i], `"`)})
		}
		found = append(found, s)
	}
	return found
}

func TestSelectors(t *testing.T) {
	// Expressions and grammar: Prometheus' documentation, "Querying basics" and "Operators".
	f := func(expr string, want ...selector) {
		t.Helper()
		assert.Equal(t, want, selectors(expr), expr)
	}
	f(`up`, selector{metric: "up"})
	f(`sum by (job, instance) (rate(a_total{x="1", y!~"}b("}[5m])) > 0.1`,
		selector{"a_total", []matcher{{"x", "=", "1"}, {"y", "!~", `}b(`}}})
	f(`a:b:rate5m * on (x) group_left (y) c unless on () d offset 3d`, selector{metric: "a:b:rate5m"},
		selector{metric: "c"}, selector{metric: "d"})
	f(`max_over_time(a[3d:10m]) < 1e6 and b == bool 1 or topk(3, c)`, selector{metric: "a"}, selector{metric: "b"},
		selector{metric: "c"})
	f(`time() - a`, selector{metric: "a"})
}

// check tells what in an expression the agents can't show. recorded are the names that rules make.
func (all inventory) check(expr string, recorded map[string]bool) (problems []string) {
	for _, s := range selectors(expr) {
		if recorded[s.metric] {
			continue
		}
		labels, exists := all[s.metric]
		if !exists {
			problems = append(problems, s.metric+": no agent shows it")
			continue
		}
		for _, m := range s.matchers {
			values, exists := labels[m.label]
			switch {
			case !exists:
				problems = append(problems, s.metric+": has no label "+m.label)
			case m.op != "=" && m.op != "!=" || strings.Contains(m.value, "$"):
			case m.label == "finding" && slices.Contains(scenario.Findings, m.value):
			case m.label == "instance" || slices.Contains(values, m.value):
			default:
				problems = append(problems, fmt.Sprintf("%s: label %s is never %q", s.metric, m.label, m.value))
			}
		}
	}
	return problems
}

func TestInventoryFindsWhatIsWrong(t *testing.T) {
	all := inventoryOf(t)
	f := func(expr, want string) {
		t.Helper()
		assert.Equal(t, want, strings.Join(all.check(expr, nil), "; "), expr)
	}
	f(`liftbank_battery_volts{battery="a"} > liftbank_link_resistance_ohms`, "")
	f(`liftbank_battery_volt`, "liftbank_battery_volt: no agent shows it")
	f(`liftbank_battery_volts{bank="a"}`, "liftbank_battery_volts: has no label bank")
	f(`liftbank_battery_verdict{verdict="dead"}`, `liftbank_battery_verdict: label verdict is never "dead"`)
	f(`liftbank_finding_active{finding="feed-gone"}`, `liftbank_finding_active: label finding is never "feed-gone"`)
}

// ruleFile is what the tests need of a file of rules.
type ruleFile struct {
	Groups []struct {
		Name  string `yaml:"name"`
		Rules []rule `yaml:"rules"`
	} `yaml:"groups"`
}

type rule struct {
	Record      string            `yaml:"record"`
	Alert       string            `yaml:"alert"`
	Expr        string            `yaml:"expr"`
	For         string            `yaml:"for"`
	Labels      map[string]string `yaml:"labels"`
	Annotations map[string]string `yaml:"annotations"`
}

func rulesOf(t *testing.T) (all []rule, recorded map[string]bool) {
	t.Helper()
	var file ruleFile
	require.NoError(t, yaml.Unmarshal([]byte(read(t, "prometheus", "liftbank-rules.yml")), &file))
	recorded = map[string]bool{}
	for _, g := range file.Groups {
		for _, r := range g.Rules {
			all = append(all, r)
			if r.Record != "" {
				recorded[r.Record] = true
			}
		}
	}
	require.NotEmpty(t, all)
	return all, recorded
}

func promtool(t *testing.T, args ...string) {
	t.Helper()
	out, err := exec.Command(program(t, "promtool", "prometheus"), args...).CombinedOutput()
	assert.NoError(t, err, "promtool %v: %s", args, out)
}

func TestPrometheusTakesItsFiles(t *testing.T) {
	promtool(t, "check", "config", "prometheus/prometheus.yml")
	promtool(t, "check", "rules", "--lint=all", "--lint-fatal", "prometheus/liftbank-rules.yml")
}

func TestRulesDoWhatTheyShould(t *testing.T) {
	t.Parallel() // waits more than it computes
	if testing.Short() {
		t.Skip("works through days of samples")
	}
	promtool(t, "test", "rules", "prometheus/liftbank-rules-test.yml")
}

func TestRulesOfDaysDoWhatTheyShould(t *testing.T) {
	slowtest.Long(t)
	promtool(t, "test", "rules", "prometheus/liftbank-rules-days-test.yml")
}

func TestAlertmanagerTakesItsFile(t *testing.T) {
	out, err := exec.Command(program(t, "amtool", "prometheus-alertmanager"), "check-config",
		"alertmanager/alertmanager.yml").CombinedOutput()
	assert.NoError(t, err, string(out))
}

func TestRulesAskForWhatAgentsShow(t *testing.T) {
	all := inventoryOf(t)
	rules, recorded := rulesOf(t)
	for _, r := range rules {
		assert.Empty(t, all.check(r.Expr, recorded), r.Record+r.Alert)
		for _, text := range r.Annotations {
			for _, query := range regexp.MustCompile(`printf "([^"]*)" [^|]*\| query`).FindAllStringSubmatch(text, -1) {
				assert.Empty(t, all.check(strings.ReplaceAll(query[1], "%q", `"x"`), recorded), r.Alert)
			}
			for _, explained := range regexp.MustCompile(`liftbank explain ([a-z-]+)`).FindAllStringSubmatch(text, -1) {
				assert.Contains(t, scenario.Findings, explained[1], r.Alert)
			}
		}
	}
}

// Alerts carry a severity of ours, say what and where, and are shown to fire and not to fire in the
// rules' own tests.
func TestAlertsAreComplete(t *testing.T) {
	type wanted struct {
		Alert string           `yaml:"alertname"`
		Exp   []map[string]any `yaml:"exp_alerts"`
	}
	fires, silent := map[string]bool{}, map[string]bool{}
	for _, file := range []string{"liftbank-rules-test.yml", "liftbank-rules-days-test.yml"} {
		var tests struct {
			Tests []struct {
				Alerts []wanted `yaml:"alert_rule_test"`
			} `yaml:"tests"`
		}
		require.NoError(t, yaml.Unmarshal([]byte(read(t, "prometheus", file)), &tests))
		for _, x := range tests.Tests {
			for _, a := range x.Alerts {
				fires[a.Alert] = fires[a.Alert] || len(a.Exp) > 0
				silent[a.Alert] = silent[a.Alert] || len(a.Exp) == 0
			}
		}
	}
	rules, _ := rulesOf(t)
	for _, r := range rules {
		if r.Alert == "" {
			continue
		}
		assert.True(t, fires[r.Alert], "%s: never fires in the rules' tests", r.Alert)
		assert.True(t, silent[r.Alert], "%s: never fails to fire in the rules' tests", r.Alert)
		assert.NotEmpty(t, r.Annotations["summary"], r.Alert)
		assert.NotEmpty(t, r.Annotations["description"], r.Alert)
		if severity := r.Labels["severity"]; severity != "" {
			assert.Contains(t, []string{"note", "repair", "urgent"}, severity, r.Alert)
		} else {
			assert.Regexp(t, `\bby \([^)]*severity`, r.Expr, "%s: its severity is the finding's", r.Alert)
		}
	}
}
