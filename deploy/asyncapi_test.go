package deploy_test

import (
	"compress/gzip"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// asyncAPI returns the published schema of AsyncAPI 3.0.0 documents; testdata/asyncapi says where
// it is from.
func asyncAPI(t *testing.T) *jsonschema.Schema {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "asyncapi", "3.0.0.json.gz"))
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	doc, err := jsonschema.UnmarshalJSON(z)
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	const name = "asyncapi-3.0.0.json"
	require.NoError(t, c.AddResource(name, doc))
	s, err := c.Compile(name)
	require.NoError(t, err)
	return s
}

// asyncDocument returns our document as JSON values.
func asyncDocument(t *testing.T) map[string]any {
	t.Helper()
	b, err := yaml.YAMLToJSON([]byte(read(t, "asyncapi.yaml")))
	require.NoError(t, err)
	return parsed(t, string(b)).(map[string]any)
}

func TestAsyncAPIDocumentIsOne(t *testing.T) {
	s := asyncAPI(t)
	require.NoError(t, s.Validate(asyncDocument(t)))

	at := func(doc map[string]any, path string) map[string]any {
		for name := range strings.SplitSeq(path, "/") {
			doc = doc[name].(map[string]any)
		}
		return doc
	}
	refused := func(what string, change func(doc map[string]any)) {
		t.Helper()
		doc := asyncDocument(t)
		change(doc)
		assert.Error(t, s.Validate(doc), what)
	}
	refused("another version", func(doc map[string]any) { doc["asyncapi"] = "2.0.0" })
	refused("no title", func(doc map[string]any) { delete(at(doc, "info"), "title") })
	refused("a channel with a member too many", func(doc map[string]any) { at(doc, "channels/status")["topic"] = "x" })
	refused("an operation without channel", func(doc map[string]any) { delete(at(doc, "operations/sendRun"), "channel") })
	refused("an action that isn't one", func(doc map[string]any) { at(doc, "operations/sendRun")["action"] = "publish" })
	refused("QoS 3", func(doc map[string]any) { at(doc, "operations/sendRun/bindings/mqtt")["qos"] = json.Number("3") })
	refused("a will of QoS 3", func(doc map[string]any) {
		at(doc, "servers/fleet/bindings/mqtt/lastWill")["qos"] = json.Number("3")
	})
}

// asyncAPIDoc is what the tests need of the document.
type asyncAPIDoc struct {
	Channels map[string]struct {
		Address  string
		Messages map[string]ref
	}
	Operations map[string]struct {
		Action   string
		Channel  ref
		Bindings struct {
			MQTT struct {
				QoS    int
				Retain bool
			}
		}
	}
	Components struct {
		Messages map[string]struct{ Payload struct{ Schema ref } }
	}
}

type ref struct {
	Ref string `json:"$ref"`
}

func (r ref) last() string { return r.Ref[strings.LastIndex(r.Ref, "/")+1:] }

// The document, the schemas and the broker's rules speak of the same topics: what a unit sends it
// may write, what it hears it may read, and each kind of message has its schema.
func TestAsyncAPIDocumentIsOfTheseMessages(t *testing.T) {
	var doc asyncAPIDoc
	require.NoError(t, json.Unmarshal([]byte(encode(t, asyncDocument(t))), &doc))
	acl := read(t, "mosquitto", "acl")
	files := map[string]map[string]bool{} // of each leaf
	for name, c := range doc.Channels {
		leaf, ok := strings.CutPrefix(c.Address, "liftbank/v1/{unit}/")
		require.True(t, ok, c.Address)
		assert.Equal(t, name, leaf)
		files[leaf] = map[string]bool{}
		for message, r := range c.Messages {
			assert.Equal(t, message, r.last())
			m, there := doc.Components.Messages[r.last()]
			require.True(t, there, r.Ref)
			_, err := os.Stat(filepath.FromSlash(m.Payload.Schema.Ref))
			require.NoError(t, err)
			files[leaf][m.Payload.Schema.last()] = true
		}
	}
	for _, s := range schemas {
		switch {
		case s.leaf != "":
			assert.True(t, files[s.leaf][s.File], "%s: not in the document", s.File)
		case s.Schema == "liftbank.gap.v1":
			for _, leaf := range []string{"readings", "runs", "findings", "visits"} {
				assert.True(t, files[leaf][s.File], "%s: not in the document for %s", s.File, leaf)
			}
		}
	}
	operated := map[string]bool{}
	for name, o := range doc.Operations {
		leaf := o.Channel.last()
		operated[leaf] = true
		assert.Equal(t, map[string]int{"receive": 0, "send": 1}[o.Action], o.Bindings.MQTT.QoS, name)
		assert.Equal(t, leaf == "status" || leaf == "snapshot", o.Bindings.MQTT.Retain, name)
		right := map[string]string{"send": "write", "receive": "read"}[o.Action]
		assert.Contains(t, acl, "\npattern "+right+" liftbank/v1/%u/"+leaf+"\n", name)
		back := map[string]string{"send": "read", "receive": "write"}[o.Action]
		assert.Contains(t, acl, "\ntopic "+back+" liftbank/v1/+/"+leaf+"\n", name)
	}
	assert.Len(t, operated, len(doc.Channels), "every channel has an operation")
	assert.Equal(t, len(doc.Channels), strings.Count(acl, "\npattern "), "and nothing else is open")
}
