// Package outside finds the programs that tests measure against. A test that lacks one is skipped; where everything
// is to be installed (CI=true, as in .ci/run) that is a failure.
//
// It is for tests only.
package outside

import (
	"os"
	"os/exec"
	"testing"
)

// Program returns the path of a program, which is in one of Debian's packages.
func Program(t testing.TB, name, debianPackage string) string {
	t.Helper()
	path := Find(name)
	if path == "" {
		Missing(t, name+" is not installed: apt-get install "+debianPackage)
	}
	return path
}

// Find returns the path of a program, also one that is for the administrator; empty where it isn't there.
func Find(name string) string {
	for _, candidate := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(candidate); err == nil {
			return path
		}
	}
	return ""
}

// Missing ends a test for lack of something, with what it is and where it comes from.
func Missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(what)
	}
	t.Skip(what)
}
