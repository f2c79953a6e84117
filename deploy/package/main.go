// Command package makes a Debian package of the program and what belongs around it on a board.
//
// It builds the program for the board with the version in it, collects the licenses of all that is
// linked into it, and has CycloneDX's own tool list its parts. It writes the format itself (deb(5):
// an ar archive of two packed tar archives): the libraries for it bring many times this program's
// whole list of modules. The same input gives the same bytes.
//
// Example: go run ./deploy/package -arch arm64 -version 0.1.0 -out liftbank_0.1.0_arm64.deb
package main

import (
	"bytes"
	"compress/gzip"
	"crypto/md5"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"
)

// file is one file of the package.
type file struct {
	to   string // in the machine, without the leading slash
	from string // in the repository; "" is one that is made
	mode int64
}

// Files that are made.
const (
	programFile   = "usr/bin/liftbank"
	copyrightFile = "usr/share/doc/liftbank/copyright" // stays where an image leaves documents out
	partsFile     = "usr/share/doc/liftbank/sbom.cdx.json"
)

// files is all that is installed. There is no configuration among them, but an example: one for
// another board would be worse than none.
var files = []file{
	{"etc/liftbank/unit.yaml.example", "deploy/board-two-batteries.yaml", 0o644},
	{programFile, "", 0o755},
	{"usr/lib/modules-load.d/liftbank.conf", "deploy/systemd/modules-load.conf", 0o644},
	{"usr/lib/systemd/system/liftbank.service", "deploy/systemd/liftbank.service", 0o644},
	{"usr/lib/sysusers.d/liftbank.conf", "deploy/systemd/sysusers.conf", 0o644},
	{"usr/lib/udev/rules.d/60-liftbank.rules", "deploy/systemd/udev.rules", 0o644},
	{"usr/share/bash-completion/completions/liftbank", "cmd/liftbank/completion/liftbank.bash", 0o644},
	{"usr/share/doc/liftbank/README.md", "deploy/README.md", 0o644},
	{"usr/share/doc/liftbank/config.md", "deploy/config.md", 0o644},
	{copyrightFile, "", 0o644},
	{"usr/share/doc/liftbank/examples/board-four-batteries.yaml", "deploy/board-four-batteries.yaml", 0o644},
	{"usr/share/doc/liftbank/examples/board-two-batteries.yaml", "deploy/board-two-batteries.yaml", 0o644},
	{partsFile, "", 0o644},
	{"usr/share/fish/vendor_completions.d/liftbank.fish", "cmd/liftbank/completion/liftbank.fish", 0o644},
	{"usr/share/man/man1/liftbank.1.gz", "deploy/liftbank.1", 0o644},
	{"usr/share/zsh/vendor-completions/_liftbank", "cmd/liftbank/completion/_liftbank", 0o644},
}

var scripts = []string{"postinst", "postrm", "prerm"}

// about is what the package says of itself.
type about struct {
	version, arch string
	at            time.Time // of every file in it
}

var versionForm = regexp.MustCompile(`^[0-9][A-Za-z0-9.+~]*(-[A-Za-z0-9.+~]+)?$`) // deb-version(7), without epoch

// archs are the architectures by their Debian names, and what the tool chain calls them. armv6 and
// armv7 are both armhf, and one program has to run on both.
var archs = map[string][]string{
	"amd64": {"GOARCH=amd64"}, "arm64": {"GOARCH=arm64"}, "armel": {"GOARCH=arm", "GOARM=5"},
	"armhf": {"GOARCH=arm", "GOARM=6"}, "riscv64": {"GOARCH=riscv64"},
}

func (a about) check() error {
	var errs []error
	if !versionForm.MatchString(a.version) {
		errs = append(
			errs, fmt.Errorf("version %q: want one that begins with a digit, of letters, digits and . + ~", a.version),
		)
	}
	if archs[a.arch] == nil {
		errs = append(errs, fmt.Errorf("architecture %q: want one of %s (a board of armv6 takes armhf)", a.arch, archNames()))
	}
	return errors.Join(errs...)
}

