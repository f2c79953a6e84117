package strict_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/config/strict"
)

// A file of another kind may hold what whoever reads the error must not see.
func TestErrorsRepeatNothingOfAForeignFile(t *testing.T) {
	read := func(s *strict.Section) {
		s.Section("pump", strict.Required, func(*strict.Section) {})
		s.Optional("unit", func(*strict.Section) {})
	}
	const secret = "hunter2"
	for name, text := range map[string]string{
		"password":           secret + "\n",
		"passwords":          "root:" + secret + ":19000:0:99999:7:::\ndaemon:*:19000:0:99999:7:::\n",
		"sections of others": "database:\n  password: " + secret + "\n",
		"list":               "- password: " + secret + "\n",
		"list in a list":     "- - &a " + secret + "\n",
		"key":                "-----BEGIN KEY-----\n" + secret + "==\n-----END KEY-----\n",
		"JSON":               `{"password": "` + secret + `"}`,
		"broken":             "a: b: " + secret + "\n\t{[" + secret + "\n",
		"broken key":         secret + ": [\n",
		"tab":                "\t" + secret + ": x\n",
		"quote":              "password: \"" + secret + "\n",
		"two documents":      "a: 1\n---\n" + secret + "\n",
		"anchor":             "a: &" + secret + " 1\n",
		"alias":              "a: *" + secret + "\n",
		"block":              "password: |\n  " + secret + "\n",
		"shell":              "export TOKEN=" + secret + "\n",
		"deep":               strings.Repeat("a: {", 30) + secret + strings.Repeat("}", 30),
	} {
		r := strict.Open("f", []byte(text), strict.Options{Sections: "pump"})
		r.Root(read)
		err := r.Err()
		if assert.Error(t, err, name) {
			assert.NotContains(t, err.Error(), secret, name)
			assert.Len(t, err.(strict.Errors), 1, name)
			assert.Contains(t, err.Error(), "want", name)
		}
	}
	// Ours, broken: the parser's words help.
	r := strict.Open("f", []byte("pump:\n  a: b: c\n"), strict.Options{Sections: "pump"})
	r.Root(read)
	assert.ErrorContains(t, r.Err(), "f:2: not YAML: ")
	assert.NotContains(t, r.Err().Error(), "want sections")
	r = strict.Open("f", []byte("pump: {}\npaint: red\n"), strict.Options{Sections: "pump"})
	r.Root(read)
	assert.ErrorContains(t, r.Err(), "f:2: paint: unknown field")
}
