package setup_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/setup"
)

const least = "mqtt: {broker: mqtt://localhost}\ndatabase: {url: sqlite:///var/lib/fleet.db}\n"

func TestSeriesAndAlerts(t *testing.T) {
	c, err := setup.Parse("/etc/fleet/fleet.yaml", []byte(least+`
series:
  labels: [{name: cell, value: north}]
  receivers:
    - {name: main, url: "http://localhost:8428/api/v1/write"}
    - {name: copy, url: "https://tsdb.example/api/v1/write", protocol: "2.0", username: fleet, password_file: tsdb, ca_file: ca.pem}
alerts:
  alertmanagers: [{url: "http://a:9093"}, {url: "http://b:9093/prefix"}]
  site: https://fleet.example
  silent_after: 36h
  groups: [{group: spare units, silent_after: 30d}]
`))
	require.NoError(t, err)
	assert.Equal(t, setup.Series{
		Labels: map[string]string{"cell": "north"},
		Receivers: []setup.Receiver{
			{Name: "main", Remote: setup.Remote{URL: "http://localhost:8428/api/v1/write"}},
			{Name: "copy", Protocol: "2.0", Remote: setup.Remote{
				URL: "https://tsdb.example/api/v1/write", Username: "fleet", PasswordFile: "/etc/fleet/tsdb", CAFile: "/etc/fleet/ca.pem",
			}},
		},
	}, c.Series)
	assert.Equal(t, setup.Alerts{
		Alertmanagers: []setup.Remote{{URL: "http://a:9093"}, {URL: "http://b:9093/prefix"}}, Site: "https://fleet.example",
		SilentAfter: 36 * time.Hour, SilentAfterOf: map[string]time.Duration{"spare units": 720 * time.Hour},
	}, c.Alerts)
	assert.Equal(t, "/etc/fleet/tsdb", c.Files()["series.receivers[1].password_file"])

	c, err = setup.Parse("fleet.yaml", []byte(least))
	require.NoError(t, err)
	assert.Empty(t, c.Series.Receivers)
	assert.Empty(t, c.Alerts.Alertmanagers)
}

func TestSeriesAndAlertsThatCantBe(t *testing.T) {
	for text, want := range map[string]string{
		"series: {receivers: [{url: 'http://a/'}]}":                                       "name",
		"series: {receivers: [{name: a, url: 'http://a/'}, {name: a, url: 'http://b/'}]}": "name",
		"series: {receivers: [{name: a, url: 'http://me:secret@a/'}]}":                    "without a password",
		"series: {receivers: [{name: a, url: 'http://a/', password: x}]}":                 "password_file",
		"series: {receivers: [{name: a, url: 'http://a/', username: x}]}":                 "both or none",
		"series: {receivers: [{name: a, url: 'http://a/', ca_file: x}]}":                  "no TLS",
		"series: {receivers: [{name: a, url: 'http://a/', protocol: '3.0'}]}":             "2.0",
		"series: {labels: [{name: unit, value: x}]}":                                      "name",
		"series: {labels: [{name: a, value: x}, {name: a, value: y}]}":                    "name",
		"series: {receiver: []}":                                                           "receivers",
		"alerts: {alertmanagers: [{url: 'localhost:9093'}]}":                               "http://",
		"alerts: {silent_after: 1m}":                                                       "silent_after",
		"alerts: {parked: [{unit: t-17}]}":                                                 "desk's page",
		"alerts: {groups: [{group: a}]}":                                                   "silent_after",
		"alerts: {groups: [{group: a, silent_after: 48h}, {group: a, silent_after: 48h}]}": "once",
	} {
		_, err := setup.Parse("fleet.yaml", []byte(least+text+"\n"))
		require.Error(t, err, text)
		assert.Contains(t, err.Error(), want, text)
		assert.Contains(t, err.Error(), "fleet.yaml:3", text)
		assert.False(t, strings.Contains(err.Error(), "me:secret"), text)
	}
}

func TestPasswordsAndAuthoritiesAreReadWhenTheyAreUsed(t *testing.T) {
	dir := t.TempDir()
	o := setup.Remote{PasswordFile: filepath.Join(dir, "password"), CAFile: filepath.Join(dir, "ca.pem")}
	_, err := o.Password()()
	require.ErrorIs(t, err, os.ErrNotExist)
	for _, word := range []string{"one", "two"} {
		require.NoError(t, os.WriteFile(o.PasswordFile, []byte(word+"\n"), 0o600))
		got, err := o.Password()()
		require.NoError(t, err)
		assert.Equal(t, word, got)
	}
	_, err = o.Client()
	require.ErrorContains(t, err, "ca_file")
	require.NoError(t, os.WriteFile(o.CAFile, []byte("no certificate"), 0o600))
	_, err = o.Client()
	require.ErrorContains(t, err, "no certificate")
}

func TestThePagesExample(t *testing.T) {
	page, err := os.ReadFile("../../../deploy/series-and-alerts.md")
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(page), "```yaml\n")
	require.True(t, ok)
	example, _, _ := strings.Cut(rest, "```")
	c, err := setup.Parse("fleet.yaml", []byte(least+example))
	require.NoError(t, err)
	assert.Len(t, c.Series.Receivers, 1)
	c, err = setup.Parse("fleet.yaml", []byte(least+strings.NewReplacer("# username", "username", "# password_file", "password_file",
		"# ca_file", "ca_file", "http://localhost:8428", "https://localhost:8428").Replace(example)))
	require.NoError(t, err)
	assert.Equal(t, "ca.pem", filepath.Base(c.Series.Receivers[0].CAFile))
}
