package deploy_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The whole chain: a simulated bank that never gets full, the agent, its metrics, real Prometheus
// with the rules of this folder, and the alert at its end. A week of the unit's time passes in some
// fifteen seconds of Prometheus'; that is why the rules' own waiting times are taken out, and
// nothing else of them.
func TestPrometheusCallsWhenTheBankStaysUndercharged(t *testing.T) {
	t.Parallel() // waits more than it computes
	if testing.Short() {
		t.Skip("a week at fifty thousand times its speed")
	}
	prometheus := program(t, "prometheus", "prometheus")
	demo := launch(
		t, liftbank(t), "demo", "--past", "0s", "--listen", "127.0.0.1:0", "--scenario", "bank-undercharged", "--speed", "50000",
	)
	demo.says(t, "speed  ")
	page := regexp.MustCompile(`page +http://([^/\s]+)/`).FindStringSubmatch(demo.output())
	require.NotNil(t, page, demo.output())

	dir := t.TempDir()
	rules := read(t, "prometheus", "liftbank-rules.yml")
	quick := regexp.MustCompile(`(?m)^        for: .*\n`).ReplaceAllString(rules, "")
	require.NotEqual(t, rules, quick)
	write(t, quick, dir, "liftbank-rules.yml")
	config := read(t, "prometheus", "prometheus.yml")
	for from, to := range map[string]string{
		"scrape_interval: 30s": "scrape_interval: 500ms", "scrape_timeout: 10s": "scrape_timeout: 500ms",
		"evaluation_interval: 30s": "evaluation_interval: 500ms",
		"file_sd_configs:\n      - files: [units/*.yml]\n        refresh_interval: 1m\n": "static_configs:\n" +
			"      - targets: [" + page[1] + "]\n        labels: {instance: demo}\n",
		"- targets: [localhost:9093]": "- targets: []",
	} {
		require.Contains(t, config, from)
		config = strings.Replace(config, from, to, 1)
	}
	write(t, config, dir, "prometheus.yml")
	address := freeAddress(t)
	server := launch(
		t, prometheus, "--config.file="+dir+"/prometheus.yml", "--storage.tsdb.path="+dir+"/data",
		"--web.listen-address="+address,
	)
	server.says(t, "Server is ready to receive web requests.")

	deadline := time.Now().Add(3 * time.Minute)
	for {
		firing := alertsOf(t, address)
		// nothing else is urgent; what is asked by the second can't be judged on a clock that runs so
		// fast
		for name, a := range firing {
			assert.NotEqual(t, "urgent", a.Labels["severity"], "%s: %v", name, a.Annotations)
		}
		if a, ok := firing["BankUndercharged"]; ok {
			assert.Equal(
				t,
				map[string]string{
					"alertname": "BankUndercharged", "job": "liftbank", "instance": "demo", "severity": "repair",
				},
				a.Labels,
			)
			assert.Equal(t, "demo: bank not fully charged for days", a.Annotations["summary"])
			assert.Regexp(
				t, `^Batteries left short`, a.Annotations["description"],
				"this bank has never been full: there is no time since",
			)
			break
		}
		require.True(t, time.Now().Before(deadline), "fired: %v\n%s\n%s", firing, demo.output(), server.output())
		<-time.After(500 * time.Millisecond) // both programs live by the real clock
	}
}

type firedAlert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	State       string            `json:"state"`
}

// alertsOf returns the alerts that fire, by name.
func alertsOf(t *testing.T, address string) map[string]firedAlert {
	t.Helper()
	client := http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Get(fmt.Sprintf("http://%s/api/v1/alerts", address))
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	var answer struct {
		Data struct{ Alerts []firedAlert }
	}
	require.NoError(t, json.Unmarshal(body, &answer), string(body))
	firing := map[string]firedAlert{}
	for _, a := range answer.Data.Alerts {
		if a.State == "firing" {
			firing[a.Labels["alertname"]] = a
		}
	}
	return firing
}
