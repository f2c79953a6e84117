package safefile_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/safefile"
)

func TestSavedComesBackAndNothingIsNoError(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	got, err := safefile.Load(path)
	require.NoError(t, err)
	assert.Nil(t, got)
	for _, doc := range [][]byte{[]byte("one"), {}, []byte("line\nline\n"), bytes.Repeat([]byte{0}, 5000)} {
		require.NoError(t, safefile.Save(path, doc))
		got, err = safefile.Load(path)
		require.NoError(t, err)
		assert.Equal(t, doc, got)
	}
}

// A power cut leaves the file cut short, longer with rubbish, or with flipped bits: the document
// before must come back, and the damaged one must stay to be looked at.
func TestDamageFallsBackToTheDocumentBefore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "safefile")
		require.NoError(t, err)
		defer os.RemoveAll(dir)
		path := filepath.Join(dir, "state")
		old := rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "old")
		require.NoError(t, safefile.Save(path, old))
		require.NoError(t, safefile.Save(path, rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, "new")))
		raw, err := os.ReadFile(path)
		require.NoError(t, err)
		switch rapid.IntRange(0, 2).Draw(t, "damage") {
		case 0:
			raw = raw[:rapid.IntRange(0, len(raw)-1).Draw(t, "cut")]
		case 1:
			raw = append(raw, rapid.SliceOfN(rapid.Byte(), 1, 50).Draw(t, "rubbish")...)
		case 2:
			raw[rapid.IntRange(0, len(raw)-1).Draw(t, "at")] ^= byte(1 << rapid.IntRange(0, 7).Draw(t, "bit"))
		}
		require.NoError(t, os.WriteFile(path, raw, 0o600))
		got, err := safefile.Load(path)
		require.ErrorContains(t, err, "damaged")
		assert.Equal(t, len(old), len(got))
		assert.True(t, bytes.Equal(old, got))
		_, err = os.Stat(path + ".damaged")
		require.NoError(t, err, "set aside")
		again, err := safefile.Load(path)
		require.NoError(t, err, "told once")
		assert.True(t, bytes.Equal(old, again))
	})
}

func TestADamagedDocumentNeverBecomesTheSecondChance(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	require.NoError(t, safefile.Save(path, []byte("first")))
	require.NoError(t, safefile.Save(path, []byte("second")))
	require.NoError(t, os.WriteFile(path, []byte("rot"), 0o600))
	require.NoError(t, safefile.Save(path, []byte("third")))
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	got, err := safefile.Load(path)
	require.Error(t, err)
	assert.Equal(t, "first", string(got))
}

func TestWhatCannotBeWrittenLeavesTheOldOne(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	require.NoError(t, safefile.Save(path, []byte("old")))
	require.ErrorContains(t, safefile.Save(path, make([]byte, safefile.MaxSize+1)), "want 8388608 or fewer")
	require.NoError(t, os.Mkdir(path+".new", 0o700), "a directory stands in the way")
	require.Error(t, safefile.Save(path, []byte("new")))
	got, err := safefile.Load(path)
	require.NoError(t, err)
	assert.Equal(t, "old", string(got))
	require.Error(t, safefile.Save(filepath.Join(t.TempDir(), "no", "such", "state"), nil))
}

// A plain file is replaced whole, for its owner alone; where it can't be, the old one stays and
// nothing is left beside it.
func TestReplace(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "pin")
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o644))
	require.NoError(t, safefile.WriteFile(path, []byte("new")))
	got, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "new", string(got))
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	inTheWay := filepath.Join(dir, "folder")
	require.NoError(t, os.MkdirAll(filepath.Join(inTheWay, "full"), 0o700))
	require.Error(t, safefile.WriteFile(inTheWay, []byte("new")))
	require.Error(t, safefile.WriteFile(filepath.Join(dir, "none", "pin"), []byte("new")))
	left, err := filepath.Glob(filepath.Join(dir, safefile.Unfinished))
	require.NoError(t, err)
	assert.Empty(t, left)
}
