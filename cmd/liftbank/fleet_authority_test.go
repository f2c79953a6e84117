//go:build !board

package main

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/authority"
	"liftbank/cmd/slowtest"
)

// fleetFolder makes an authority and a template.
func fleetFolder(t *testing.T) (dir, template string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "authority")
	out, errs, code := command(t, "", "fleet", "authority", "init", "--dir", dir)
	require.Zero(t, code, errs)
	assert.Contains(t, out, dir+": liftbank fleet authority, until ")
	text, err := readFile(filepath.Join("..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	return dir, write(t, "unit.yaml", text)
}

func TestFleetEnrols(t *testing.T) {
	dir, template := fleetFolder(t)
	out, errs, code := command(t, "", "fleet", "enrol", "t-1", "t-2", "--dir", dir, "--template", template, "--broker",
		"mqtts://broker.example", "--service", "fleet.collector", "--server", "broker.example,192.0.2.7")
	require.Zero(t, code, errs)
	assert.Equal(t, 4, strings.Count(out, " until "), out)
	issued := filepath.Join(dir, "issued")
	for _, name := range []string{"t-1", "t-2", "fleet.collector", "broker.example"} {
		_, err := tls.LoadX509KeyPair(filepath.Join(issued, name, name+".pem"), filepath.Join(issued, name, name+".key"))
		assert.NoError(t, err, name)
	}
	out, errs, code = command(t, "", "check", "--config", filepath.Join(issued, "t-1", "unit.yaml"))
	assert.Equal(t, exitFailed, code, "no board here")
	assert.Regexp(t, `mqtt\.cert_file +\S+t-1\.pem +OK \(t-1, until `, out, errs)
	assert.Regexp(t, `mqtt\.key_file +\S+t-1\.key +OK`, out)

	for want, args := range map[string][]string{
		"t-1: has a certificate until":               {"t-9", "t-1"},
		`"a/b": want 1 to 64 bytes`:                  {"a/b"},
		"nobody to enrol":                            {},
		"--broker: want --template":                  {"t-9", "--broker", "mqtts://x"},
		"--template: want names of units":            {"--service", "x.y", "--template", template},
		"--group no-such-group: not on this machine": {"t-9", "--group", "no-such-group"},
		"unit.yaml: is there already":                {"t-1", "--template", template, "--broker", "mqtts://x"},
		"want 1 day to 50 years":                     {"t-9", "--days=-3"},
		"no-such.yaml":                               {"t-9", "--template", "no-such.yaml"},
		"or --broker":                                {"t-9", "--template", template},
	} {
		_, errs, code := command(t, "", append([]string{"fleet", "enrol", "--dir", dir}, args...)...)
		assert.NotZero(t, code, want)
		assert.Contains(t, errs, want)
		assert.NoDirExists(t, filepath.Join(issued, "t-9"))
	}
	_, errs, code = command(t, "", "fleet", "enrol", "t-9", "--dir", t.TempDir())
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errs, "liftbank fleet authority init")
}

