package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// The board's sleep, with what is shipped for it: the agent's policy, the request, liftbank-sleep.path and
// .service, the script and its capabilities. This process is systemd's part of it.

const (
	systemdSocket = "/run/systemctl"
	restV         = 12.2 // V: a bank of about half its charge
	wakeEvery     = 4 * time.Hour
)

// The machine's programs: busybox has the commands that the script calls, this one systemctl's part.
var links = map[string]string{
	"/bin/sh": "/busybox", "/bin/head": "/busybox", "/bin/tr": "/busybox", "/bin/rm": "/busybox", "/bin/cat": "/busybox",
	"/bin/sync": "/busybox", "/bin/systemctl": "/init", "/bin/confined": "/init",
}

// setting returns the values of a unit's setting.
func setting(unit, name string) (values []string) {
	text, _ := os.ReadFile("/" + unit)
	for line := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(strings.TrimSpace(line), name+"="); ok {
			values = append(values, strings.Fields(v)...)
		}
	}
	return values
}

// service is the agent as systemd has it.
type service struct {
	mu             sync.Mutex
	config, state  string
	a              *agent
	stopped, begun time.Time
	calls          []string
}

// serve does what systemctl asks for.
func (s *service) serve() error {
	l, err := net.Listen("unix", systemdSocket)
	if err != nil {
		return err
	}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			line, _ := bufio.NewReader(c).ReadString('\n')
			answer := "ok"
			if err := s.do(strings.TrimSpace(line)); err != nil {
				answer = err.Error()
			}
			fmt.Fprintln(c, answer)
			c.Close()
		}
	}()
	return nil
}

func (s *service) do(call string) (err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls = append(s.calls, call)
	switch call {
	case "stop liftbank.service":
		err = s.a.end()
		s.stopped, s.a = time.Now(), nil
		return err
	case "start liftbank.service":
		s.begun = time.Now()
		s.a, err = beginWith([]string{"RUNTIME_DIRECTORY=/run/liftbank", "WATCHDOG_USEC=150000000"}, s.state, "/liftbank", "run", "--config", s.config)
		return err
	}
	return fmt.Errorf("%q: not expected here", call)
}

// systemctl is that command: it has process 1 do what it says.
func systemctl(args []string) int {
	c, err := net.Dial("unix", systemdSocket)
	if err != nil {
		fmt.Fprintln(os.Stderr, "systemctl:", err)
		return 1
	}
	defer c.Close()
	fmt.Fprintln(c, strings.Join(args, " "))
	if answer, _ := bufio.NewReader(c).ReadString('\n'); answer != "ok\n" {
		fmt.Fprintln(os.Stderr, "systemctl:", strings.TrimSpace(answer))
		return 1
	}
	return 0
}

// capabilities are the numbers of those that the sleep service may have (linux/capability.h).
var capabilities = map[string]uintptr{"CAP_DAC_OVERRIDE": 1, "CAP_DAC_READ_SEARCH": 2, "CAP_SYS_BOOT": 22}

// confined runs a program with the capabilities of liftbank-sleep.service and no others.
func confined(args []string) int {
	keep := map[uintptr]bool{}
	for _, name := range setting("liftbank-sleep.service", "CapabilityBoundingSet") {
		n, known := capabilities[name]
		if !known {
			fmt.Fprintln(os.Stderr, "confined: unknown", name)
			return 1
		}
		keep[n] = true
	}
	if len(keep) == 0 {
		fmt.Fprintln(os.Stderr, "confined: no capabilities named")
		return 1
	}
	const capbsetDrop = 24 // prctl(2)
	for n := uintptr(0); n < 64; n++ {
		if !keep[n] {
			_, _, _ = syscall.RawSyscall(syscall.SYS_PRCTL, capbsetDrop, n, 0) // beyond the last one it fails
		}
	}
	err := syscall.Exec(args[0], args, os.Environ())
	fmt.Fprintln(os.Stderr, "confined:", err)
	return 1
}

