package config_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/visit"
)

// A checklist in a file of its own serves many units; each has its limits in its configuration.
func TestChecklistOfAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "list.yaml")
	require.NoError(t, os.WriteFile(path, []byte(`checklist:
  - area: oil
    title: Oil
    caution: oil
    items:
      - {item: clear, text: Oil clear}
      - {item: relief, text: Relief pressure, unit: psi, reads: On the gauge, rule: between}
`), 0o600))
	low, high := 1800.0, 2000.0
	v := config.Visits{ChecklistFile: path, Limits: []config.ReadingLimit{{Area: "oil", Item: "relief", Min: &low, Max: &high}}}
	areas, err := v.Areas()
	require.NoError(t, err)
	assert.Equal(t, []visit.Area{{ID: "oil", Title: "Oil", Caution: "oil", Items: []visit.Item{
		{ID: "clear", Text: "Oil clear"},
		{ID: "relief", Text: "Relief pressure", Unit: "psi", Reads: "On the gauge", Rule: visit.Between, Min: &low, Max: &high},
	}}}, areas)
	v.Limits[0].Item = "none"
	_, err = v.Areas()
	assert.ErrorContains(t, err, "oil/none: want an area and an item of the checklist")
	_, err = (&config.Visits{ChecklistFile: path + "x"}).Areas()
	assert.ErrorIs(t, err, os.ErrNotExist)
	_, err = config.LoadChecklist("list.yaml", []byte("checklist:\n  - {area: oil}\n"))
	assert.ErrorContains(t, err, "2: checklist[0].title: missing")
	_, err = config.LoadChecklist("list.yaml", []byte("visits:\n"))
	assert.Error(t, err)
	areas, err = (&config.Visits{}).Areas()
	require.NoError(t, err)
	assert.Equal(t, visit.DefaultChecklist(), areas)
}