func archNames() string {
	var names []string
	for name := range archs {
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

func main() {
	var a about
	out := flag.String("out", "liftbank.deb", "the package to write")
	flag.StringVar(&a.version, "version", "", "version of the package and of the program in it")
	flag.StringVar(&a.arch, "arch", "", "architecture by its Debian name: "+archNames())
	date := flag.Int64(
		"date", 0, "time of every file in it, seconds since 1970, as that of the commit; the same for the same bytes",
	)
	flag.Parse()
	a.at = time.Unix(*date, 0).UTC()
	if err := run(a, *out); err != nil {
		fmt.Fprintln(os.Stderr, "package:", err)
		os.Exit(1)
	}
}

// run reads from the repository, which is the folder that it is started in.
func run(a about, out string) error {
	if err := a.check(); err != nil {
		return err
	}
	made, err := makeFiles(a)
	if err != nil {
		return err
	}
	deb, err := build(os.DirFS("."), made, a)
	if err != nil {
		return err
	}
	return os.WriteFile(out, deb, 0o644)
}

// build returns the bytes of the package. made has the files that are not in the repository.
func build(repository fs.FS, made map[string][]byte, a about) ([]byte, error) {
	if err := a.check(); err != nil {
		return nil, err
	}
	data, sums, kept := newArchive(a.at), &strings.Builder{}, &strings.Builder{}
	size := 0
	for _, f := range files {
		content, err := contentOf(repository, f, made)
		if err != nil {
			return nil, err
		}
		data.add(f.to, f.mode, content)
		// the format's own checksum: against damage, not against forgery
		fmt.Fprintf(sums, "%x  %s\n", md5.Sum(content), f.to)
		size += len(content)
		if strings.HasPrefix(f.to, "etc/") { // what somebody changed there stays
			fmt.Fprintf(kept, "/%s\n", f.to)
		}
	}
	control := newArchive(a.at)
	control.add("control", 0o644, []byte(controlFile(a, size)))
	control.add("conffiles", 0o644, []byte(kept.String()))
	control.add("md5sums", 0o644, []byte(sums.String()))
	for _, name := range scripts {
		content, err := fs.ReadFile(repository, "deploy/package/scripts/"+name)
		if err != nil {
			return nil, err
		}
		control.add(name, 0o755, content)
	}
	var deb bytes.Buffer
	deb.WriteString("!<arch>\n")
	for _, m := range []struct {
		name    string
		content []byte
	}{{"debian-binary", []byte("2.0\n")}, {"control.tar.gz", control.packed()}, {"data.tar.gz", data.packed()}} {
		member(&deb, m.name, a.at, m.content)
	}
	return deb.Bytes(), nil
}

// contentOf returns what a file of the package holds.
func contentOf(repository fs.FS, f file, made map[string][]byte) ([]byte, error) {
	if f.from == "" {
		content, ok := made[f.to]
		if !ok {
			return nil, fmt.Errorf("%s: was not made", f.to)
		}
		return content, nil
	}
	content, err := fs.ReadFile(repository, f.from)
	if err != nil || !strings.HasSuffix(f.to, ".gz") {
		return content, err
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err = z.Write(content)
	return packed.Bytes(), errors.Join(err, z.Close())
}

func controlFile(a about, size int) string {
	return fmt.Sprintf(`Package: liftbank
Version: %s
Architecture: %s
Maintainer: the liftbank contributors <liftbank@localhost>
Installed-Size: %d
Depends: systemd (>= 252)
Recommends: i2c-tools
Section: electronics
Priority: optional
Description: agent that watches the battery bank of a battery-powered lift
 It reads the batteries of a platform lift on a trailer through input chips on
 an I2C bus, estimates charge and condition battery by battery, names what is
 wrong with the evidence and the next check, and tells the fleet over MQTT and
 as Prometheus metrics. It only observes and never switches anything.
`, a.version, a.arch, (size+1023)/1024)
}
