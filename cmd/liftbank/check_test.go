//go:build !board

package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/budget"
	"liftbank/agent/config"
	"liftbank/agent/pin"
	"liftbank/cmd/internal/access"
)

var checkedAt = time.Date(2026, 3, 9, 6, 30, 0, 0, time.UTC)

// pair writes a certificate that ends after a time, for a host, and its key.
func pair(t *testing.T, dir, name string, begins, ends time.Time) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "lift-1"},
		DNSNames: []string{"liftbank.local"}, NotBefore: begins, NotAfter: ends}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	for suffix, b := range map[string]*pem.Block{
		".pem": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "PRIVATE KEY", Bytes: keyDER},
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name+suffix), pem.EncodeToMemory(b), 0o600))
	}
	return filepath.Join(dir, name+".pem"), filepath.Join(dir, name+".key")
}

// wholeSetUp is a configuration that names one of each kind of file, with all of them right.
func wholeSetUp(t *testing.T) *config.Config {
	t.Helper()
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	cert, key := pair(t, dir, "unit", checkedAt.AddDate(-1, 0, 0), checkedAt.AddDate(1, 0, 0))
	secret, err := pin.Make("482915")
	require.NoError(t, err)
	c := &config.Config{Unit: config.Unit{ID: "lift-1"}}
	c.Board.I2CBus = "/dev/null" // a device that there is everywhere
	c.MQTT = &config.MQTT{PasswordFile: file("password", "x\n"), CAFile: cert, CertFile: cert, KeyFile: key}
	c.Store.Dir = filepath.Join(dir, "store")
	c.HTTP = config.HTTP{CertFile: cert, KeyFile: key, MetricsPasswordFile: file("metrics", "y"),
		HostNames: []string{"liftbank.local"}}
	c.Visits = config.Visits{Dir: filepath.Join(dir, "visits"), PINFile: file("pin", secret.Text())}
	return c
}

// problems returns what checkFiles says against the files, by field.
func problems(c *config.Config) map[string]string {
	all := map[string]string{}
	for _, f := range checkFiles(c, access.Self(), checkedAt) {
		if f.Problem != "" {
			all[f.Field] = f.Problem
		}
	}
	return all
}

func TestCheckFindsAWholeSetUpRight(t *testing.T) {
	c := wholeSetUp(t)
	assert.Empty(t, problems(c))
	assert.Len(t, checkFiles(c, access.Self(), checkedAt), len(c.Files()))
}

// Each file that a configuration names is missed, and each that should be a file is not a folder.
func TestCheckLooksAtEveryFile(t *testing.T) {
	for i, f := range wholeSetUp(t).Files() {
		c := wholeSetUp(t)
		path := c.Files()[i].Path
		if f.Use == config.Bus {
			c.Board.I2CBus = "/dev/i2c-97"
		} else if f.Use == config.Folder {
			require.NoError(t, os.WriteFile(path, nil, 0o600))
		} else {
			require.NoError(t, os.Remove(path))
		}
		assert.Contains(t, problems(c), f.Field)
		if f.Use == config.Read {
			require.NoError(t, os.Mkdir(path, 0o700))
			assert.Contains(t, problems(c)[f.Field], "not a file")
		}
	}
}

// What is in a file must be what it should be; the report never repeats it.
func TestCheckLooksIntoFiles(t *testing.T) {
	const secret = "hunter2"
	for i, f := range wholeSetUp(t).Files() {
		if f.Use != config.Read || f.Holds == config.Key {
			continue // a key is checked with its certificate
		}
		c := wholeSetUp(t)
		text := secret
		if f.Holds == config.Password {
			text = "\n" + secret
		}
		require.NoError(t, os.WriteFile(c.Files()[i].Path, []byte(text), 0o600))
		said := problems(c)
		assert.Contains(t, said, f.Field)
		assert.NotContains(t, fmt.Sprint(said), secret)
	}
}

