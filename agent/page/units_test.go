package page

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
)

// units are snapshots of simulated units: `liftbank demo --scenario NAME`, /api/v1/snapshot.
func simulated(t testing.TB, name string) *snapshot.Snapshot {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "units", name+".json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	return &s
}

func TestPageShots(t *testing.T) {
	b := newBench(t)
	files, _ := filepath.Glob("/tmp/pagenow/*.json")
	for _, width := range []int64{phone, desk} {
		tab := b.browse(width)
		for _, f := range files {
			data, err := os.ReadFile(f)
			require.NoError(t, err)
			var s snapshot.Snapshot
			require.NoError(t, json.Unmarshal(data, &s))
			s.Seq = b.hub.Current().Seq + 1
			b.hub.Publish(&s)
			tab.open("/")
			time.Sleep(200 * time.Millisecond)
			tab.picture(fmt.Sprintf("%s-%d", filepath.Base(f[:len(f)-5]), width))
			fmt.Println(f, width, eval[int](tab, "document.documentElement.scrollHeight"), eval[int](tab, "document.documentElement.scrollWidth"))
		}
	}
}
