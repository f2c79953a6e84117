package main

import (
	"debug/buildinfo"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

// The documented build: the program says the package's version, and license and parts of every module
// that is linked into it are there.
func TestWhatIsMadeFromTheProgram(t *testing.T) {
	slowtest.Long(t) // compiles all that is in the program, and the tool that lists its parts
	t.Chdir(filepath.Join("..", ".."))
	a := about{version: "1.2.3~rc1", arch: runtime.GOARCH}
	got, err := makeFiles(a)
	require.NoError(t, err)
	program := filepath.Join(t.TempDir(), "liftbank")
	require.NoError(t, os.WriteFile(program, got[programFile], 0o700))
	out, err := exec.Command(program, "--version").CombinedOutput()
	require.NoError(t, err, string(out))
	assert.True(t, strings.HasPrefix(string(out), "liftbank 1.2.3~rc1 "), string(out))

	info, err := buildinfo.ReadFile(program)
	require.NoError(t, err)
	require.Greater(t, len(info.Deps), 15)
	var parts struct {
		BOMFormat  string `json:"bomFormat"`
		Components []struct{ Name, Version, PURL string }
		Metadata   struct {
			Component struct{ Name, Version string }
		}
	}
	require.NoError(t, json.Unmarshal(got[partsFile], &parts))
	assert.Equal(t, "CycloneDX", parts.BOMFormat)
	assert.Equal(t, "v1.2.3~rc1", parts.Metadata.Component.Version)
	listed := map[string]bool{}
	for _, c := range parts.Components {
		listed[c.Name+" "+c.Version] = true
	}
	licenses := string(got[copyrightFile])
	for _, m := range info.Deps {
		name := m.Path + " " + m.Version
		assert.True(t, listed[name], "parts: %s", name)
		assert.True(t, strings.Contains(licenses, "==== "+name+": "), "licenses: %s", name)
	}
	for _, name := range []string{"liftbank: LICENSE", "Go, go1"} {
		assert.True(t, strings.Contains(licenses, "==== "+name), name)
	}
}

func TestAPartWithoutALicenseIsAnError(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "license.go"), []byte("package license"), 0o600))
	_, err := licenseText([]part{{"x v1", dir}})
	assert.ErrorContains(t, err, "license of x v1: no file")
	for _, name := range []string{"LICENSE", "LICENCE.txt", "COPYING", "license.md", "NOTICE", "LICENSE-3RD", "axe.LICENSE"} {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("may be used\n"), 0o600))
		text, err := licenseText([]part{{"x v1", dir}})
		require.NoError(t, err, name)
		assert.Contains(t, string(text), "==== x v1: "+name+" ====\n\nmay be used\n")
	}
}