// policy is the example's configuration with a short way to sleep: of little charge, an hour after the last run. A
// scan a minute lets the hours pass quickly, and so do runs without a tail: a scan of one takes the host long.
func policy(wake string) (string, error) {
	text, err := os.ReadFile(config)
	if err != nil {
		return "", err
	}
	changed, err := replaced(string(text), "wake_by: none", "wake_by: "+wake, "sleep: power-off", "sleep: suspend",
		"saving_below_pct: 50", "saving_below_pct: 95", "sleep_below_pct: 30", "sleep_below_pct: 94", "wake_every: 1d", "wake_every: 4h",
		"rest_every: 1s", "rest_every: 1m", "run_tail: 2s", "run_tail: 0s", "saving_scan: 5s", "saving_scan: 1m", "rest_time: 1h", "rest_time: 10m",
		"bank_low_v: 12.4", "bank_low_v: 12", "bank_low_clear_v: 12.45", "bank_low_clear_v: 12.1")
	if err != nil {
		return "", err
	}
	path := "/" + wake + ".yaml"
	return path, put(path, changed)
}

// slept is what one sleep was.
type slept struct {
	request       string
	asleep, awake time.Time
	suspends      int // that the kernel counts
	script        string
	first         time.Duration // of the first reading after the start
}

// sleepOnce waits until the agent asks to be put to sleep, and has the shipped service do it.
func (s *service) sleepOnce(within time.Duration) (slept, error) {
	var r slept
	request := setting("liftbank-sleep.path", "PathExists")
	program := setting("liftbank-sleep.service", "ExecStart")
	if len(request) != 1 || len(program) != 1 {
		return r, fmt.Errorf("units: %v, %v: want one path and one program", request, program)
	}
	begun := time.Now()
	for {
		text, err := os.ReadFile(request[0])
		if err == nil {
			r.request = string(text)
			break
		}
		if time.Since(begun) > within {
			return r, fmt.Errorf("no request within %v: %s", within, s.a.said())
		}
		time.Sleep(5 * time.Second)
	}
	before := suspends()
	r.asleep = time.Now()
	fmt.Println("goes to sleep")
	_ = put("/proc/sys/kernel/printk", "8 4 1 7")
	out, err := exec.Command("/bin/confined", program[0]).CombinedOutput()
	r.awake, r.script, r.suspends = time.Now(), string(out), suspends()-before
	_ = put("/proc/sys/kernel/printk", "3 4 1 7")
	if err != nil {
		return r, fmt.Errorf("%s: %w", out, err)
	}
	if _, err := os.Stat(request[0]); !os.IsNotExist(err) {
		return r, fmt.Errorf("the request is still there: %v", err)
	}
	if r.suspends != 1 || strings.Contains(r.script, "does not suspend") {
		return r, fmt.Errorf("the kernel suspended %d times: %s", r.suspends, out)
	}
	if _, ok := until(20*time.Second, func() bool { _, n := metric("liftbank_battery_volts"); return n == 2 }); !ok {
		return r, fmt.Errorf("no reading 20 s after: %s", s.a.said())
	}
	r.first = time.Since(s.begun)
	return r, nil
}

func suspends() int {
	text, _ := os.ReadFile("/sys/power/suspend_stats/success")
	n, _ := strconv.Atoi(strings.TrimSpace(string(text)))
	return n
}

// activeFindings returns the findings that stand.
func activeFindings() ([]string, error) {
	text, err := get("/api/v1/findings")
	if err != nil {
		return nil, err
	}
	var all struct{ Findings []finding }
	if err := json.Unmarshal([]byte(text), &all); err != nil {
		return nil, err
	}
	names := []string{}
	for _, f := range all.Findings {
		if f.Active {
			names = append(names, f.Name+" "+f.Subject)
		}
	}
	return names, nil
}

// sleeps is the part that sleeps.
func sleeps() {
	try("sleep", func() (string, error) {
		if err := errors.Join(os.MkdirAll("/bin", 0o755), os.MkdirAll("/usr/lib/liftbank", 0o755), os.MkdirAll("/run/liftbank", 0o700),
			os.MkdirAll(data+"/unit", 0o700), os.Rename("/sleep", "/usr/lib/liftbank/sleep"), bank(restV, 0, 0)); err != nil {
			return "", err
		}
		for link, to := range links {
			if err := os.Symlink(to, link); err != nil {
				return "", err
			}
		}
		state, _ := os.ReadFile("/sys/power/state")
		kinds, _ := os.ReadFile("/sys/power/mem_sleep")
		return fmt.Sprintf("the kernel has %s; mem is %s", strings.TrimSpace(string(state)), strings.TrimSpace(string(kinds))), nil
	})
	s := &service{state: data + "/unit"}
	try("sleep by timer", func() (string, error) { return byTimer(s) })
	try("sleep by line", func() (string, error) { return byLine(s) })
	try("messages over both sleeps", messages)
}

