package config_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"liftbank/agent/config"
)

// FuzzParse wants from any bytes a config or errors that have a line, fit on one, and come in
// order.
func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob("testdata/*.yaml")
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	for _, text := range []string{
		"? a\n: b\n", "<<: *a\n", "a: &a [*a]\n", "%YAML 1.2\n---\nunit: {}\n", "unit: {id: \"a\\nb\"}",
		"- - - a", "'':\n", "mqtt: {'a\nb': 1}", "\t", "{", "[", "|", "&", "*", "!", "---\n...\n---\n",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := config.Parse("f.yaml", data)
		if err == nil && (c.Unit.ID == "" || len(c.Bank.Batteries) == 0 || len(c.Board.Channels) < 2) {
			t.Errorf("passed without what is required: %+v", c)
		}
		sound(t, err)
		_, err = config.LoadBank("f.yaml", data)
		sound(t, err)
	})
}

func sound(t *testing.T, err error) {
	t.Helper()
	if err == nil {
		return
	}
	var all config.Errors
	if !errors.As(err, &all) || len(all) == 0 {
		t.Fatalf("not Errors: %v", err)
	}
	if !slices.IsSortedFunc(all, func(a, b config.Error) int { return a.Line - b.Line }) {
		t.Errorf("not by line: %v", err)
	}
	for _, one := range all {
		if one.Line < 1 || one.Value == "" || one.Want == "" || strings.ContainsAny(one.Error(), "\n\r\t") {
			t.Errorf("bad error %q: %+v", one.Error(), one)
		}
	}
}
