package deploy_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
	"liftbank/agent/records/schema"
)

// TestSchemaFilesAreTheTypes holds each file against the types that it is made from.
func TestSchemaFilesAreTheTypes(t *testing.T) {
	g, err := schema.New("..")
	require.NoError(t, err)
	for _, s := range schemas {
		assert.Contains(t, places, s.File)
		want, err := g.Make(s.Message)
		require.NoError(t, err)
		path := filepath.Join("schema", s.File)
		if *update {
			require.NoError(t, os.WriteFile(path, want, 0o644))
		}
		got, err := os.ReadFile(path)
		require.NoError(t, err)
		if !bytes.Equal(got, want) {
			t.Errorf("%s is not what the program's types say: "+
				"renew it with go test ./deploy -run Schema -update and read the difference", path)
		}
	}
	assert.Empty(t, g.Unused(), "limits that no message has")
	files, err := filepath.Glob("schema/*.json")
	require.NoError(t, err)
	assert.Len(t, files, len(schemas), "each file is of a message")
	assert.Len(t, places, len(schemas), "each place is of a message")
}

// compiled gives a schema ready to judge; that it compiles says that it follows the JSON Schema
// 2020-12 meta-schema.
func compiled(t *testing.T, file string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	s, err := c.Compile(filepath.Join("schema", file))
	require.NoError(t, err)
	return s
}

func parsed(t *testing.T, text string) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	require.NoError(t, err, text)
	return v
}

// judge has a schema take a message and refuse it spoiled: each member of each object missing where
// it is required, each object with one member more, and each member's value of another kind.
func judge(t *testing.T, s *jsonschema.Schema, text string) {
	t.Helper()
	message := parsed(t, text)
	if err := s.Validate(message); err != nil {
		t.Errorf("%s\n%#v", text, err)
		return
	}
	spoiled := 0
	spoil(message, func(what string) {
		spoiled++
		assert.Error(t, s.Validate(message), "%s: taken all the same", what)
	})
	assert.Greater(t, spoiled, 3)
}

// spoil makes each change that no schema of ours may take, calls refused, and undoes it.
func spoil(v any, refused func(what string)) {
	switch x := v.(type) {
	case map[string]any:
		x["more"] = 1
		refused("one member more")
		delete(x, "more")
		for _, name := range slices.Sorted(maps.Keys(x)) {
			kept := x[name]
			x[name] = map[string]any{"wrong": true}
			refused(name + " of another kind")
			x[name] = kept
			spoil(kept, func(what string) { refused(name + ": " + what) })
		}
	case []any:
		for i := range x {
			spoil(x[i], func(what string) { refused(fmt.Sprint(i, ": ", what)) })
		}
	}
}

// withoutRequired takes away, one at a time, the members that a schema's own top level requires.
func withoutRequired(t *testing.T, s *jsonschema.Schema, text string) {
	t.Helper()
	message, ok := parsed(t, text).(map[string]any)
	if !ok {
		return
	}
	require.NotEmpty(t, s.Required)
	for _, name := range s.Required {
		kept := message[name]
		delete(message, name)
		assert.Error(t, s.Validate(message), "without %s", name)
		message[name] = kept
	}
}

func TestSchemasTakeSamples(t *testing.T) {
	full := sampleSnapshot(t, "findings")
	fill(reflect.ValueOf(full).Elem()) // and the words that the older sample has not got
	full.Bank.MotorLeads, full.Bank.FeedLeads = "diagonal", "unknown"
	full.Motor.Since[0].Kind = "filter"
	full.Links[0].Side, full.Links[0].From, full.Links[0].To = "negative", "a", "b"
	series := sampleSnapshot(t, "series")
	full.Bank.Layout, full.Bank.Mixed, full.Strings = series.Bank.Layout, series.Bank.Mixed, series.Strings
	var past history.Window
	fill(reflect.ValueOf(&past).Elem())
	past.Findings[0].Name, past.Findings[0].Severity = "feed-lost", "urgent"
	samples := map[string]string{"snapshot.schema.json": encode(t, full), "history.schema.json": encode(t, past)}
	for _, s := range schemas {
		compiled(t, s.File)
		if s.sample != "" {
			samples[s.File] = s.sample
		}
	}
	for file, text := range samples {
		t.Run(file, func(t *testing.T) {
			judge(t, compiled(t, file), text)
			withoutRequired(t, compiled(t, file), text)
		})
	}
}

