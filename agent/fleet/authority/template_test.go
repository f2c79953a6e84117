package authority_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/config"
	"liftbank/agent/fleet/authority"
)

func board(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "deploy", "board-two-batteries.yaml"))
	require.NoError(t, err)
	return string(text)
}

// small has the required fields only: the YAML parser's time grows with the square of the size.
func small(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "config", "testdata", "small.good.yaml"))
	require.NoError(t, err)
	return string(text)
}

// Lines of a template that differ from the unit's; all others are the same, and in the same order.
func different(before, after string) (gone, come []string) {
	was, is := strings.Split(before, "\n"), strings.Split(after, "\n")
	for _, line := range was {
		if !strings.Contains(after, line) {
			gone = append(gone, line)
		}
	}
	for _, line := range is {
		if !strings.Contains(before, line) {
			come = append(come, line)
		}
	}
	return gone, come
}

func TestTemplateIsFilledIn(t *testing.T) {
	const filled = "\nmqtt: # where to\n  broker: mqtts://b.example # ours\n"
	for name, c := range map[string]struct {
		text, broker string
		gone, come   []string
	}{
		"no mqtt": {board(t), "mqtts://b.example",
			[]string{`  id: lift-1 # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`},
			[]string{`  id: "t-7" # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`, `  broker: "mqtts://b.example"`,
				`  ca_file: "ca.pem"`, `  cert_file: "t-7.pem"`, `  key_file: "t-7.key"`}},
		"mqtt": {board(t) + filled, "",
			[]string{`  id: lift-1 # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`},
			[]string{`  id: "t-7" # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`,
				`  ca_file: "ca.pem"`, `  cert_file: "t-7.pem"`, `  key_file: "t-7.key"`}},
		"all there": {strings.Replace(board(t), "  id: lift-1", "  id: 'lift-1'", 1) + filled +
			"  ca_file: old.pem # the fleet's\n  cert_file: \"old.\\\"pem\"   # own\n  key_file: 'it''s.key'\n", "mqtts://c.example",
			[]string{`  id: 'lift-1' # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`,
				"  broker: mqtts://b.example # ours", "  ca_file: old.pem # the fleet's", `  cert_file: "old.\"pem"   # own`,
				"  key_file: 'it''s.key'"},
			[]string{`  id: "t-7" # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`,
				`  broker: "mqtts://c.example" # ours`, `  ca_file: "ca.pem" # the fleet's`, `  cert_file: "t-7.pem"   # own`,
				`  key_file: "t-7.key"`}},
		"on one line": {strings.Replace(board(t), "unit:\n  id: lift-1", "unit: {id: lift-1} # ä", 1) +
			"mqtt: {broker: mqtts://b.example, ca_file: x}\n", "",
			[]string{"unit: {id: lift-1} # ä # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.",
				"mqtt: {broker: mqtts://b.example, ca_file: x}"},
			[]string{`unit: {id: "t-7"} # ä # a-z, 0-9 and -, 1 to 64 of them; required. Unique in the fleet.`,
				`mqtt: {cert_file: "t-7.pem", key_file: "t-7.key", broker: mqtts://b.example, ca_file: "ca.pem"}`}},
	} {
		t.Run(name, func(t *testing.T) {
			tmpl, err := authority.ReadTemplate("unit.yaml", []byte(c.text), c.broker)
			require.NoError(t, err)
			got, err := tmpl.Fill("t-7")
			require.NoError(t, err)
			gone, come := different(c.text, string(got))
			assert.Equal(t, c.gone, gone)
			assert.Equal(t, c.come, come)
		})
	}
}

func TestTemplateIsRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, broker, want string }{
		"wrong by itself": {strings.Replace(board(t), "layout: parallel", "layout: star", 1), "mqtts://x", "unit.yaml:15: bank.layout"},
		"no broker":       {board(t), "", "or --broker"},
		"plain":           {board(t), "mqtt://b.example", "want it left out, or a broker with TLS"},
		"no URL":          {board(t), "b.example", "mqtt.broker"},
		"empty":           {"", "mqtts://x", "unit.yaml"},
	} {
		_, err := authority.ReadTemplate("unit.yaml", []byte(c.text), c.broker)
		assert.ErrorContains(t, err, c.want, name)
	}
}

// Whatever a unit is called, its configuration has that name and is the template's otherwise.
func TestAnyUnitFits(t *testing.T) {
	text := small(t) + "\nmqtt:\n  broker: mqtts://b.example\n"
	tmpl, err := authority.ReadTemplate("unit.yaml", []byte(text), "")
	require.NoError(t, err)
	want, err := config.Parse("unit.yaml", []byte(text))
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.OneOf(rapid.StringMatching(`[a-z0-9-]{1,64}`),
			rapid.SampledFrom([]string{"null", "true", "no", "1e3", "0x10", "-", "---", "123", "0123"})).Draw(t, "name")
		if authority.CheckUnit(name) != nil {
			t.Fatalf("%q", name)
		}
		got, err := tmpl.Fill(name)
		if err != nil {
			t.Fatal(err)
		}
		c, err := config.Parse("unit.yaml", got)
		if err != nil {
			t.Fatal(err)
		}
		if c.Unit.ID != name || c.MQTT.CertFile != name+".pem" || c.MQTT.KeyFile != name+".key" || c.MQTT.CAFile != "ca.pem" {
			t.Fatalf("%+v %+v", c.Unit, c.MQTT)
		}
		c.Unit, c.MQTT.CertFile, c.MQTT.KeyFile, c.MQTT.CAFile = want.Unit, "", "", ""
		if !assert.ObjectsAreEqual(want, c) {
			t.Fatalf("%+v\n%+v", want, c)
		}
	})
}

// Any text as a template is refused, or filled in rightly: Fill reads back what it wrote.
func FuzzTemplate(f *testing.F) {
	text := small(f)
	f.Add(text, "mqtts://b.example")
	f.Add(text+"mqtt: {broker: 'mqtts://b.example' , ca_file : \"x\"}\n", "")
	f.Add(text+"mqtt:\n  ca_file:\n    x.pem\n  broker: mqtts://b.example\n", "")
	f.Add("{unit: {id: x}, mqtt: {}}", "")
	f.Add("unit: &a {id: x}\nmqtt: *a\n", "")
	f.Add("---\nunit:\r\n  id: x\r\n", "mqtts://b")
	f.Fuzz(func(t *testing.T, text, broker string) {
		tmpl, err := authority.ReadTemplate("unit.yaml", []byte(text), broker)
		if err != nil {
			return
		}
		got, err := tmpl.Fill("t-1")
		require.NoError(t, err)
		c, err := config.Parse("unit.yaml", got)
		require.NoError(t, err)
		assert.Equal(t, "t-1", c.Unit.ID)
	})
}

func FuzzIndex(f *testing.F) {
	f.Add("2026-03-09T12:00:00Z issued unit t-1 1f 2031-03-09T12:00:00Z AAAA -\n2026-03-09T12:00:00Z revoked 1f")
	f.Add("2026-03-09T12:00:00Z listed 1 2031-03-09T12:00:00Z")
	f.Fuzz(func(t *testing.T, lines string) {
		text := authority.Sealed(lines)
		again, err := authority.Reread(text)
		if err != nil {
			return
		}
		assert.Equal(t, text, again)
	})
}
