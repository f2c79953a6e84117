package page

import (
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// tape is a recording of which copies are made in a folder.
type tape struct {
	dir, problem string
	copies       int
	fail         error
}

func (p *tape) Copy(context.Context) (string, error) {
	if p.fail != nil {
		return "", p.fail
	}
	p.copies++
	return p.LastCopy(), os.WriteFile(filepath.Join(p.dir, "lift-1.csv.gz"), []byte("rows"), 0o600)
}

func (p *tape) LastCopy() string {
	if p.copies == 0 {
		return ""
	}
	return filepath.Join(p.dir, "lift-1.csv.gz")
}

func (p *tape) Problem() string { return p.problem }

// The recording is copied by who has the PIN, and given to nobody else.
func TestARecordingIsCopiedFromThePage(t *testing.T) {
	rec := &tape{dir: t.TempDir()}
	s, _, _ := unit(t, sample(t, "healthy"), full(t, func(o *Options) { o.Recording = rec }))
	history := get(s, "/history").Body.String()
	assert.Contains(t, history, `action="/recording/copy"`)
	assert.NotContains(t, history, `href="/recording/copy"`, "there is no copy yet")
	assert.Equal(t, http.StatusNotFound, get(s, "/recording/copy", session(s)).Code)

	assert.Equal(t, http.StatusUnauthorized, post(s, "/recording/copy", nil).Code)
	assert.Zero(t, rec.copies)
	w := post(s, "/recording/copy", nil, session(s))
	assert.Equal(t, http.StatusOK, w.Code)
	assert.Contains(t, w.Body.String(), filepath.Join(rec.dir, "lift-1.csv.gz"), "it says where")
	assert.Equal(t, 1, rec.copies)

	assert.Contains(t, get(s, "/history").Body.String(), `<a href="/recording/copy">lift-1.csv.gz</a>`)
	assert.Equal(t, http.StatusSeeOther, get(s, "/recording/copy").Code, "the PIN first")
	w = get(s, "/recording/copy", session(s))
	require.Equal(t, http.StatusOK, w.Code)
	assert.Equal(t, "rows", w.Body.String())
	assert.Equal(t, "attachment; filename=lift-1.csv.gz", w.Header().Get("Content-Disposition"))

	rec.fail, rec.problem = errors.New("no space left on device"), "write: no space left on device"
	w = post(s, "/recording/copy", nil, session(s))
	assert.Equal(t, http.StatusInternalServerError, w.Code)
	assert.Contains(t, w.Body.String(), "no space left")
	assert.Contains(t, get(s, "/history").Body.String(), "Nothing is recorded at present: write: no space left on device")
}

func TestWithoutARecordingThereIsNoCopy(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t, func(o *Options) { o.Recording = nil }))
	assert.False(t, strings.Contains(get(s, "/history").Body.String(), "recording"))
	assert.Equal(t, http.StatusNotFound, post(s, "/recording/copy", nil, session(s)).Code)
	assert.Equal(t, http.StatusNotFound, get(s, "/recording/copy", session(s)).Code)
}
