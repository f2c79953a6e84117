package trouble

import (
	"errors"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestBook(t *testing.T) {
	var b Book
	assert.Empty(t, b.List())
	b.Set(Store, "disk full")
	before := b.List()
	b.SetError(PIN, errors.New("not readable"))
	b.Set(Store, "read-only")
	assert.Equal(t, []Trouble{{Store, "disk full"}}, before, "what was handed out stays")
	assert.Equal(t, []Trouble{{PIN, "not readable"}, {Store, "read-only"}}, b.List())
	b.SetError(PIN, nil)
	b.Set(Page, "")
	b.Set(Store, "")
	assert.Empty(t, b.List())
	assert.True(t, slices.IsSorted(Parts))
}
