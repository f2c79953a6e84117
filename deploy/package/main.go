// Command package makes a Debian package of the program and what belongs around it on a board.
//
// It builds the program for the board with the version in it, collects the licenses of all that is
// linked into it, and has CycloneDX's own tool list its parts. It writes the format itself (deb(5):
// an ar archive of two packed tar archives): the libraries for it bring many times this program's
// whole list of modules. The same input gives the same bytes.
//
// Example: go run ./deploy/package -arch arm64 -version 0.1.0 -out liftbank_0.1.0_arm64.deb
//
// With -fleet it is the package of the collector, for a server. With -program it is the program alone, as
// the package has it.
package main

import (
	"bytes"
	"cmp"
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
	as   string // of one that is made: its name among those; "" is its name in the machine
}

// Files that are made.
const (
	programFile   = "usr/bin/liftbank"
	copyrightFile = "usr/share/doc/liftbank/copyright" // stays where an image leaves documents out
	partsFile     = "usr/share/doc/liftbank/sbom.cdx.json"
)

// files is all that is installed on a board. There is no configuration among them, but an example: one for
// another board would be worse than none.
var files = []file{
	{to: "etc/avahi/services/liftbank.service", from: "deploy/network/liftbank-avahi.service", mode: 0o644},
	{to: "etc/liftbank/unit.yaml.example", from: "deploy/board-two-batteries.yaml", mode: 0o644},
	{to: programFile, mode: 0o755},
	{to: "usr/lib/liftbank/sleep", from: "deploy/systemd/sleep", mode: 0o755},
	{to: "usr/lib/modules-load.d/liftbank.conf", from: "deploy/systemd/modules-load.conf", mode: 0o644},
	{to: "usr/lib/systemd/system/liftbank-sleep.path", from: "deploy/systemd/liftbank-sleep.path", mode: 0o644},
	{to: "usr/lib/systemd/system/liftbank-sleep.service", from: "deploy/systemd/liftbank-sleep.service", mode: 0o644},
	{to: "usr/lib/systemd/system/liftbank.service", from: "deploy/systemd/liftbank.service", mode: 0o644},
	{to: "usr/lib/sysusers.d/liftbank.conf", from: "deploy/systemd/sysusers.conf", mode: 0o644},
	{to: "usr/lib/udev/rules.d/60-liftbank.rules", from: "deploy/systemd/udev.rules", mode: 0o644},
	{to: "usr/share/bash-completion/completions/liftbank", from: "cmd/liftbank/completion/liftbank.bash", mode: 0o644},
	{to: "usr/share/doc/liftbank/README.md", from: "deploy/README.md", mode: 0o644},
	{to: "usr/share/doc/liftbank/config.md", from: "deploy/config.md", mode: 0o644},
	{to: copyrightFile, mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-four-batteries.yaml", from: "deploy/board-four-batteries.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-full.yaml", from: "deploy/board-full.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-iio.yaml", from: "deploy/board-iio.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-series-pairs.yaml", from: "deploy/board-series-pairs.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-series.yaml", from: "deploy/board-series.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-shunts.yaml", from: "deploy/board-shunts.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/board-two-batteries.yaml", from: "deploy/board-two-batteries.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/liftbank-ap.nmconnection", from: "deploy/network/liftbank-ap.nmconnection", mode: 0o644},
	{to: "usr/share/doc/liftbank/examples/liftbank-dnsmasq.conf", from: "deploy/network/liftbank-dnsmasq.conf", mode: 0o644},
	{to: "usr/share/doc/liftbank/first-lift.md", from: "deploy/first-lift.md", mode: 0o644},
	{to: partsFile, mode: 0o644},
	{to: "usr/share/fish/vendor_completions.d/liftbank.fish", from: "cmd/liftbank/completion/liftbank.fish", mode: 0o644},
	{to: "usr/share/man/man1/liftbank.1.gz", from: "deploy/liftbank.1", mode: 0o644},
	{to: "usr/share/zsh/vendor-completions/_liftbank", from: "cmd/liftbank/completion/_liftbank", mode: 0o644},
}

// fleetFiles is all that is installed on a server. It has the program, too: no machine is both.
var fleetFiles = []file{
	{to: "etc/liftbank-fleet/fleet.yaml.example", from: "deploy/fleet.yaml", mode: 0o644},
	{to: programFile, mode: 0o755},
	{to: "usr/lib/systemd/system/liftbank-fleet.service", from: "deploy/systemd/liftbank-fleet.service", mode: 0o644},
	{to: "usr/lib/sysusers.d/liftbank-fleet.conf", from: "deploy/systemd/liftbank-fleet-sysusers.conf", mode: 0o644},
	{to: "usr/share/bash-completion/completions/liftbank", from: "cmd/liftbank/completion/liftbank.bash", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/copyright", mode: 0o644, as: copyrightFile},
	{to: "usr/share/doc/liftbank-fleet/examples/acl", from: "deploy/mosquitto/acl", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/examples/alertmanager.yml", from: "deploy/alertmanager/alertmanager.yml", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/examples/liftbank.conf", from: "deploy/mosquitto/liftbank.conf", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/examples/prometheus.yml", from: "deploy/prometheus/pushed.yml", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/examples/unit.yaml", from: "deploy/board-two-batteries.yaml", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/fleet-config.md", from: "deploy/fleet-config.md", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/fleet.md", from: "deploy/fleet.md", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/growing.md", from: "deploy/growing.md", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/restore.md", from: "deploy/restore.md", mode: 0o644},
	{to: "usr/share/doc/liftbank-fleet/sbom.cdx.json", mode: 0o644, as: partsFile},
	{to: "usr/share/doc/liftbank-fleet/series-and-alerts.md", from: "deploy/series-and-alerts.md", mode: 0o644},
	{to: "usr/share/fish/vendor_completions.d/liftbank.fish", from: "cmd/liftbank/completion/liftbank.fish", mode: 0o644},
	{to: "usr/share/man/man1/liftbank.1.gz", from: "deploy/liftbank.1", mode: 0o644},
	{to: "usr/share/zsh/vendor-completions/_liftbank", from: "cmd/liftbank/completion/_liftbank", mode: 0o644},
}

var scripts = []string{"postinst", "postrm", "prerm"}

// about is what the package says of itself.
type about struct {
	version, arch string
	at            time.Time // of every file in it
	fleet         bool      // the collector's, not the board's
}

// name returns the package's name.
func (a about) name() string {
	if a.fleet {
		return "liftbank-fleet"
	}
	return "liftbank"
}

// scripts returns the folder of its scripts.
func (a about) scripts() string {
	if a.fleet {
		return "fleet/"
	}
	return ""
}

// files returns all that is installed.
func (a about) files() []file {
	if a.fleet {
		return fleetFiles
	}
	return files
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
	flag.BoolVar(&a.fleet, "fleet", false, "the package of the collector, for a server")
	program := flag.Bool("program", false, "write the program alone, without a package around it")
	overlay := flag.String("overlay", "", "write to this folder what builds and tests of the board's program are given with "+
		"-overlay, and end")
	date := flag.Int64(
		"date", 0, "time of every file in it, seconds since 1970, as that of the commit; the same for the same bytes",
	)
	flag.Parse()
	a.at = time.Unix(*date, 0).UTC()
	err := error(nil)
	switch {
	case *overlay != "":
		var path string
		path, err = writeOverlay(*overlay, nil)
		fmt.Println(path)
	case *program:
		err = runProgram(a, *out)
	default:
		err = run(a, *out)
	}
	if err != nil {
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

// runProgram writes the program that the package has.
func runProgram(a about, out string) (err error) {
	if err := a.check(); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "liftbank-program")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	return buildProgram(out, dir, a)
}

// build returns the bytes of the package. made has the files that are not in the repository.
func build(repository fs.FS, made map[string][]byte, a about) ([]byte, error) {
	if err := a.check(); err != nil {
		return nil, err
	}
	data, sums, kept := newArchive(a.at), &strings.Builder{}, &strings.Builder{}
	size := 0
	for _, f := range a.files() {
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
		content, err := fs.ReadFile(repository, "deploy/package/scripts/"+a.scripts()+name)
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
		content, ok := made[cmp.Or(f.as, f.to)]
		if !ok {
			return nil, fmt.Errorf("%s: was not made", f.to)
		}
		return content, nil
	}
	content, err := fs.ReadFile(repository, f.from)
	if err != nil || !strings.HasSuffix(f.to, ".gz") {
		return content, err
	}
	return pack(content)
}

// pack packs with gzip, the same content to the same bytes.
func pack(content []byte) ([]byte, error) {
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	_, err = z.Write(content)
	err = errors.Join(err, z.Close()) // which writes the end
	return packed.Bytes(), err
}

func controlFile(a about, size int) string {
	about := `Depends: systemd (>= 252)
Recommends: avahi-daemon, i2c-tools
Suggests: network-manager
Section: electronics
Priority: optional
Description: agent that watches the battery bank of a battery-powered lift
 It reads the batteries of a platform lift on a trailer through input chips on
 an I2C bus, estimates charge and condition battery by battery, names what is
 wrong with the evidence and the next check, and tells the fleet over MQTT and
 as Prometheus metrics. It only observes and never switches anything.
`
	if a.fleet {
		about = `Depends: systemd (>= 252)
Conflicts: liftbank
Suggests: mosquitto, prometheus-alertmanager, postgresql
Section: electronics
Priority: optional
Description: collector and worklist of a fleet of battery-powered lifts
 It stores what the agents of the lifts send over MQTT, confirms it, and makes
 a worklist, alerts and time series of it. The program also makes the keys and
 certificates of the fleet.
`
	}
	return fmt.Sprintf(`Package: %s
Version: %s
Architecture: %s
Maintainer: the liftbank contributors <liftbank@localhost>
Installed-Size: %d
%s`, a.name(), a.version, a.arch, (size+1023)/1024, about)
}