func encode(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// TestSchemasTakeWhatIsSent runs the program's demonstration against a broker in this process and
// holds everything that it says, over MQTT and HTTP, against the schemas.
func TestSchemasTakeWhatIsSent(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs the program")
	}
	broker := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	require.NoError(t, broker.AddHook(new(auth.AllowHook), nil))
	l := listeners.NewTCP(listeners.Config{ID: "test", Address: "127.0.0.1:0"})
	require.NoError(t, broker.AddListener(l))
	require.NoError(t, broker.Serve())
	t.Cleanup(func() { require.NoError(t, broker.Close()) })
	got := make(chan arrival, 10000)
	require.NoError(t, broker.Subscribe("liftbank/#", 1,
		func(_ *mochi.Client, _ packets.Subscription, p packets.Packet) {
			got <- arrival{topic: p.TopicName, text: string(p.Payload)}
		}))

	demo := launch(t, liftbank(t), "demo", "--listen", "127.0.0.1:0", "--broker", "mqtt://"+l.Address(),
		"--scenario", "feed-lost", "--speed", "20000")
	demo.says(t, "speed  ")
	page := regexp.MustCompile(`page +(http://[^/\s]+)/`).FindStringSubmatch(demo.output())
	require.NotNil(t, page, demo.output())

	byLeaf := map[string]*jsonschema.Schema{}
	awaited := map[string]bool{}
	for _, s := range schemas {
		if s.leaf != "" && s.leaf != "received" {
			byLeaf[s.leaf+" "+s.Schema] = compiled(t, s.File)
			awaited[s.leaf+" "+s.Schema] = !s.rare
		}
	}
	judged := map[string]int{}
	take := func(a arrival) (kind, status string) {
		var head struct{ Schema, Status string }
		require.NoError(t, json.Unmarshal([]byte(a.text), &head), a.text)
		kind = strings.TrimPrefix(a.topic, "liftbank/v1/demo/") + " " + head.Schema
		if !assert.Contains(t, byLeaf, kind, "a message that no schema is for: %s", a.text) {
			return kind, head.Status
		}
		if judged[kind]++; judged[kind] > 4 { // spoiling takes time
			assert.NoError(t, byLeaf[kind].Validate(parsed(t, a.text)), a.text)
		} else {
			judge(t, byLeaf[kind], a.text)
			withoutRequired(t, byLeaf[kind], a.text)
		}
		return kind, head.Status
	}
	begun := time.Now()
	for waiting := true; waiting; {
		require.Less(t, time.Since(begun), 3*time.Minute, "judged so far: %v", judged)
		take(receive(t, got, fmt.Sprintf("a message of each kind; so far %v", judged)))
		waiting = false
		for kind, is := range awaited {
			waiting = waiting || is && judged[kind] == 0
		}
	}
	for _, s := range schemas {
		if s.path != "" {
			judge(t, compiled(t, s.File), get(t, page[1]+s.path))
		}
	}
	demo.stop() // without a word: the broker says the will
	for status := ""; status != "lost"; {
		_, status = take(receive(t, got, "the last will"))
	}
}

func get(t *testing.T, url string) string {
	t.Helper()
	client := http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}
	var body []byte
	for deadline := time.Now().Add(patience); ; {
		resp, err := client.Get(url)
		require.NoError(t, err)
		body, err = io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		if resp.StatusCode == http.StatusOK || time.Now().After(deadline) {
			require.Equal(t, http.StatusOK, resp.StatusCode, "%s: %s", url, body)
			return string(bytes.TrimSpace(body))
		}
	}
}