func TestCheckOfCertificates(t *testing.T) {
	f := func(begins, ends time.Time, want string) {
		t.Helper()
		c := wholeSetUp(t)
		dir := t.TempDir()
		c.MQTT.CertFile, c.MQTT.KeyFile = pair(t, dir, "unit", begins, ends)
		c.HTTP.CertFile, c.HTTP.KeyFile = c.MQTT.CertFile, c.MQTT.KeyFile
		c.MQTT.CAFile = c.MQTT.CertFile
		said := problems(c)
		for _, field := range []string{"mqtt.ca_file", "mqtt.cert_file", "http.cert_file"} {
			if want == "" {
				assert.NotContains(t, said, field)
			} else {
				assert.Contains(t, said[field], want, field)
			}
		}
	}
	year := 365 * 24 * time.Hour
	f(checkedAt.Add(-year), checkedAt.Add(year), "")
	f(checkedAt.Add(-year), checkedAt.Add(-time.Hour), "expired on 2026-03-09")
	f(checkedAt.Add(time.Hour), checkedAt.Add(year), "not valid before 2026-03-09")

	c := wholeSetUp(t)
	_, c.MQTT.KeyFile = pair(t, t.TempDir(), "other", checkedAt, checkedAt.Add(year))
	c.HTTP.HostNames = []string{"elsewhere.local"}
	said := problems(c)
	assert.Contains(t, said["mqtt.cert_file"], "with "+c.MQTT.KeyFile)
	assert.Contains(t, said["http.cert_file"], "not for elsewhere.local")
	assert.Len(t, said, 2)

	for content, want := range map[string]string{
		"not a certificate": "no certificate in it: want PEM",
		string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: []byte("x")})): "certificate 1 in it",
	} {
		c = wholeSetUp(t)
		require.NoError(t, os.WriteFile(c.MQTT.CertFile, []byte(content), 0o600))
		assert.Contains(t, problems(c)["mqtt.cert_file"], want)
	}

	// The key first, in the same file: TLS takes that, too.
	c = wholeSetUp(t)
	both, err := os.ReadFile(c.MQTT.KeyFile)
	require.NoError(t, err)
	own, err := os.ReadFile(c.MQTT.CertFile)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(c.MQTT.CertFile, append(both, own...), 0o600))
	assert.NotContains(t, problems(c), "mqtt.cert_file")

	c = wholeSetUp(t)
	c.MQTT.CertFile, c.MQTT.KeyFile = pair(t, t.TempDir(), "old", checkedAt.Add(-year), checkedAt.Add(20*24*time.Hour))
	require.NoError(t, os.Chmod(c.MQTT.PasswordFile, 0o604))
	remarks := map[string]string{}
	for _, f := range checkFiles(c, access.Self(), checkedAt) {
		if f.Remark != "" {
			remarks[f.Field] = f.Remark
		}
	}
	assert.Equal(t, map[string]string{
		"mqtt.cert_file": "ends soon", "mqtt.password_file": "everybody can read it: chmod o-r",
	}, remarks)
}

// A unit that was given another's certificate: everything can be read, and yet nothing would arrive.
func TestCheckComparesTheCertificatesName(t *testing.T) {
	c := wholeSetUp(t)
	c.Unit.ID = "lift-2"
	said := problems(c)
	assert.Contains(t, said["mqtt.cert_file"], `common name "lift-1": want unit.id "lift-2"`)
	assert.Len(t, said, 1)
	c.MQTT.Username = "lift-2" // the broker goes by that name
	assert.Empty(t, problems(c))
}