func byTimer(s *service) (text string, err error) {
	if s.config, err = policy("timer"); err != nil {
		return "", err
	}
	if err := errors.Join(s.serve(), s.do("start liftbank.service")); err != nil {
		return "", err
	}
	up := s.begun
	if _, ok := until(20*time.Second, func() bool { return usable() == channels }); !ok {
		return "", errors.New("start: " + s.a.said())
	}
	for range 2 {
		if err := rested(motorRun(500 * time.Millisecond)); err != nil {
			return "", err
		}
		time.Sleep(5 * time.Second)
	}
	// Work lights for ten minutes: what a charge might have left at the plates is gone, and rests tell of the charge within the hour.
	if err := bank(restV-0.1, -9, 0); err != nil {
		return "", err
	}
	time.Sleep(10 * time.Minute)
	if err := rested(nil); err != nil {
		return "", err
	}
	before, lengths, err := pastRuns()
	if err != nil || len(before) != 2 {
		return "", fmt.Errorf("runs before: %v, %v", before, err)
	}
	if names, err := activeFindings(); err != nil || len(names) > 0 {
		return "", fmt.Errorf("findings before: %v, %v", names, err)
	}
	if s.config, err = policy("wake-line"); err != nil { // with which the script starts it again
		return "", err
	}
	r, err := s.sleepOnce(2 * time.Hour)
	if err != nil {
		return "", err
	}
	if r.request != "for=14400\nhow=suspend\n" {
		return "", fmt.Errorf("request %q", r.request)
	}
	if off := s.begun.Sub(s.stopped) - wakeEvery; off < -5*time.Second || off > 5*time.Second {
		return "", fmt.Errorf("slept %v: want %v", s.begun.Sub(s.stopped), wakeEvery)
	}
	if err := s.goesOn(before, lengths, 1, wakeEvery); err != nil {
		return "", err
	}
	gap, err := pastGap(r.asleep, r.awake)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("asked for after %v, suspended once by the script, woken by the clock after %v, first reading %v after the start, "+
		"no finding, runs as before, history empty for %v", r.asleep.Sub(up).Round(time.Minute),
		s.begun.Sub(s.stopped).Round(time.Second), r.first.Round(10*time.Millisecond), gap), nil
}

// rested brings the bank back to its voltage at rest.
func rested(err error) error { return errors.Join(err, bank(restV, 0, 0)) }

// goesOn checks what an agent says after a sleep.
func (s *service) goesOn(before []string, lengths []float64, sleeps int, asleep time.Duration) error {
	if _, ok := until(10*time.Second, func() bool { return usable() == channels }); !ok {
		return fmt.Errorf("%d of %d channels usable", usable(), channels)
	}
	time.Sleep(3 * time.Minute) // some scans, and what a start might make of them
	if names, err := activeFindings(); err != nil || len(names) > 0 {
		return fmt.Errorf("findings after: %v, %v", names, err)
	}
	now, long, err := pastRuns()
	if err != nil || !slices.Equal(now, before) || !slices.Equal(long, lengths) {
		return fmt.Errorf("runs %v, %v s: want %v, %v s as before: %v", now, long, before, lengths, err)
	}
	if n, _ := metric("liftbank_motor_runs_total"); int(n) != len(before) {
		return fmt.Errorf("%v runs counted: want %d", n, len(before))
	}
	if n, _ := metric("liftbank_board_sleeps_total"); int(n) != sleeps {
		return fmt.Errorf("%v sleeps counted: want %d", n, sleeps)
	}
	if spent, _ := metric(`liftbank_board_level_seconds_total{level="asleep"}`); math.Abs(spent-asleep.Seconds()) > 90 {
		return fmt.Errorf("%v s asleep counted: want %v", spent, asleep.Seconds())
	}
	if volts, _ := metric(`liftbank_battery_volts{battery="a"}`); math.Abs(volts-restV) > 0.0015 {
		return fmt.Errorf("battery a at %v V: want %v", volts, restV)
	}
	return nil
}

