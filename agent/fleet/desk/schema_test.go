package desk

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/records/schema"
)

var update = flag.Bool("update", false, "renew the published schemas")

var answers = []struct {
	schema.Message
	path string // asked for
}{
	{schema.Message{
		File: "worklist.schema.json", Type: reflect.TypeFor[WorklistAnswer](), Schema: WorklistSchema, Title: "Worklist",
		About: "The answer of the fleet's /api/v1/worklist.",
	}, "/api/v1/worklist?show=urgent&show=repair&show=note&show=silent&show=visit&show=well&limit=1000"},
	{schema.Message{
		File: "units.schema.json", Type: reflect.TypeFor[UnitsAnswer](), Schema: UnitsSchema, Title: "Units",
		About: "The answer of the fleet's /api/v1/units.",
	}, "/api/v1/units"},
	{schema.Message{
		File: "unit.schema.json", Type: reflect.TypeFor[UnitAnswer](), Schema: UnitSchema, Title: "Unit",
		About: "The answer of the fleet's /api/v1/units/UNIT.",
	}, "/api/v1/units/4017"},
	{schema.Message{
		File: "past.schema.json", Type: reflect.TypeFor[PastAnswer](), Schema: PastSchema, Title: "Past",
		About: "The answer of the fleet's /api/v1/units/UNIT/past.",
	}, "/api/v1/units/4017/past?span=month"},
}

// The published schemas are the types', and what is answered keeps to them.
func TestSchemas(t *testing.T) {
	root := filepath.Join("..", "..", "..")
	g, err := schema.New(root)
	require.NoError(t, err)
	f := newFixture(t)
	f.fill()
	own, err := os.ReadFile(filepath.Join("..", "wire", "testdata", "snapshot.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(own, f.store.units["4017"].Snapshot))
	c := f.as(RoleRead)
	for _, a := range answers {
		want, err := g.Make(a.Message)
		require.NoError(t, err)
		path := filepath.Join(root, "deploy", "schema", "fleet", a.File)
		if *update {
			require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
			require.NoError(t, os.WriteFile(path, want, 0o644))
		}
		got, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.Equal(t, string(want), string(got), "renew it with go test ./agent/fleet/desk -run Schemas -update and read the difference")
		compiler := jsonschema.NewCompiler()
		compiler.AssertFormat()
		s, err := compiler.Compile(path)
		require.NoError(t, err)
		code, body := c.get(a.path)
		require.Equal(t, 200, code, body)
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
		require.NoError(t, err)
		require.NoError(t, s.Validate(v), a.path)
		// It refuses what is not so.
		m := v.(map[string]any)
		m["more"] = 1
		assert.Error(t, s.Validate(m))
		delete(m, "more")
		for _, name := range s.Required {
			kept := m[name]
			delete(m, name)
			assert.Error(t, s.Validate(m), "without %s", name)
			m[name] = kept
		}
	}
}

func TestAPIPages(t *testing.T) {
	f := newFixture(t)
	f.fill()
	c := f.as(RoleRead)
	seen := map[string]bool{}
	for path := "/api/v1/units?limit=7"; path != ""; {
		code, body := c.get(path)
		require.Equal(t, 200, code)
		var a UnitsAnswer
		require.NoError(t, json.Unmarshal([]byte(body), &a))
		for _, u := range a.Units {
			assert.False(t, seen[u.Unit])
			seen[u.Unit] = true
		}
		path = a.Next
	}
	assert.Len(t, seen, 48)
	_, body := c.get("/api/v1/worklist")
	var a WorklistAnswer
	require.NoError(t, json.Unmarshal([]byte(body), &a))
	require.Len(t, a.Rows, 10)
	assert.Equal(t, "series-wired", a.Rows[0].Finding)
	assert.Equal(t, "Bank wired in series", a.Rows[0].Headline)
	assert.Nil(t, a.Rows[0].ChargePct)
	assert.Equal(t, 35, a.Counts.Lists[worklist.ListWell])
	assert.NotEmpty(t, a.Parts)
	_, body = c.get("/api/v1/worklist?show=silent")
	a = WorklistAnswer{}
	require.NoError(t, json.Unmarshal([]byte(body), &a))
	assert.Len(t, a.Rows, 2)
}
