package setup

import (
	"fmt"
	"regexp"
	"strings"

	"liftbank/agent/config/strict"
)

// about says what a field is, and its default where Default has none.
type about struct{ byDefault, doc string }

// abouts are all fields; a test compares them with those that are read.
func abouts() map[string]about {
	d := Default()
	kept := func(what string) about {
		return about{"for ever", "how long " + what + " are kept after they were received"}
	}
	return map[string]about{
		"mqtt":               {"", "the broker that units send to"},
		"mqtt.broker":        {"", "its address, with the name that its certificate has; ports 1883 and 8883 if none is given"},
		"mqtt.client_id":     {d.MQTT.ClientID, "the broker keeps what waits for the collector by it. Collectors with the same one on one PostgreSQL are active and standby"},
		"mqtt.prefix":        {d.MQTT.Prefix, "must be the units' own `mqtt.prefix`"},
		"mqtt.username":      {"none", "for a broker without client certificates"},
		"mqtt.password_file": {"none", "password of `username`, in the first line"},
		"mqtt.ca_file":       {"the system's", "authorities to trust, PEM; only with mqtts"},
		"mqtt.cert_file":     {"none", "the collector's certificate, PEM; only with mqtts, with key_file"},
		"mqtt.key_file":      {"none", "its key, readable for the group liftbank-fleet-secrets"},
		"mqtt.answer_every": {
			strict.FormatDuration(d.MQTT.AnswerEvery),
			"least time between two answers to a unit, as each wears its card; a unit that drains a backlog is answered sooner",
		},
		"database":               {"", "where all is kept"},
		"database.url":           {"", "SQLite, or PostgreSQL 15 or newer"},
		"database.password_file": {"none", "PostgreSQL's password, in the first line"},
		"http":                   {"all defaults", "the desk's pages, /metrics, /healthz and /readyz"},
		"http.listen":            {d.HTTP.Listen, "there is no TLS here: for more than this machine, put a reverse proxy before it"},
		"http.hosts": {
			"none", "names under which browsers may ask, besides addresses; any other is refused, against pages that steer a browser here",
		},
		"http.proxy":                       {"none", "reverse proxies that are before the desk's pages, with TLS"},
		"http.proxy.trusted":               {"none", "their addresses: what they say of the client's address and of https is believed, from nobody else"},
		"http.proxy.says":                  {"x-forwarded", "in which headers: X-Forwarded-For and -Proto, or Forwarded of RFC 7239. Only what the proxy itself sets: the other kind would be a client's own"},
		"http.sign_on":                     {"none", "sign-on by a reverse proxy that has checked who somebody is; from and header, both or none"},
		"http.sign_on.from":                {"none", "the proxy's addresses: the header is believed from nobody else"},
		"http.sign_on.header":              {"none", "header with the account's name"},
		"http.sign_on.role":                {"nobody without an account is let in", "role of a name that has no account here"},
		"keep":                             {"all defaults", "how long things are kept; readings_for and runs_for set the size of the database"},
		"keep.readings_for":                {strict.FormatDuration(d.Keep.Readings), "how long minutes are kept after they were received"},
		"keep.runs_for":                    {strict.FormatDuration(d.Keep.Runs), "how long motor runs are kept after they were received"},
		"keep.findings_for":                kept("changes of findings"),
		"keep.visits_for":                  kept("visits"),
		"keep.alarms_for":                  {"for ever", "how long raises and ends are kept, for the alarm report"},
		"keep.audit_for":                   {"for ever", "how long it is kept who did what at the desk"},
		"keep.days_for":                    {strict.FormatDuration(d.Keep.Days), "how long the figures of a day are kept, from which a unit's page draws months: half a kB a unit and day"},
		"keep.quarantine_for":              {strict.FormatDuration(d.Keep.Quarantine), "how long messages are kept that could not be used"},
		"keep.decommissioned_for":          {strict.FormatDuration(d.Keep.Decommissioned), "how long all of a unit is kept after it was taken out of use"},
		"series":                           {"none are sent", "minutes, runs, findings and snapshots as series"},
		"series.receivers":                 {"none", "time-series databases that take Prometheus remote write"},
		"series.receivers[].name":          {"", "its place in the records is kept by it: a new name begins with the oldest record"},
		"series.receivers[].protocol":      {"1.0", "version of remote write"},
		"series.receivers[].url":           {"", "its address"},
		"series.receivers[].username":      {"none", "with password_file"},
		"series.receivers[].password_file": {"none", "password of `username`, in the first line; read again at each use"},
		"series.receivers[].ca_file":       {"the system's", "authorities to trust, PEM; only with https"},
		"series.labels":                    {"none", "labels of every series"},
		"series.labels[].name":             {"", "the label's name"},
		"series.labels[].value":            {"", "its value"},
		"alerts":                           {"none are sent", "what stands, and what only the fleet's side sees"},
		"alerts.alertmanagers":             {"none", "each is told everything"},
		"alerts.alertmanagers[].url":       {"", "its address"},
		"alerts.alertmanagers[].username":  {"none", "with password_file"},
		"alerts.alertmanagers[].password_file": {
			"none", "password of `username`, in the first line; read again at each use",
		},
		"alerts.alertmanagers[].ca_file": {"the system's", "authorities to trust, PEM; only with https"},
		"alerts.site":                    {"no links", "the desk's pages as people reach them, for links in alerts"},
		"alerts.labels":                  {"none", "labels of every alert"},
		"alerts.labels[].name":           {"", "the label's name"},
		"alerts.labels[].value":          {"", "its value"},
		"alerts.silent_after":            {"24h", "`UnitSilent` after this time without a record"},
		"alerts.groups":                  {"none", "groups of units for which that time is another one"},
		"alerts.groups[].group":          {"", "the group, as the desk has it"},
		"alerts.groups[].silent_after":   {"", "its time"},
	}
}

// whole has each section and one entry of each list, so that every field is asked for.
const whole = `mqtt: {broker: "mqtt://b"}
database: {url: "sqlite:///f.db"}
series: {receivers: [{name: a, url: "http://a/"}], labels: [{name: a, value: b}]}
alerts: {alertmanagers: [{url: "http://a/"}], labels: [{name: a, value: b}], groups: [{group: a, silent_after: 2h}]}
`

// field is one that a file may have.
type field struct {
	path, accepts string
	required      bool
}

// fields are all of them, in the order in which they are read.
func fields() (out []field) {
	seen := map[string]bool{}
	c := Default()
	c.read(strict.Open("fleet.yaml", []byte(whole), strict.Options{Asked: func(path, accepts string, need strict.Need) {
		path = regexp.MustCompile(`\[\d+\]`).ReplaceAllString(path, "[]")
		if !seen[path] {
			seen[path] = true
			out = append(out, field{path, accepts, need == strict.Required})
		}
	}}))
	return out
}

// Reference gives a table of every field in Markdown: what it accepts, its default, what it is for.
// It is made by the functions that read a file.
func Reference() string {
	var b strings.Builder
	b.WriteString(`# Fields of FLEET.yaml

The configuration of the fleet's collector. Made from the program by its tests; ` + "`fleet.yaml`" + ` is an example. A time is text
with its unit: 30s, 24h, 30d. ` + "`[]`" + ` stands for each entry of a list. Names of files start from the file's own folder.

| field | accepts | default | what it is |
| --- | --- | --- | --- |
`)
	docs := abouts()
	for _, f := range fields() {
		byDefault := docs[f.path].byDefault
		if f.required {
			byDefault = "required"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", f.path, f.accepts, byDefault, docs[f.path].doc)
	}
	return b.String()
}
