// Command kernel boots a Debian arm64 kernel in QEMU with an I2C adapter that carries input chips at register
// level, simulated GPIO lines, a watchdog device and a disk, and tries the board's program on it: what can't be
// tried with emulations in one process. fetch gets the kernel, and module has the adapter.
//
// The same program is the machine's first process there (guest.go): it plays the bank, and is the service
// manager, the broker and the scraper.
//
// Example: kernel -dir KERNEL -guest GUEST-arm64 -liftbank LIFTBANK-arm64 -bare BARE-arm64 -config UNIT.yaml
package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

type options struct {
	dir, guest, liftbank, bare, config, also string
	cuts                                     int
	measure                                  time.Duration
	only                                     string
}

func main() {
	switch name := filepath.Base(os.Args[0]); {
	case os.Getpid() == 1:
		guest()
	case name == "systemctl":
		os.Exit(systemctl(os.Args[1:]))
	case name == "confined":
		os.Exit(confined(os.Args[1:]))
	}
	var o options
	flag.StringVar(&o.dir, "dir", "", "folder with the kernel and its modules")
	flag.StringVar(&o.guest, "guest", "", "this program, for arm64")
	flag.StringVar(&o.liftbank, "liftbank", "", "the board's program, for arm64")
	flag.StringVar(&o.bare, "bare", "", "the bare program to compare with, for arm64")
	flag.StringVar(&o.also, "also", "", "another program to measure as the board's, for arm64")
	flag.StringVar(&o.config, "config", "", "the unit's configuration: deploy/board-two-batteries.yaml")
	flag.IntVar(&o.cuts, "cuts", 20, "power cuts")
	flag.DurationVar(&o.measure, "measure", 30*time.Second, "how long memory and CPU are measured")
	flag.StringVar(&o.only, "only", "", "the part that is played alone: measure, faults, iio, sleep or cut")
	flag.Parse()
	if err := run(&o); err != nil {
		fmt.Fprintln(os.Stderr, "kernel:", err)
		os.Exit(1)
	}
}

func run(o *options) error {
	work, err := os.MkdirTemp("", "liftbank-kernel")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	m := machine{kernel: filepath.Join(o.dir, "vmlinuz"), initrd: filepath.Join(work, "initrd")}
	if err := m.fill(o); err != nil {
		return fmt.Errorf("what the machine begins with: %w", err)
	}
	begun := time.Now()
	args := "part=measure during=" + o.measure.String()
	if o.also != "" {
		args += " also=1"
	}
	parts := []struct {
		name string
		play func(*machine) error
	}{
		{"faults", func(m *machine) error {
			return m.play("part=faults", slow, "runs", "stuck bus", "lost acknowledgments", "chip absent", "adapter that reads last",
				"adapter out", "disk full", "stop", "watchdog")
		}},
		{"cut", func(m *machine) error { return m.cutPower(o.cuts) }},
		{"iio", func(m *machine) error {
			return m.play("part=iio", small, "iio probe", "iio ina226", "iio readings", "iio runs", "iio device removed",
				"iio renumbered", "iio chip absent", "iio figures")
		}},
		{"sleep", func(m *machine) error {
			// The kernel's last word before it is suspended has the host pull a line, the second time.
			return m.play("part=sleep pm_debug_messages no_console_suspend", small, "sleep", "sleep by timer", "sleep by line",
				"messages over both sleeps")
		}},
		{"measure", func(m *machine) error {
			return m.play(args, small, "probe", "probe ina226", "adapter absent at start", "memory", "cpu", "first reading")
		}},
	}
	// two processors: each plays the next part, the longest first
	var players sync.WaitGroup
	var mu sync.Mutex
	var errs []error
	next := make(chan int, len(parts))
	for i, p := range parts {
		if o.only == "" || o.only == p.name {
			next <- i
		}
	}
	close(next)
	for range 2 {
		players.Go(func() {
			for i := range next {
				begun := time.Now()
				own, err := m.with(filepath.Join(work, parts[i].name))
				if err == nil {
					err = parts[i].play(own)
				}
				fmt.Printf("   %s: %.0f s\n", parts[i].name, time.Since(begun).Seconds())
				mu.Lock()
				errs = append(errs, err)
				mu.Unlock()
			}
		})
	}
	players.Wait()
	fmt.Printf("%.0f s\n", time.Since(begun).Seconds())
	return errors.Join(errs...)
}

