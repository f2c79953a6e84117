package visits

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// Every input has a label in words, not its key.
func TestInputsHaveLabels(t *testing.T) {
	form := visit.NewForm(visit.DefaultChecklist(), []string{"a"})
	for _, f := range form.Fields {
		assert.NotContains(t, inputOf(words.Readers[0], &f, "").Label, "_", f.Key)
	}
}
