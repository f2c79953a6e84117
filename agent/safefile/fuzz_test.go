package safefile_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
)

// FuzzLoad reads any bytes as a saved document: they are one, whole, or they are set aside and the
// one before comes back. Saving goes on in every case.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(""))
	f.Add([]byte("liftbank-document 1 3 364b3fb7\nabc"))
	f.Add([]byte("liftbank-document 1 99999999999999999999 0\n"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		d := crash.New("/card")
		defer disk.Use(d)()
		require.NoError(t, safefile.Save("/card/state", []byte("before")))
		require.NoError(t, safefile.Save("/card/state", []byte("newest")))
		file, err := d.OpenFile("/card/state", 0x201, 0o600) // O_WRONLY|O_TRUNC
		require.NoError(t, err)
		_, err = file.Write(raw)
		require.NoError(t, err)
		got, err := safefile.Load("/card/state")
		if err != nil {
			assert.Equal(t, "before", string(got))
		}
		require.NoError(t, safefile.Save("/card/state", []byte("next")))
		got, err = safefile.Load("/card/state")
		require.NoError(t, err)
		assert.Equal(t, "next", string(got))
	})
}