// machine is what QEMU runs.
type machine struct {
	kernel, initrd, disk string
	serial               io.Writer // the line of its console
}

// modules are what the kernel loads, in this order after what each needs.
var modules = []string{"configfs", "i2c-dev", "bench", "gpio-sim", "softdog", "virtio_mmio", "virtio_pci", "virtio_blk", "crc32c_generic", "ext4",
	"ti-ads1015", "ina2xx-adc"}

// fill makes the file system in memory that the machine begins with, and the disk.
func (m *machine) fill(o *options) error {
	config, err := unitConfig(o.config)
	if err != nil {
		return err
	}
	a := archive{}
	a.add("unit.yaml", []byte(config), 0o644)
	if config, err = unitConfig(filepath.Join(filepath.Dir(o.config), "board-iio.yaml")); err != nil {
		return err
	}
	a.add("iio.yaml", []byte(config), 0o644)
	own := map[string]string{"init": o.guest, "liftbank": o.liftbank, "bare": o.bare, "also": o.also, "busybox": filepath.Join(o.dir, "busybox")}
	for _, name := range []string{"liftbank.service", "liftbank-sleep.service", "liftbank-sleep.path", "sleep"} {
		own[name] = filepath.Join(filepath.Dir(o.config), "systemd", name)
	}
	for name, path := range own {
		if path == "" {
			continue
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		a.add(name, text, 0o755)
	}
	files, err := moduleFiles(o.dir)
	if err != nil {
		return err
	}
	var order []string
	for _, name := range modules {
		if err := load(name, files, &order, &a); err != nil {
			return err
		}
	}
	a.add("modules", []byte(strings.Join(order, "\n")), 0o644)
	return os.WriteFile(m.initrd, a.bytes(), 0o644)
}

// with returns the machine with an empty disk, small enough to be full soon.
func (m machine) with(disk string) (*machine, error) {
	m.disk = disk
	if err := errors.Join(os.WriteFile(disk, nil, 0o644), os.Truncate(disk, 48<<20)); err != nil {
		return nil, err
	}
	out, err := exec.Command("/usr/sbin/mkfs.ext4", "-q", "-F", disk).CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("mkfs.ext4: %w: %s", err, out)
	}
	return &m, nil
}

// unitConfig returns the example for a board, with the broker and the addresses of the machine.
func unitConfig(path string) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	config := strings.Replace(string(text), `listen: ":8480"`, `listen: "127.0.0.1:8480"`, 1)
	if config == string(text) {
		config += "\nhttp:\n  listen: \"127.0.0.1:8480\"\n" // a section of its own, or the text is refused
	}
	// the simulated lines take a program's pull for the world's
	config = strings.Replace(config, "active: low, pull: up", "active: low, pull: none", 1)
	return config + "\nmqtt:\n  broker: mqtt://127.0.0.1:1883\n", nil
}

// speed is how a machine's clock goes.
type speed string

// Speeds: by the clock of the host, or by instructions, of 2 or 4 ns, about what one takes on a small board and on the
// smallest. Then waiting takes no time, a minute takes seconds, and no figure depends on what else the host does.
const (
	real  speed = ""
	small speed = "shift=1,sleep=off"
	slow  speed = "shift=2,sleep=off"
)

// start begins a machine. Each line
// that it prints comes through the channel, which is closed when it has ended.
func (m *machine) start(args string, s speed) (*exec.Cmd, <-chan string, error) {
	how := []string{"-accel", "tcg,thread=multi"}
	if s != real {
		how = []string{"-accel", "tcg,thread=single", "-icount", string(s)}
	}
	cmd := exec.Command("qemu-system-aarch64", append(how, "-machine", "virt", "-rtc", "clock=vm", "-cpu", "cortex-a53", "-m", "512", "-nographic",
		"-no-reboot", "-nodefaults", "-serial", "stdio", "-monitor", "none", "-kernel", m.kernel, "-initrd", m.initrd,
		"-drive", "file="+m.disk+",format=raw,if=virtio",
		"-append", fmt.Sprintf("console=ttyAMA0 quiet loglevel=3 panic=-1 now=%d %s", time.Now().Unix(), args))...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, nil, err
	}
	if m.serial, err = cmd.StdinPipe(); err != nil {
		return nil, nil, err
	}
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} // a machine doesn't outlive its test
	if err := cmd.Start(); err != nil {
		return nil, nil, err
	}
	lines := make(chan string)
	go func() {
		defer close(lines)
		scan := bufio.NewScanner(out)
		scan.Buffer(nil, 1<<20)
		for scan.Scan() {
			lines <- strings.TrimRight(scan.Text(), "\r")
		}
		_, _ = io.Copy(io.Discard, out)
	}()
	return cmd, lines, nil
}