// checked writes a configuration whose bus and pins are there, and gives its name.
func checked(t *testing.T, more string) string {
	t.Helper()
	text, err := readFile(filepath.Join("..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	from := strings.Index(text, "  contacts:")
	to := from + strings.Index(text[from:], "\n  scan:")
	require.Positive(t, from)
	require.Greater(t, to, from)
	text = text[:from] + text[to+1:]
	return write(t, "unit.yaml", strings.Replace(text, "i2c_bus: /dev/i2c-1", "i2c_bus: /dev/null", 1)+more)
}

func TestCheckAsJSON(t *testing.T) {
	decode := func(text string) (r checkReport) {
		t.Helper()
		require.NoError(t, json.Unmarshal([]byte(text), &r), text)
		return r
	}
	out, errs, code := command(t, "", "check", "--json", "--config", checked(t, ""))
	require.Zero(t, code, errs)
	assert.True(t, decode(out).OK)
	assert.Equal(t, "lift-1", decode(out).Unit)

	path := checked(t, "\nvisits: {pin_file: pin}\n")
	out, errs, code = command(t, "", "check", "--json", "--config", path)
	assert.Equal(t, exitFailed, code)
	assert.Empty(t, errs, "it is in the JSON")
	r := decode(out)
	assert.False(t, r.OK)
	assert.Contains(t, r.Files, fileReport{Field: "visits.pin_file", Path: filepath.Join(filepath.Dir(path), "pin"),
		Problem: "not there"})
	out, errs, code = command(t, "", "check", "--config", path)
	assert.Equal(t, exitFailed, code)
	assert.Regexp(t, `visits\.pin_file +/\S+/pin +not there`, out)
	assert.Contains(t, errs, "1 of 2 files, folders and devices can't be used")
	_, errs, code = command(t, "", "check", "--fields-only", "--config", path)
	assert.Zero(t, code, errs)

	out, errs, code = command(t, "unit: {id: LIFT}\n", "check", "--json", "--config", "-")
	assert.Equal(t, exitConfig, code)
	assert.Empty(t, errs)
	assert.Contains(t, decode(out).Errors, fieldError{File: "standard input", Line: 1, Field: "unit.id", Value: "LIFT",
		Want: "want 1 to 64 of a-z, 0-9 and -"})
	out, _, code = command(t, "", "check", "--json", "--config", "no-such.yaml")
	assert.Equal(t, exitConfig, code)
	assert.Len(t, decode(out).Errors, 1)
}

// Whoever may run check on another's behalf must not read any file with it.
func TestCheckRepeatsNothingOfAnotherKindOfFile(t *testing.T) {
	path := write(t, "shadow", "root:$y$hunter2:19000:0:99999:7:::\n")
	for _, args := range [][]string{{}, {"--json"}} {
		out, errs, code := command(t, "", append([]string{"check", "--config", path}, args...)...)
		assert.Equal(t, exitConfig, code)
		assert.NotContains(t, out+errs, "hunter2")
		assert.Contains(t, out+errs, "want sections: unit, bank, board")
	}
}

// A disk that fails to read is no wrong configuration: the service is started again.
func TestWhatIsAWrongConfiguration(t *testing.T) {
	for _, path := range []string{"no-such.yaml", t.TempDir(), filepath.Join(os.Args[0], "below")} {
		_, err := loadConfig(path, nil)
		assert.Equal(t, exitConfig, exitCode(err), path)
	}
	_, err := loadConfig("-", failing{})
	assert.Equal(t, exitFailed, exitCode(err))
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, os.ErrDeadlineExceeded }

// The budget is printed after the check, as a table and as JSON.
func TestCheckPrintsABudget(t *testing.T) {
	file := filepath.Join("..", "..", "deploy", "board-shunts.yaml")
	out, errs, code := command(t, "", "check", "--fields-only", "--budget", "--config", file)
	require.Zero(t, code, errs)
	for _, want := range []string{
		"battery_current_a      -1000 to 1000 A  0.1 V             0.0031 A", "0.17 at 20 A, 1.2 at 200 A, 2.3 at 400 A",
		"± 0.57 % of some 3.2 mΩ", "Scans in a motor run are at most 6.7 ms apart.",
	} {
		assert.Contains(t, out, want)
	}
	out, errs, code = command(t, "", "check", "--fields-only", "--budget", "--json", "--config", file)
	require.Zero(t, code, errs)
	var r struct{ Budget budget.Report }
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	assert.Len(t, r.Budget.Channels, 8)
}
