package alert_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
)

// A look at what stands, and one after a change of one unit: 10,000 units, a finding at each third, from SQLite.
func BenchmarkLook(b *testing.B) {
	d, err := db.Open(b.Context(), "sqlite://"+filepath.Join(b.TempDir(), "fleet.db"), db.Options{})
	require.NoError(b, err)
	defer func() { require.NoError(b, d.Close()) }()
	var batch []wire.Message
	for i := range 10_000 {
		active := i%3 == 0
		batch = append(batch, change(b, fmt.Sprintf("t-%d", i), 1, "feed-lost", "urgent", active))
		if len(batch) == 500 {
			_, err := d.Commit(b.Context(), time.Now(), batch)
			require.NoError(b, err)
			batch = batch[:0]
		}
	}
	n, err := alert.New(alert.Options{Store: d})
	require.NoError(b, err)
	for name, unit := range map[string]string{"all": "", "one": "t-3"} {
		b.Run(name, func(b *testing.B) {
			require.NoError(b, n.Look(b.Context(), ""))
			for b.Loop() {
				require.NoError(b, n.Look(b.Context(), unit))
			}
			b.ReportMetric(float64(len(n.Standing())), "alerts")
		})
	}
}
