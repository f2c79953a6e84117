package desk

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/page/words"
)

// notUsed are words for which there is another one, on the unit's pages as on the desk's.
var notUsed = regexp.MustCompile(`(?i)\blearnt\b|\bmend|worked out|begins anew|\bset aside\b|\bput aside\b|\bby itself\b|\bcolour|\bneighbour|` +
	`\bgrey\b|\bignition line\b|\b(over|under) the limit\b|\bgoes on\b`)

// One word for one thing, at the unit and at the desk.
func TestDeskAndUnitUseTheSameWords(t *testing.T) {
	for _, l := range words.Languages {
		for _, key := range []string{"DoNow", "Skip", "Stands"} {
			assert.Equal(t, l.W[key], texts[l.Tag][key], "%s: %s", l.Tag, key)
		}
	}
	for _, of := range []map[string]string{words.English.W, texts["en"]} {
		for key, text := range of {
			assert.NotRegexp(t, notUsed, text, key)
		}
	}
	for _, es := range []map[string]string{words.Languages[1].W, texts["es"]} {
		for key, text := range es {
			assert.NotRegexp(t, `(?i)\baplazad|\baplazar`, text, "%s: a finding is shelved: pospuesto", key)
		}
	}
}
