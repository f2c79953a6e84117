package visit

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
)

// FuzzDraft reads any bytes as the draft of a visit: they are one, and the visit can be finished and
// read, or they are set aside and another can begin.
func FuzzDraft(f *testing.F) {
	f.Add([]byte("{"))
	f.Add([]byte("null"))
	f.Add([]byte(`{"schema":"liftbank.visit-draft.v1","id":"20260309t140322-abc123","fields":{"by":"x","note":"y"},` +
		`"work":[{"id":"token-1","kind":"battery-replaced","subject":"z"}],"revision":-1,"log":[{"key":"?"}]}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		d := crash.New("/visits")
		defer disk.Use(d)()
		file, err := d.OpenFile("/visits/"+draftFile, 0x41, 0o600) // O_WRONLY|O_CREATE
		require.NoError(t, err)
		_, err = file.Write(raw)
		require.NoError(t, err)
		k, err := Open(Options{Dir: "/visits", Unit: "t-1", Form: NewForm(DefaultChecklist(), []string{"a"})})
		require.NoError(t, err)
		draft := k.Draft()
		if draft == nil {
			_, err = k.Begin("R. Vega", "abc123", facts(t, 0))
			require.NoError(t, err)
			draft = k.Draft()
		}
		_, err = k.Save(draft.ID, draft.Revision, map[string]string{"by": "R. Vega", "note": "fuzz"}, facts(t, time.Minute))
		require.NoError(t, err)
		for _, c := range k.Draft().ToSettle {
			_, err = k.Settle(draft.ID, c.ID, KeepSaved, "", facts(t, time.Minute))
			require.NoError(t, err)
		}
		v, err := k.Finish(draft.ID, facts(t, time.Hour))
		require.NoError(t, err)
		got, err := k.Get(v.ID)
		require.NoError(t, err)
		assert.Equal(t, v.ID, got.ID)
	})
}
