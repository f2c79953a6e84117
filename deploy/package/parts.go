package main

import (
	"bytes"
	"debug/buildinfo"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// partsTool lists the parts of a program, from what the tool chain wrote into it.
const partsTool = "github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0"

// makeFiles builds the program for the board, and what is made from it.
func makeFiles(a about) (made map[string][]byte, err error) {
	dir, err := os.MkdirTemp("", "liftbank-package")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	program := filepath.Join(dir, "liftbank")
	if err := buildProgram(program, dir, a); err != nil {
		return nil, err
	}
	made = map[string][]byte{}
	if made[programFile], err = os.ReadFile(program); err != nil {
		return nil, err
	}
	if made[copyrightFile], err = licensesOf(program); err != nil {
		return nil, err
	}
	made[partsFile], err = partsOf(program, dir, a)
	return made, err
}

// boardTags are those of the board's program. Page and metrics speak HTTP/1.1 alone, with TLS and without.
const boardTags = "board,nethttpomithttp2"

// boardFlags tell the compiler to leave calls as calls, which makes the program a tenth smaller, in all but the
// packages where it would cost processor time that matters. What is worked out at a scan is not among them, at 3 µs a
// second, nor is TLS, at a sixth of a millisecond a connection. SQLite is: it takes two to three times as long without; so are
// the snapshot's JSON each second, and the 600,000 rounds behind a PIN.
var boardFlags = []string{
	"-gcflags=all=-l",
	"-gcflags=runtime=", "-gcflags=runtime/...=", "-gcflags=internal/...=", "-gcflags=sync=", "-gcflags=sync/...=",
	"-gcflags=reflect=", "-gcflags=strconv=", "-gcflags=bytes=", "-gcflags=unicode/utf8=", "-gcflags=math/...=",
	"-gcflags=hash/...=", "-gcflags=compress/...=", "-gcflags=encoding/json=",
	"-gcflags=crypto/internal/fips140=", "-gcflags=crypto/internal/fips140/hmac=", "-gcflags=crypto/internal/fips140/pbkdf2=",
	"-gcflags=crypto/internal/fips140/sha256=", "-gcflags=crypto/internal/fips140deps/...=",
	"-gcflags=modernc.org/...=", "-gcflags=liftbank/agent/metrics=",
}

// buildProgram builds the program for the package's architecture, with its version in it: on a board
// the one that has what a unit needs.
func buildProgram(to, dir string, a about) error {
	env := append([]string{"CGO_ENABLED=0", "GOOS=linux"}, archs[a.arch]...)
	args := []string{"build", "-trimpath", "-ldflags", "-s -w -X main.release=" + a.version, "-o", to}
	if !a.fleet {
		overlay, err := writeOverlay(dir, env)
		if err != nil {
			return err
		}
		without := filepath.Join(dir, "without")
		if _, err := tool(nil, "go", "build", "-o", without, "./deploy/package/without"); err != nil {
			return err
		}
		args = append(append(args, "-tags", boardTags, "-overlay", overlay, "-toolexec", without), boardFlags...)
	}
	_, err := tool(env, "go", append(args, "./cmd/liftbank")...)
	return err
}

// partsOf returns the list of the program's parts in the CycloneDX form: modules with version,
// checksum and license.
func partsOf(program, dir string, a about) ([]byte, error) {
	if _, err := tool([]string{"GOBIN=" + dir}, "go", "install", partsTool); err != nil {
		return nil, err
	}
	return tool(archs[a.arch], filepath.Join(dir, "cyclonedx-gomod"), "bin", "-json", "-std", "-licenses", "-noserial",
		"-notimestamp", "-version", "v"+a.version, program)
}

// licensesOf returns this program's license and those of all that is linked into it.
func licensesOf(program string) ([]byte, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, err
	}
	listed, err := tool(nil, "go", "list", "-m", "-f", "{{.Path}}\t{{.Version}}\t{{.Dir}}", "all")
	if err != nil {
		return nil, err
	}
	dirs := map[string]string{}
	for line := range strings.Lines(string(listed)) {
		if f := strings.Split(strings.TrimSpace(line), "\t"); len(f) == 3 {
			dirs[f[0]+" "+f[1]] = f[2]
		}
	}
	goRoot, err := tool(nil, "go", "env", "GOROOT")
	if err != nil {
		return nil, err
	}
	parts := []part{
		{"liftbank", "."},
		{"Go, " + info.GoVersion, strings.TrimSpace(string(goRoot))},
	}
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		name := m.Path + " " + m.Version
		if dirs[name] == "" {
			return nil, fmt.Errorf("%s: linked, but not among the modules here: want go mod download", name)
		}
		parts = append(parts, part{name, dirs[name]})
	}
	return licenseText(parts)
}

// part is something that is linked into the program, and the folder with its license.
type part struct{ name, dir string }

// licenseName is what files with a license, or with what it wants to be told, are called.
var licenseName = regexp.MustCompile(`(?i)^(.*\.)?(licen[cs]es?|copying|notice|patents)([-.].*)?$`)

// licenseText returns the licenses of all parts; a part without one is an error.
func licenseText(parts []part) ([]byte, error) {
	var b bytes.Buffer
	for _, p := range parts {
		entries, err := os.ReadDir(p.dir)
		if err != nil {
			return nil, fmt.Errorf("license of %s: %w", p.name, err)
		}
		entries = slices.DeleteFunc(entries, func(e fs.DirEntry) bool {
			return !e.Type().IsRegular() || !licenseName.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go")
		})
		if len(entries) == 0 {
			return nil, fmt.Errorf("license of %s: no file with it in %s", p.name, p.dir)
		}
		for _, e := range entries {
			text, err := os.ReadFile(filepath.Join(p.dir, e.Name()))
			if err != nil {
				return nil, fmt.Errorf("license of %s: %w", p.name, err)
			}
			fmt.Fprintf(&b, "==== %s: %s ====\n\n%s\n\n", p.name, e.Name(), bytes.TrimSpace(text))
		}
	}
	return b.Bytes(), nil
}

// tool runs a program with further settings in its environment, and returns what it wrote.
func tool(env []string, name string, args ...string) ([]byte, error) {
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), env...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w\n%s", name, strings.Join(args, " "), err, errs.String())
	}
	return out, nil
}