func TestFleetAuthorityLists(t *testing.T) {
	dir, _ := fleetFolder(t)
	for _, args := range [][]string{
		{"enrol", "t-1", "t-2", "t-3", "--days", "30"}, {"authority", "renew", "t-1", "--days", "300"}, {"authority", "revoke", "t-2"},
	} {
		_, errs, code := command(t, "", append(append([]string{"fleet"}, args...), "--dir", dir)...)
		require.Zero(t, code, errs)
	}
	states := func(args ...string) (map[string][]string, listReport, int) {
		out, _, code := command(t, "", append([]string{"fleet", "authority", "list", "--json", "--dir", dir}, args...)...)
		var r listReport
		require.NoError(t, json.Unmarshal([]byte(out), &r))
		all := map[string][]string{}
		for _, c := range r.Certificates {
			all[c.Name] = append(all[c.Name], strings.Fields(c.State)[0])
		}
		return all, r, code
	}
	got, r, code := states("--days", "29")
	assert.Zero(t, code)
	assert.Equal(t, map[string][]string{"t-1": {"good"}, "t-2": {"revoked"}, "t-3": {"good"}}, got)
	assert.Empty(t, r.Problems)
	got, r, code = states("--days", "31", "--all")
	assert.Equal(t, exitFailed, code)
	assert.Equal(t, map[string][]string{"t-1": {"replaced", "good"}, "t-2": {"revoked"}, "t-3": {"ends"}}, got)
	require.Len(t, r.Problems, 1, "a renewed one and a revoked one are no problem")
	assert.Contains(t, r.Problems[0], "renew t-3 --dir "+dir)
	_, r, _ = states("--days", "7301")
	assert.Contains(t, strings.Join(r.Problems, "\n"), "the authority ends on ")
	assert.Contains(t, strings.Join(r.Problems, "\n"), "the broker's list ends on ")

	out, errs, code := command(t, "", "fleet", "authority", "list", "--dir", dir, "--days", "31")
	assert.Equal(t, exitFailed, code)
	assert.Regexp(t, `t-3 +unit +\d{4}-\d\d-\d\d +[0-9a-f]{32} +ends on `, out)
	assert.Contains(t, errs, "t-3 ends on ")

	_, errs, code = command(t, "", "fleet", "authority", "revoke", "--dir", dir, "--next", "5")
	require.Zero(t, code, errs)
	_, r, code = states("--days", "6")
	assert.Equal(t, exitFailed, code)
	require.Len(t, r.Problems, 1)
	assert.Contains(t, r.Problems[0], "then it refuses everybody")

	require.NoError(t, os.Remove(filepath.Join(dir, "revoked.pem")))
	_, r, code = states("--days", "1")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, r.Problems[0], "revoked.pem")
}

