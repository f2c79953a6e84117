// Command package makes a Debian package of the program and what belongs around it on a board.
//
// It writes the format itself (deb(5): an ar archive of two packed tar archives): the libraries for
// it bring many times this program's whole list of modules. The same input gives the same bytes.
//
// Example: go run ./deploy/package -binary liftbank -arch arm64 -version 0.1.0 -out
// liftbank_0.1.0_arm64.deb
package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/md5"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"
)

// file is one file of the package.
type file struct {
	to   string // in the machine, without the leading slash
	from string // in the repository; "" is the program
	mode int64
}

// files is all that is installed. There is no configuration among them: one for another board would
// be worse than none.
var files = []file{
	{"usr/bin/liftbank", "", 0o755},
	{"usr/lib/modules-load.d/liftbank.conf", "deploy/systemd/modules-load.conf", 0o644},
	{"usr/lib/systemd/system/liftbank.service", "deploy/systemd/liftbank.service", 0o644},
	{"usr/lib/sysusers.d/liftbank.conf", "deploy/systemd/sysusers.conf", 0o644},
	{"usr/lib/udev/rules.d/60-liftbank.rules", "deploy/systemd/udev.rules", 0o644},
	{"usr/share/doc/liftbank/README.md", "deploy/README.md", 0o644},
	{"usr/share/doc/liftbank/config.md", "deploy/config.md", 0o644},
	{"usr/share/doc/liftbank/copyright", "LICENSE", 0o644},
	{"usr/share/doc/liftbank/examples/board-four-batteries.yaml", "deploy/board-four-batteries.yaml", 0o644},
	{"usr/share/doc/liftbank/examples/board-two-batteries.yaml", "deploy/board-two-batteries.yaml", 0o644},
}

var scripts = []string{"postinst", "postrm", "prerm"}

// about is what the package says of itself.
type about struct {
	version, arch string
	at            time.Time // of every file in it
}

var (
	versionForm = regexp.MustCompile(`^[0-9][A-Za-z0-9.+~]*(-[A-Za-z0-9.+~]+)?$`) // deb-version(7), without epoch
	archs       = []string{"amd64", "arm64", "armhf", "armel", "riscv64"}
)

func (a about) check() error {
	var errs []error
	if !versionForm.MatchString(a.version) {
		errs = append(
			errs, fmt.Errorf("version %q: want one that begins with a digit, of letters, digits and . + ~", a.version),
		)
	}
	if !slices.Contains(archs, a.arch) {
		errs = append(
			errs,
			fmt.Errorf(
				"architecture %q: want one of %s (a board of armv6 takes armhf)", a.arch, strings.Join(archs, ", "),
			),
		)
	}
	return errors.Join(errs...)
}

func main() {
	var a about
	binary := flag.String("binary", "liftbank", "the program, built for the board")
	out := flag.String("out", "liftbank.deb", "the package to write")
	flag.StringVar(&a.version, "version", "", "version of the package")
	flag.StringVar(&a.arch, "arch", "", "architecture by its Debian name: "+strings.Join(archs, ", "))
	date := flag.Int64(
		"date", 0, "time of every file in it, seconds since 1970, as that of the commit; the same for the same bytes",
	)
	flag.Parse()
	a.at = time.Unix(*date, 0).UTC()
	if err := run(a, *binary, *out); err != nil {
		fmt.Fprintln(os.Stderr, "package:", err)
		os.Exit(1)
	}
}

// run reads from the repository, which is the folder that it is started in.
func run(a about, binary, out string) error {
	program, err := os.ReadFile(binary)
	if err != nil {
		return err
	}
	deb, err := build(os.DirFS("."), program, a)
	if err != nil {
		return err
	}
	return os.WriteFile(out, deb, 0o644)
}

// build returns the bytes of the package.
func build(repository fs.FS, program []byte, a about) ([]byte, error) {
	if err := a.check(); err != nil {
		return nil, err
	}
	data, sums := newArchive(a.at), &strings.Builder{}
	size := 0
	for _, f := range files {
		content := program
		if f.from != "" {
			var err error
			if content, err = fs.ReadFile(repository, f.from); err != nil {
				return nil, err
			}
		}
		data.add(f.to, f.mode, content)
		// the format's own checksum: against damage, not against forgery
		fmt.Fprintf(sums, "%x  %s\n", md5.Sum(content), f.to)
		size += len(content)
	}
	control := newArchive(a.at)
	control.add("control", 0o644, []byte(controlFile(a, size)))
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

// member writes one member of an ar archive: ar(5), the common form with a name of up to 16 bytes.
func member(w *bytes.Buffer, name string, at time.Time, content []byte) {
	fmt.Fprintf(w, "%-16s%-12d%-6d%-6d%-8o%-10d`\n", name, at.Unix(), 0, 0, 0o100644, len(content))
	w.Write(content)
	if len(content)%2 == 1 {
		w.WriteByte('\n')
	}
}

// archive is a packed tar archive of files of root. Writing into memory can't fail.
type archive struct {
	to   bytes.Buffer
	zip  *gzip.Writer
	tar  *tar.Writer
	at   time.Time
	dirs map[string]bool
}

func newArchive(at time.Time) *archive {
	a := &archive{at: at, dirs: map[string]bool{}}
	a.zip = gzip.NewWriter(&a.to)
	a.tar = tar.NewWriter(a.zip)
	a.dir(".")
	return a
}

// dir writes a folder, and those above it before, once.
func (a *archive) dir(name string) {
	if a.dirs[name] {
		return
	}
	if name != "." {
		a.dir(path.Dir(name))
	}
	a.dirs[name] = true
	full := "./"
	if name != "." {
		full += name + "/"
	}
	a.header(&tar.Header{Typeflag: tar.TypeDir, Name: full, Mode: 0o755})
}

func (a *archive) add(name string, mode int64, content []byte) {
	a.dir(path.Dir(name))
	a.header(&tar.Header{Typeflag: tar.TypeReg, Name: "./" + name, Mode: mode, Size: int64(len(content))})
	if _, err := a.tar.Write(content); err != nil {
		panic("bug: archive in memory: " + err.Error())
	}
}

func (a *archive) header(h *tar.Header) {
	h.ModTime, h.Uname, h.Gname, h.Format = a.at, "root", "root", tar.FormatGNU
	if err := a.tar.WriteHeader(h); err != nil {
		panic("bug: archive in memory: " + err.Error())
	}
}

func (a *archive) packed() []byte {
	if err := errors.Join(a.tar.Close(), a.zip.Close()); err != nil {
		panic("bug: archive in memory: " + err.Error())
	}
	return a.to.Bytes()
}
