package deploy_test

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	schema "github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// byGrafana returns what the types that Grafana's makers generate from its own schemas say of a dashboard:
// fields that are missing, unknown or of another type.
func byGrafana(text string) error {
	r := cog.NewRuntime()
	r.RegisterPanelcfgVariant(stat.VariantConfig())
	r.RegisterPanelcfgVariant(table.VariantConfig())
	r.RegisterPanelcfgVariant(timeseries.VariantConfig())
	r.RegisterDataqueryVariant(prometheus.VariantConfig())
	//lint:ignore SA1019 the files have the classic model, which every version reads
	var d schema.Dashboard
	return errors.Join(d.UnmarshalJSONStrict([]byte(text)), d.Validate())
}

// filledIn are fields that Grafana sets where a file has none: a panel's options have defaults, and a variable takes the
// first of its values.
var filledIn = regexp.MustCompile(`^(templating\.list\[\d+\]\.current\.(text|value)|panels\[\d+\]\.options\.(justifyMode|wideLayout|` +
	`showPercentChange|percentChangeColorMode|orientation|frameIndex|legend\.calcs)): required field is missing from input$`)

func TestDashboardsFollowGrafanasSchema(t *testing.T) {
	for file := range dashboards(t) {
		if err := byGrafana(read(t, file)); err != nil {
			for line := range strings.Lines(err.Error()) {
				assert.Regexp(t, filledIn, strings.TrimSpace(line), file)
			}
		}
	}
	// It is strict enough to see what a slip would be.
	text := read(t, "grafana", "pushed-unit.json")
	for slip, good := range map[string]string{
		`"legendFormatt":`: `"legendFormat":`, `"x": "0"`: `"x": 0`, `"showHeder":`: `"showHeader":`,
	} {
		require.Contains(t, text, good)
		err := byGrafana(strings.Replace(text, good, slip, 1))
		found := false
		for line := range strings.Lines(err.Error()) {
			found = found || !filledIn.MatchString(strings.TrimSpace(line))
		}
		assert.True(t, found, "%s is taken: %v", slip, err)
	}
}