// Each mistake of a folder is found, with its file, line and field; a folder without one is right.
func TestFleetChecksAFolder(t *testing.T) {
	dir, template := fleetFolder(t)
	_, errs, code := command(t, "", "fleet", "enrol", "t-1", "t-2", "t-3", "--dir", dir, "--template", template, "--broker",
		"mqtts://broker.example")
	require.Zero(t, code, errs)
	issued := filepath.Join(dir, "issued")
	check := func() (fleetCheckReport, int) {
		out, _, code := command(t, "", "fleet", "check", "--json", issued)
		var r fleetCheckReport
		require.NoError(t, json.Unmarshal([]byte(out), &r), out)
		return r, code
	}
	file := func(unit, name string) string { return filepath.Join(issued, unit, name) }
	edit := func(unit, name string, change func(string) string) (undo func()) {
		before, err := readFile(file(unit, name))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(file(unit, name), []byte(change(before)), 0o600))
		return func() { require.NoError(t, os.WriteFile(file(unit, name), []byte(before), 0o600)) }
	}
	replace := func(from, to string) func(string) string {
		return func(text string) string {
			require.Contains(t, text, from)
			return strings.Replace(text, from, to, 1)
		}
	}
	take := func(unit, name string) func(string) string {
		return func(string) string {
			text, err := readFile(file(unit, name))
			require.NoError(t, err)
			return text
		}
	}
	line := func(unit, start string) int { // of the configuration as it was issued
		text, err := readFile(file(unit, "unit.yaml"))
		require.NoError(t, err)
		before, _, found := strings.Cut(text, "\n"+start)
		require.True(t, found, start)
		return strings.Count(before, "\n") + 2
	}
	rated, cert := line("t-2", "      rated_ah: "), line("t-2", "  cert_file: ")
	r, code := check()
	assert.Zero(t, code, r)
	assert.Equal(t, fleetCheckReport{Dir: issued, OK: true, Units: 3}, r)

	undo := edit("t-2", "unit.yaml", replace("rated_ah: 100 ", "rated_ah: 1 "))
	r, code = check()
	assert.Equal(t, exitConfig, code)
	assert.Equal(t, 2, r.Units)
	require.Len(t, r.Errors, 1)
	assert.Equal(t, fieldError{File: file("t-2", "unit.yaml"), Line: rated, Field: "bank.batteries[0].rated_ah", Value: "1",
		Want: r.Errors[0].Want}, r.Errors[0])
	undo()

	foreign := filepath.Join(t.TempDir(), "other")
	_, errs, code = command(t, "", "fleet", "authority", "init", "--dir", foreign)
	require.Zero(t, code, errs)
	for name, c := range map[string]struct {
		unit, file string
		change     func(string) string
		field      string
		line       int
		want       string
	}{
		"a name twice":    {"t-2", "unit.yaml", replace(`id: "t-2"`, `id: t-1`), "unit.id", 10, "t-1" + "/unit.yaml:10 has it"},
		"another's name":  {"t-2", "unit.yaml", replace(`id: "t-2"`, `id: t-9`), "mqtt.cert_file", cert, `common name "t-2": want unit.id "t-9"`},
		"another's files": {"t-2", "t-2.pem", take("t-3", "t-3.pem"), "mqtt.cert_file", cert, "t-2.key: "},
		"no certificate":  {"t-2", "t-2.pem", func(string) string { return "x" }, "mqtt.cert_file", cert, "no certificate in it"},
		"another authority": {"t-2", "ca.pem", func(string) string {
			text, err := readFile(filepath.Join(foreign, "ca.pem"))
			require.NoError(t, err)
			return text
		}, "mqtt.cert_file", cert, "not of the authority in ca_file"},
	} {
		undo := edit(c.unit, c.file, c.change)
		r, code := check()
		undo()
		assert.Equal(t, exitFailed, code, name)
		found := false
		for _, p := range r.Problems {
			if strings.Contains(p.Want, c.want) {
				found = true
				assert.Equal(t, []any{file(c.unit, "unit.yaml"), c.field, c.line}, []any{p.File, p.Field, p.Line}, name)
			}
		}
		assert.True(t, found, "%s: %+v", name, r.Problems)
	}

	// One unit's folder copied for another board, with its key.
	require.NoError(t, os.CopyFS(filepath.Join(issued, "copy"), os.DirFS(filepath.Join(issued, "t-1"))))
	r, code = check()
	assert.Equal(t, exitFailed, code)
	require.Len(t, r.Problems, 2, "%+v", r.Problems)
	assert.Contains(t, r.Problems[0].Want+r.Problems[1].Want, "has the same key as that of ")
	require.NoError(t, os.RemoveAll(filepath.Join(issued, "copy")))

	// Keys that were taken away, as they should be, are no problem; a missing certificate is one.
	require.NoError(t, os.Remove(file("t-1", "t-1.key")))
	r, code = check()
	assert.Zero(t, code)
	require.Len(t, r.Remarks, 1)
	assert.Equal(t, "mqtt.key_file", r.Remarks[0].Field)
	require.NoError(t, os.Remove(file("t-1", "t-1.pem")))
	_, code = check()
	assert.Equal(t, exitFailed, code)
	out, errs, code := command(t, "", "fleet", "check", issued)
	assert.Equal(t, exitFailed, code)
	assert.Regexp(t, `unit\.yaml:`+strconv.Itoa(cert)+`: mqtt\.cert_file: \S+t-1\.pem: `, out)
	assert.Contains(t, out, "3 units, 0 errors, 1 problems, 1 remarks")
	assert.Contains(t, errs, "1 problems")

	for _, bad := range []string{filepath.Join(issued, "nowhere"), t.TempDir()} {
		_, _, code = command(t, "", "fleet", "check", bad)
		assert.Equal(t, exitUsage, code)
	}
}

// A certificate that has ended, and one that ends soon.
func TestFleetCheckTellsDates(t *testing.T) {
	dir, template := fleetFolder(t)
	_, errs, code := command(t, "", "fleet", "enrol", "t-1", "--dir", dir, "--template", template, "--broker", "mqtts://b.example")
	require.Zero(t, code, errs)
	for _, c := range []struct {
		issued time.Duration // before now, valid for 30 days
		code   int
		want   string
	}{{10 * oneDay, 0, "ends soon"}, {40 * oneDay, exitFailed, "expired on "}} {
		a := &authority.Authority{Dir: dir, Now: func() time.Time { return time.Now().Add(-c.issued) }}
		old := filepath.Join(t.TempDir(), "old")
		a.Dir = old
		require.NoError(t, a.Init(t.Context(), "x", authority.AuthorityValid))
		made, err := a.Issue(t.Context(), []authority.Request{{Kind: authority.Unit, Name: "t-1", Valid: 30 * oneDay}})
		require.NoError(t, err)
		_, err = authority.Write(filepath.Join(dir, "issued"), made[0], nil, authority.Owner{Group: -1})
		require.NoError(t, err)
		all, err := certificates(made[0].Cert)
		require.NoError(t, err)
		require.IsType(t, &x509.Certificate{}, all[0])
		out, errs, code := command(t, "", "fleet", "check", filepath.Join(dir, "issued"))
		assert.Equal(t, c.code, code, out+errs)
		assert.Contains(t, out, c.want)
	}
}