const (
	partLimit = 15 * time.Minute // of a machine that hangs, on a busy host
	bootLimit = 3 * time.Minute
)

// play plays a part of the test. names are what must be seen to work in it.
func (m *machine) play(args string, s speed, names ...string) error {
	cmd, lines, err := m.start(args, s)
	if err != nil {
		return err
	}
	limit := time.AfterFunc(partLimit, func() { _ = cmd.Process.Kill() })
	defer limit.Stop()
	said := map[string]bool{}
	var errs []error
	suspended := 0
	for line := range lines {
		if !strings.HasPrefix(line, "[") { // the kernel's own
			fmt.Println(line)
		}
		if strings.HasSuffix(line, "PM: suspend-to-idle") {
			if suspended++; suspended == 2 {
				if _, err := io.WriteString(m.serial, "\n"); err != nil {
					errs = append(errs, err)
				}
			}
		}
		if name, ok := strings.CutPrefix(line, "ok: "); ok {
			name, _, _ = strings.Cut(name, ": ")
			said[name] = true
		}
		if strings.HasPrefix(line, "FAILED: ") {
			errs = append(errs, errors.New(line))
		}
	}
	_ = cmd.Wait() // the watchdog ends it
	for _, name := range names {
		if !said[name] {
			errs = append(errs, fmt.Errorf("%s: not seen to work", name))
		}
	}
	return errors.Join(errs...)
}

var stored = regexp.MustCompile(`^stored (\S+)$`)

// cutPower kills the machine again and again while runs are being stored. Each run that was on the disk, as
// the page's history shows it, must be there at the next start, once.
func (m *machine) cutPower(cuts int) error {
	var known []string
	var errs []error
	for cut := range cuts + 1 { // the last start is only looked at
		cmd, lines, err := m.start("part=cut", real)
		if err != nil {
			return err
		}
		limit := time.AfterFunc(bootLimit, func() { _ = cmd.Process.Kill() })
		var kill *time.Timer
		listed := map[string]int{}
		ended := false
		for line := range lines {
			name, value, _ := strings.Cut(line, " ")
			switch {
			case name == "listed":
				listed[value]++
			case line == "all listed":
				ended = true
				for _, run := range known {
					if listed[run] != 1 {
						errs = append(errs, fmt.Errorf("cut %d: the run of %s is there %d times", cut, run, listed[run]))
					}
				}
				for run := range listed { // stored, but the power was cut before that was said
					if !slices.Contains(known, run) {
						known = append(known, run)
					}
				}
				if cut == cuts {
					_ = cmd.Process.Kill()
				}
			case stored.MatchString(line):
				known = append(known, value)
				if kill == nil { // at another moment of the next runs each time
					kill = time.AfterFunc(time.Duration(cut*137%1500)*time.Millisecond, func() { _ = cmd.Process.Kill() })
				}
			case strings.HasPrefix(line, "FAILED"):
				errs = append(errs, fmt.Errorf("cut %d: %s", cut, line))
			case line != "":
				fmt.Println("  ", line)
			}
		}
		_ = cmd.Wait() // killed
		limit.Stop()
		if kill != nil {
			kill.Stop()
		}
		if !ended {
			errs = append(errs, fmt.Errorf("cut %d: the machine did not start within %v", cut, bootLimit))
		}
	}
	if len(known) < cuts {
		errs = append(errs, fmt.Errorf("%d runs stored over %d power cuts: want at least one each", len(known), cuts))
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	fmt.Printf("ok: power cuts: %d, %d runs stored, none missing, none twice\n", cuts, len(known))
	return nil
}