// pastGap looks for values in the history of a sleep, and for those around it.
func pastGap(asleep, awake time.Time) (time.Duration, error) {
	const step = time.Minute
	q := url.Values{"from": {asleep.Add(-20 * time.Minute).UTC().Format(time.RFC3339)}, "to": {time.Now().UTC().Format(time.RFC3339)}, "points": {"4000"}}
	text, err := get("/api/v1/history?" + q.Encode())
	if err != nil {
		return 0, err
	}
	var past struct {
		TimesS []int64 `json:"times_s"`
		Series []struct {
			Figure, Battery string
			Mean            []*float64
		}
	}
	if err := json.Unmarshal([]byte(text), &past); err != nil {
		return 0, fmt.Errorf("%w: %.200s", err, text)
	}
	var last, next time.Time
	for _, series := range past.Series {
		if series.Figure != "voltage_v" || series.Battery != "a" {
			continue
		}
		for i, v := range series.Mean {
			at := time.Unix(past.TimesS[i], 0)
			switch {
			case v == nil:
			case at.Before(asleep.Add(step)):
				last = at
			case at.Before(awake.Add(-step)):
				return 0, fmt.Errorf("a value of %v, while it slept from %v to %v", at, asleep, awake)
			case next.IsZero():
				next = at
			}
		}
	}
	if last.IsZero() || next.IsZero() || asleep.Sub(last) > 3*step || next.Sub(awake) > 3*step {
		return 0, fmt.Errorf("history has values to %v and from %v: want them to %v and from %v", last, next, asleep, awake)
	}
	return next.Sub(last), nil
}

// byLine: woken by a line of the machine, here the serial one, which the host pulls once the kernel says that it is
// suspended. The tractor is there then, and the lift at work.
func byLine(s *service) (string, error) {
	if err := put("/sys/class/tty/ttyAMA0/power/wakeup", "enabled"); err != nil {
		return "", err
	}
	before, lengths, err := pastRuns()
	if err != nil {
		return "", err
	}
	r, err := s.sleepOnce(2 * time.Hour)
	if err != nil {
		return "", err
	}
	if r.request != "for=0\nhow=suspend\n" {
		return "", fmt.Errorf("request %q", r.request)
	}
	if err := s.goesOn(before, lengths, 2, wakeEvery); err != nil {
		return "", err
	}
	if err := pull(wakeLine, true); err != nil {
		return "", err
	}
	time.Sleep(2 * time.Second)
	if err := errors.Join(rested(motorRun(500*time.Millisecond)), pull(wakeLine, false)); err != nil {
		return "", err
	}
	time.Sleep(5 * time.Second)
	now, long, err := pastRuns()
	if err != nil || len(now) != len(before)+1 || math.Abs(long[len(long)-1]-0.5) > 0.15 {
		return "", fmt.Errorf("runs %v, %v s: want one of 0.5 s more than %v: %v", now, long, before, err)
	}
	return fmt.Sprintf("suspended until the line came, first reading %v after the start, the run after it counted",
		r.first.Round(10*time.Millisecond)), nil
}

// messages looks through what the broker got: each stream without a gap, and the words before each sleep.
func messages() (string, error) {
	time.Sleep(2 * time.Minute)
	var words []string
	got, again := map[string]map[uint64]bool{}, 0
	for _, m := range received() {
		var body struct {
			Stream, Status string
			Seq            uint64
			At             time.Time
		}
		if err := json.Unmarshal(m.payload, &body); err != nil {
			return "", fmt.Errorf("%s: %w", m.topic, err)
		}
		switch leaf := filepath.Base(m.topic); leaf {
		case "status":
			words = append(words, body.Status)
		case "runs", "readings", "findings":
			if got[leaf] == nil {
				got[leaf] = map[uint64]bool{}
			}
			if got[leaf][body.Seq] {
				again++
			}
			got[leaf][body.Seq] = true
		}
	}
	for stream, seqs := range got {
		for n := uint64(1); n <= uint64(len(seqs)); n++ {
			if !seqs[n] {
				return "", fmt.Errorf("stream %s: number %d of %d is missing", stream, n, len(seqs))
			}
		}
	}
	if len(got["runs"]) != 3 || len(got["readings"]) == 0 || again > 0 {
		return "", fmt.Errorf("%d runs, %d batches of readings, %d again: want 3, some, none", len(got["runs"]), len(got["readings"]), again)
	}
	if want := "online asleep online asleep online"; strings.Join(words, " ") != want {
		return "", fmt.Errorf("status %q: want %q", words, want)
	}
	return fmt.Sprintf("%d runs, %d batches of readings without a gap, none twice; status %s", len(got["runs"]), len(got["readings"]),
		strings.Join(words, ", ")), nil
}
