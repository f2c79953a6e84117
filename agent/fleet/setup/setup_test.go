package setup

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/dial"
)

const small = "mqtt:\n  broker: mqtt://broker\ndatabase:\n  url: sqlite://fleet.db\n"

func TestASmallFileHasTheDefaults(t *testing.T) {
	c, err := Parse("/etc/liftbank/fleet.yaml", []byte(small))
	require.NoError(t, err)
	want := Default()
	want.MQTT.Broker, want.Database.URL = "mqtt://broker", "sqlite:///etc/liftbank/fleet.db"
	assert.Equal(t, want, c)
}

func TestEverything(t *testing.T) {
	c, err := Parse("/x/fleet.yaml", []byte(`
mqtt:
  broker: mqtts://broker:8884
  client_id: cell-2
  prefix: yard/north
  username: fleet
  password_file: mqtt.password
  ca_file: ca.pem
  cert_file: /y/fleet.pem
  key_file: fleet.key
  answer_every: 1m
database:
  url: postgres://fleet@db/fleet
  password_file: db.password
http:
  listen: :80
keep:
  readings_for: 400d
  runs_for: 500d
  findings_for: 600d
  visits_for: 700d
  alarms_for: 800d
  audit_for: 900d
  days_for: 1000d
  quarantine_for: 7d
  decommissioned_for: 30d
`))
	require.NoError(t, err)
	assert.Equal(t, Config{
		MQTT: MQTT{Broker: "mqtts://broker:8884", ClientID: "cell-2", Prefix: "yard/north", Username: "fleet", AnswerEvery: time.Minute,
			Files: dial.Files{Password: "/x/mqtt.password", CA: "/x/ca.pem", Cert: "/y/fleet.pem", Key: "/x/fleet.key"}},
		Database: Database{URL: "postgres://fleet@db/fleet", PasswordFile: "/x/db.password"},
		HTTP:     HTTP{Listen: ":80"},
		Keep: Keep{Readings: 400 * day, Runs: 500 * day, Findings: 600 * day, Visits: 700 * day, Alarms: 800 * day, Audit: 900 * day,
			Days: 1000 * day, Quarantine: 7 * day, Decommissioned: 30 * day},
	}, c)
	assert.ErrorContains(t, c.Check(), "_file: ")
}

func TestMistakesAreNamed(t *testing.T) {
	for change, want := range map[string]string{
		"":                                   "fleet.yaml:1: want sections",
		"mqtt:\n  broker: http://x\n":        "fleet.yaml:2: mqtt.broker: http://x: want mqtt://HOST[:PORT]",
		small + "http:\n  listen: x\n":       "fleet.yaml:6: http.listen: x: want HOST:PORT",
		small + "keep:\n  readings_for: 5\n": "fleet.yaml:6: keep.readings_for: 5: want a time from 1d",
		small + "kept:\n  x: 1\n":            "fleet.yaml:5: kept: unknown field",
		strings.Replace(small, "broker:", "brokers:", 1):                                  "mqtt.broker: missing",
		strings.Replace(small, "sqlite://fleet.db", "postgres://u:secret@h/d", 1):         "database.url: postgres://…@h/d: want",
		strings.Replace(small, "sqlite://fleet.db", "postgres://h/d?password=secret1", 1): "database.url: ",
		strings.Replace(small, "mqtt://broker", "mqtt://broker\n  ca_file: x", 1):         "fleet.yaml:3: mqtt.ca_file: x: want none with mqtt://",
		strings.Replace(small, "mqtt://broker", "mqtts://broker\n  cert_file: x", 1):      "want cert_file and key_file",
		strings.Replace(small, "mqtt://broker", "mqtt://broker\n  password: x", 1):        "want password_file",
		strings.Replace(small, "mqtt://broker", "mqtt://broker\n  password_file: x", 1):   "want username with it",
		small + "  password_file: x\n":                                                    "want none with sqlite",
	} {
		_, err := Parse("fleet.yaml", []byte(change))
		if assert.Error(t, err, change) && change != "" {
			assert.Contains(t, err.Error(), want)
			assert.NotContains(t, err.Error(), "u:secret")
		}
	}
}

func TestPassword(t *testing.T) {
	file := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(file, []byte("a b&c\n"), 0o600))
	for url, want := range map[string]string{
		"postgres://fleet@db/fleet":            "postgres://fleet:a%20b&c@db/fleet",
		"postgres:///fleet?host=/run&user=who": "postgres:///fleet?host=%2Frun&password=a+b%26c&user=who",
	} {
		d := Database{URL: url, PasswordFile: file}
		got, err := d.Address()
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	_, err := (&Database{URL: "postgres://x", PasswordFile: file + "x"}).Address()
	assert.Error(t, err)
}

func FuzzParse(f *testing.F) {
	f.Add(small)
	f.Fuzz(func(t *testing.T, text string) {
		c, err := Parse("fleet.yaml", []byte(text))
		if err == nil && (c.MQTT.Broker == "" || c.Database.URL == "") {
			t.Fatalf("%+v", c)
		}
	})
}
