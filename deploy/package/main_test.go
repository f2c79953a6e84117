package main

import (
	"bytes"
	"compress/gzip"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/outside"
)

var repository = os.DirFS(filepath.Join("..", ".."))

var sample = about{version: "0.1.0~rc1-1", arch: "armhf", at: time.Unix(1773063180, 0)}

// debian returns one of Debian's own programs.
func debian(t *testing.T, name, pkg string) string {
	t.Helper()
	return outside.Program(t, name, pkg)
}

// made stands for the files that are made from the program.
var made = map[string][]byte{
	programFile: []byte("the program"), copyrightFile: []byte("licenses\n"), partsFile: []byte("{}\n"),
}

func output(t *testing.T, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "TZ=UTC") // times are shown in it
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}

func TestDpkgReadsThePackage(t *testing.T) {
	dpkg := debian(t, "dpkg-deb", "dpkg")
	deb, err := build(repository, made, sample)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "liftbank.deb")
	require.NoError(t, os.WriteFile(path, deb, 0o600))

	for field, want := range map[string]string{
		"Package": "liftbank", "Version": "0.1.0~rc1-1", "Architecture": "armhf",
	} {
		assert.Equal(t, want+"\n", output(t, dpkg, "--field", path, field))
	}
	listed := regexp.MustCompile(
		`(?m)^-(\S+) root/root +\d+ 2026-03-09 \d\d:\d\d \./(.*)$`,
	).FindAllStringSubmatch(output(t, dpkg, "--contents", path), -1)
	var got []string
	for _, m := range listed {
		got = append(got, m[1]+" "+m[2])
	}
	var want []string
	for _, f := range files {
		mode := "rw-r--r-- "
		if f.to == programFile || f.to == "usr/lib/liftbank/sleep" {
			mode = "rwxr-xr-x "
		}
		want = append(want, mode+f.to)
	}
	assert.Equal(t, want, got)

	root := t.TempDir()
	output(t, dpkg, "--raw-extract", path, root)
	installed, err := os.ReadFile(filepath.Join(root, "usr/bin/liftbank"))
	require.NoError(t, err)
	assert.Equal(t, "the program", string(installed))
	sums := exec.Command("md5sum", "--check", "--strict", "DEBIAN/md5sums")
	sums.Dir = root
	out, err := sums.CombinedOutput()
	assert.NoError(t, err, string(out))
	for _, name := range scripts {
		info, err := os.Stat(filepath.Join(root, "DEBIAN", name))
		require.NoError(t, err)
		assert.Equal(t, fs.FileMode(0o755), info.Mode().Perm(), name)
		output(t, "sh", "-n", filepath.Join(root, "DEBIAN", name))
	}
	service, err := os.ReadFile(filepath.Join(root, "usr/lib/systemd/system/liftbank.service"))
	require.NoError(t, err)
	assert.Contains(t, string(service), "ExecStart=/usr/bin/liftbank ", "where the package puts it")
}

func TestPack(t *testing.T) {
	manual, err := contentOf(repository, file{to: "usr/share/man/man1/liftbank.1.gz", from: "deploy/liftbank.1"}, nil)
	require.NoError(t, err)
	z, err := gzip.NewReader(bytes.NewReader(manual))
	require.NoError(t, err)
	got, err := io.ReadAll(z)
	require.NoError(t, err)
	want, err := fs.ReadFile(repository, "deploy/liftbank.1")
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
}

func TestDpkgReadsTheFleetPackage(t *testing.T) {
	dpkg := debian(t, "dpkg-deb", "dpkg")
	a := sample
	a.fleet = true
	deb, err := build(repository, made, a)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "liftbank-fleet.deb")
	require.NoError(t, os.WriteFile(path, deb, 0o600))
	assert.Equal(t, "liftbank-fleet\n", output(t, dpkg, "--field", path, "Package"))
	assert.Equal(t, "liftbank\n", output(t, dpkg, "--field", path, "Conflicts"), "both have the program")
	root := t.TempDir()
	output(t, dpkg, "--raw-extract", path, root)
	for _, f := range fleetFiles {
		info, err := os.Stat(filepath.Join(root, f.to))
		require.NoError(t, err)
		assert.Equal(t, fs.FileMode(f.mode), info.Mode().Perm(), f.to)
	}
	licenses, err := os.ReadFile(filepath.Join(root, "usr/share/doc/liftbank-fleet/copyright"))
	require.NoError(t, err)
	assert.Equal(t, "licenses\n", string(licenses))
	for _, name := range scripts {
		text, err := os.ReadFile(filepath.Join(root, "DEBIAN", name))
		require.NoError(t, err)
		assert.Contains(t, string(text), "liftbank-fleet.service", name)
		output(t, "sh", "-n", filepath.Join(root, "DEBIAN", name))
	}
}

func TestSameInputSameBytes(t *testing.T) {
	first, err := build(repository, made, sample)
	require.NoError(t, err)
	again, err := build(repository, made, sample)
	require.NoError(t, err)
	assert.Equal(t, first, again)
}

func TestWhatItRefuses(t *testing.T) {
	for _, a := range []about{
		{version: "", arch: "arm64"}, {version: "v1", arch: "arm64"}, {version: "1 0", arch: "arm64"},
		{version: "1", arch: "arm/6"},
	} {
		_, err := build(repository, nil, a)
		assert.Error(t, err, "%+v", a)
	}
	_, err := build(os.DirFS(t.TempDir()), made, sample)
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = build(repository, nil, sample)
	assert.ErrorContains(t, err, "was not made")
}

func TestFilesAreInOrderAndOnce(t *testing.T) {
	for _, files := range [][]file{files, fleetFiles} {
		assert.True(t, slices.IsSortedFunc(files, func(a, b file) int { return strings.Compare(a.to, b.to) }))
		assert.Len(t, slices.CompactFunc(slices.Clone(files), func(a, b file) bool { return a.to == b.to }), len(files))
	}
}
