package fit

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestPhrase(t *testing.T) {
	said := map[string]string{"%s shows %.1f V": "%s muestra %.1f V", "the tap of battery %s": "la toma de la batería %s", "%s and %s": "%s y %s"}
	es := func(form string) string {
		if s, ok := said[form]; ok {
			return s
		}
		return form
	}
	p := phrase("%s shows %.1f V", phrase("the tap of battery %s", "a"), 12.34).capital()
	assert.Equal(t, "The tap of battery a shows 12.3 V", p.String())
	assert.Equal(t, "La toma de la batería a muestra 12.3 V", p.In(es))
	assert.Equal(t, "Óhm", Phrase{Form: "óhm", Capital: true}.String())
	assert.Equal(t, "100 %s", Phrase{Form: "100 %s"}.String(), "what takes nothing stays as it is")
	assert.True(t, Phrase{}.Empty())
	assert.Empty(t, Phrase{}.capital().String())
	a, b, c := phrase("a"), phrase("b"), phrase("c")
	assert.Equal(t, "nothing", list(nil, bothOf).String())
	assert.Equal(t, "a", list([]Phrase{a}, bothOf).String())
	assert.Equal(t, "a, b or c", list([]Phrase{a, b, c}, eitherOf).String())
	assert.Equal(t, "a y b", list([]Phrase{a, b}, bothOf).In(es))
	assert.Equal(t, "a few seconds more", Why(wait("a few seconds more")).String())
	assert.ErrorIs(t, wait("soon"), ErrWait)
	assert.NotErrorIs(t, refuse("never"), ErrWait)
	assert.Equal(t, "odd", Why(errors.New("odd")).String())
}