func TestFleetAuthorityPassphrase(t *testing.T) {
	slowtest.SkipUnderRace(t) // 600,000 rounds for each passphrase that is tried
	dir := filepath.Join(t.TempDir(), "authority")
	file := write(t, "passphrase", "seven plain words make it long\nsecond line\n")
	other := write(t, "other", "another one that is as long\r\n")
	fleet := func(args ...string) (out, errs string, code int) {
		t.Helper()
		return command(t, "", append(append([]string{"fleet"}, args...), "--dir", dir)...)
	}
	_, errs, code := fleet("authority", "init", "--passphrase-file", file)
	require.Zero(t, code, errs)
	assert.NotContains(t, errs, "no passphrase")
	key, err := readFile(filepath.Join(dir, authority.KeyFile))
	require.NoError(t, err)
	assert.Contains(t, key, "BEGIN ENCRYPTED PRIVATE KEY")
	for _, use := range [][]string{{"enrol", "t-1"}, {"authority", "renew", "t-1"}, {"authority", "revoke"}, {"authority", "passphrase", "--none"}} {
		_, errs, code = fleet(use...)
		assert.Equal(t, exitFailed, code, use)
		assert.Contains(t, errs, "the key is encrypted: want its passphrase: --passphrase-file", use)
		_, errs, code = fleet(append(use, "--passphrase-file", other)...)
		assert.Equal(t, exitFailed, code, use)
		assert.Contains(t, errs, "the passphrase is wrong", use)
		_, errs, code = fleet(append(use, "--passphrase-file", "no-such-file")...)
		assert.NotZero(t, code, use)
		assert.Contains(t, errs, "no-such-file", use)
	}
	assert.NoDirExists(t, filepath.Join(dir, "issued"))
	for _, use := range [][]string{{"enrol", "t-1"}, {"authority", "renew", "t-1"}, {"authority", "revoke", "t-1"}} {
		_, errs, code = fleet(append(use, "--passphrase-file", file)...)
		assert.Zero(t, code, errs)
	}
	_, errs, code = fleet("authority", "list")
	assert.Zero(t, code, errs)

	out, errs, code := fleet("authority", "passphrase", "--passphrase-file", file, "--new-passphrase-file", other)
	require.Zero(t, code, errs)
	assert.Contains(t, out, "ca.key: encrypted")
	_, errs, _ = fleet("authority", "revoke", "--passphrase-file", file)
	assert.Contains(t, errs, "the passphrase is wrong")
	out, errs, code = fleet("authority", "passphrase", "--passphrase-file", other, "--none")
	require.Zero(t, code, errs)
	assert.Contains(t, out, "ca.key: not encrypted")
	_, errs, code = fleet("authority", "revoke")
	assert.Zero(t, code, errs)

	open := write(t, "open", "seven plain words make it long")
	require.NoError(t, os.Chmod(open, 0o644))
	for want, args := range map[string][]string{
		"mode 0644: others can read it": {"--new-passphrase-file", open},
		"want 12 to 1024":               {"--new-passphrase-file", write(t, "short", "short")},
		"nothing in its first line":     {"--new-passphrase-file", write(t, "empty", "\nx")},
		"want one of them":              {"--none", "--new-passphrase-file", other},
		"want a terminal to ask on":     {},
	} {
		_, errs, code = fleet(append([]string{"authority", "passphrase"}, args...)...)
		assert.NotZero(t, code, want)
		assert.Contains(t, errs, want)
	}
	dir = filepath.Join(t.TempDir(), "plain")
	_, errs, code = fleet("authority", "init")
	assert.Zero(t, code)
	assert.Contains(t, errs, "ca.key has no passphrase")
	dir = filepath.Join(t.TempDir(), "both")
	_, errs, code = fleet("authority", "init", "--passphrase", "--passphrase-file", file)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "want one of them")
	_, errs, code = fleet("authority", "init", "--passphrase")
	assert.NotZero(t, code)
	assert.Contains(t, errs, "want a terminal")
}
