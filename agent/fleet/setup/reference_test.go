package setup

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestReferenceHasEveryFieldOnce(t *testing.T) {
	docs := abouts()
	read := map[string]bool{}
	for _, f := range fields() {
		read[f.path] = true
		assert.NotEmpty(t, docs[f.path].doc, "%s: what it is", f.path)
		assert.Equal(t, f.required, docs[f.path].byDefault == "", "%s: a default, or required", f.path)
	}
	for path := range docs {
		assert.True(t, read[path], "%s: no such field", path)
	}
	assert.Greater(t, len(read), 50)
	_, err := Parse("fleet.yaml", []byte(whole))
	assert.NoError(t, err, "what the fields are gathered from is right")
	assert.Len(t, strings.Split(strings.TrimSpace(Reference()), "\n"), len(read)+7)
}
