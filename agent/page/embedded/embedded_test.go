package embedded

import (
	"bytes"
	"compress/gzip"
	"io/fs"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRead(t *testing.T) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write([]byte("some text"))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	half := packed.Bytes()[:packed.Len()/2]
	files := fstest.MapFS{
		"plain": {Data: []byte("some text")}, "packed": {Data: packed.Bytes()}, "empty": {},
		"half": {Data: half}, "head": {Data: half[:3]},
	}
	for name, want := range map[string]string{"plain": "some text", "packed": "some text", "empty": ""} {
		got, err := Read(files, name)
		require.NoError(t, err, name)
		assert.Equal(t, want, string(got), name)
	}
	for _, name := range []string{"half", "head"} {
		_, err := Read(files, name)
		assert.ErrorContains(t, err, name+": ")
	}
	_, err = Read(files, "none")
	assert.ErrorIs(t, err, fs.ErrNotExist)
}
