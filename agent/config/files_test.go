package config_test

import (
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
)

// Every field that accepts a file or a folder is among the files, each with its own name.
func TestFilesNamesEveryFileOfTheReference(t *testing.T) {
	var want []string
	for _, m := range regexp.MustCompile("(?m)^\\| `([a-z0-9_.]+)` \\| a (?:file name|folder);").
		FindAllStringSubmatch(config.Reference(), -1) {
		want = append(want, m[1])
	}
	require.Greater(t, len(want), 8)
	var c config.Config
	c.MQTT = &config.MQTT{}
	fill(reflect.ValueOf(&c).Elem(), "")
	var got []string
	for _, f := range c.Files() {
		got = append(got, f.Field)
		named := strings.NewReplacer("_", "", "pin", "PIN").Replace(strings.ToLower(filepath.Base(f.Path)))
		field := strings.NewReplacer("_", "", "pin", "PIN").Replace(f.Field)
		if f.Field != "board.i2c_bus" {
			assert.Equal(t, strings.ToLower(field), strings.ToLower(named), "the field's own value")
		}
	}
	assert.ElementsMatch(t, append(want, "board.i2c_bus"), got)
	assert.Empty(t, (&config.Config{}).Files(), "what is not named is not looked at")
}

// fill sets every text to its own path.
func fill(v reflect.Value, path string) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			fill(v.Elem(), path)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if !f.IsExported() {
				continue
			}
			at := path
			if !f.Anonymous {
				at = strings.TrimPrefix(path+"."+f.Name, ".")
			}
			fill(v.Field(i), at)
		}
	case reflect.String:
		if v.CanSet() {
			v.SetString(path)
		}
	}
}
