package visit

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
)

// heavy is a visit with a checklist of so many items, all filled, and so much work, all noted.
func heavy(items, work, noteBytes int) *Visit {
	note := strings.Repeat("é", noteBytes/2)
	v := &Visit{ID: "v1", By: "Ada", Note: note, Oil: Oil{Note: note}, Areas: []CheckedArea{{ID: "all"}}}
	for i := range items {
		item := CheckedItem{ID: fmt.Sprint(i), Text: strings.Repeat("t", 60), State: "attention", Note: note, Photo: "p"}
		if i%2 == 1 {
			item = CheckedItem{ID: fmt.Sprint(i), Text: strings.Repeat("t", 60), State: "not-checked"}
		}
		v.Areas[0].Items = append(v.Areas[0].Items, item)
	}
	for i := range work {
		v.Work = append(v.Work, Work{ID: fmt.Sprint(i), Kind: OtherWork, Note: note, By: "Ada", Acted: true})
	}
	for range 40 {
		v.Findings = append(v.Findings, Remaining{
			Name: "hot", Summary: strings.Repeat("s", 200), NextCheck: []string{"n"}, Remarks: []snapshot.Remark{{By: "Ada", Text: note}},
		})
	}
	return v
}

// However much a visit has, its record has no more than a broker takes; it says that it was
// shortened, keeps what matters most, and the visit itself is whole.
func TestARecordOfAVisitIsBounded(t *testing.T) {
	const limit = 96 << 10
	for name, v := range map[string]*Visit{
		"usual": heavy(30, 3, 200), "long notes": heavy(28, 5, 8000), "many items": heavy(600, 5, 100),
		"many long items": heavy(600, 0, 4000), "endless work": heavy(30, 1000, 4000), "everything": heavy(1500, 1500, 2000),
	} {
		before, err := json.Marshal(v)
		require.NoError(t, err)
		body, err := v.Bounded(limit)
		require.NoError(t, err, name)
		assert.LessOrEqual(t, len(body), limit, name)
		assert.True(t, utf8.Valid(body), name)
		after, err := json.Marshal(v)
		require.NoError(t, err)
		assert.Equal(t, string(before), string(after), "%s: the visit stays", name)

		var record Visit
		require.NoError(t, json.Unmarshal(body, &record))
		assert.Equal(t, len(before) > limit, record.Shortened, name)
		assert.Equal(t, "Ada", record.By)
		if !record.Shortened {
			assert.Equal(t, string(before), string(body))
			continue
		}
		if record.Note != v.Note {
			assert.True(t, strings.HasSuffix(record.Note, "é…") || record.Note == "…", "%s: %.20q", name, record.Note)
		}
	}
	body, err := heavy(28, 5, 8000).Bounded(limit)
	require.NoError(t, err)
	var record Visit
	require.NoError(t, json.Unmarshal(body, &record))
	assert.Len(t, record.Areas[0].Items, 28, "long notes alone cost no item")
	assert.Len(t, record.Work, 5)
	assert.Len(t, record.Findings, 40)
	_, err = heavy(1, 1, 10).Bounded(100)
	require.ErrorContains(t, err, "want at most 100")
}
