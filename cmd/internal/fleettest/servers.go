package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"liftbank/cmd/pgtest"
)

// server is a program that is killed and started again.
type server struct {
	name   string
	make   func() (*exec.Cmd, error)
	up     func(ctx context.Context) error // nil once it takes connections
	output string                          // file
	cmd    *exec.Cmd
}

// start starts it. A server that must be up is waited for, and started again should it end before: a
// PostgreSQL does as long as a process of the one before lives.
func (s *server) start(ctx context.Context) error {
	if err := s.launch(); err != nil || s.up == nil {
		return err
	}
	const most = time.Minute
	err := await(ctx, most, func() (bool, error) {
		if zombie(s.cmd.Process.Pid) {
			_ = s.cmd.Wait() // it has printed why
			return false, errors.Join(pause(ctx, 20*time.Millisecond), s.launch())
		}
		return s.up(ctx) == nil, nil
	})
	if err != nil {
		return fmt.Errorf("%s does not come up: %w", s.name, errors.Join(err, s.said()))
	}
	return nil
}

func (s *server) launch() error {
	cmd, err := s.make()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(s.output, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer out.Close()
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	s.cmd = cmd
	return nil
}

// stop ends the program in order.
func (s *server) stop() {
	if s.cmd != nil {
		_ = s.cmd.Process.Signal(os.Interrupt) // gone already is as good
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

// said returns the end of what it printed, as an error.
func (s *server) said() error {
	text, err := os.ReadFile(s.output)
	const most = 2000
	return errors.Join(err, fmt.Errorf("%s printed: %s", s.name, text[max(0, len(text)-most):]))
}

// kill ends the program and its children at once, without a chance to write anything.
func (s *server) kill() {
	if s.cmd == nil {
		return
	}
	children := childrenOf(s.cmd.Process.Pid)
	_ = s.cmd.Process.Kill() // gone already is as good
	for _, pid := range children {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
	_ = s.cmd.Wait() // says that it was killed
	for _, pid := range children {
		for syscall.Kill(pid, 0) == nil && !zombie(pid) {
			time.Sleep(time.Millisecond)
		}
	}
	s.cmd = nil
}

// childrenOf lists the processes that a process started.
func childrenOf(parent int) (out []int) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, name := range stats {
		f := statOf(name)
		if len(f) > 1 && f[1] == strconv.Itoa(parent) {
			if pid, err := strconv.Atoi(filepath.Base(filepath.Dir(name))); err == nil {
				out = append(out, pid)
			}
		}
	}
	return out
}

// statOf returns the fields of /proc/PID/stat from the state on (proc(5)).
func statOf(name string) []string {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	return strings.Fields(rest)
}

func zombie(pid int) bool {
	f := statOf("/proc/" + strconv.Itoa(pid) + "/stat")
	return len(f) == 0 || f[0] == "Z"
}

// cpu returns the CPU time of the program and of its children, with those that ended.
func (s *server) cpu() time.Duration {
	all := time.Duration(0)
	for i, pid := range append([]int{s.cmd.Process.Pid}, childrenOf(s.cmd.Process.Pid)...) {
		f := statOf("/proc/" + strconv.Itoa(pid) + "/stat")
		if len(f) < 15 {
			continue
		}
		fields := f[11:13] // utime, stime
		if i == 0 {
			fields = f[11:15] // and those of children that it waited for
		}
		for _, t := range fields {
			ticks, _ := strconv.ParseInt(t, 10, 64)
			const perS = 100 // USER_HZ of all ports of Linux that Go has
			all += time.Duration(ticks) * time.Second / perS
		}
	}
	return all
}

// memoryMB returns what the program has resident, and had at most.
func (s *server) memoryMB() (now, most float64) {
	text, _ := os.ReadFile("/proc/" + strconv.Itoa(s.cmd.Process.Pid) + "/status")
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) < 2 {
			continue
		}
		kb, _ := strconv.ParseFloat(f[1], 64)
		switch f[0] {
		case "VmRSS:":
			now = kb / 1024
		case "VmHWM:":
			most = kb / 1024
		}
	}
	return now, most
}

func loadAverage() string {
	text, _ := os.ReadFile("/proc/loadavg")
	first, _, _ := strings.Cut(string(text), " ")
	return first
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// newBroker returns a Mosquitto that keeps its sessions on disk once in so many seconds. It promises no more:
// what it acknowledged since dies with it, and so does what the system had not written in a power cut. It
// writes all that waits each time, and does nothing else meanwhile.
func newBroker(dir string, port, saves int, more ...string) (*server, error) {
	conf, kept := filepath.Join(dir, "mosquitto.conf"), filepath.Join(dir, "mosquitto")
	text := "user root\nallow_anonymous true\nset_tcp_nodelay true\nmax_inflight_messages 1000\nmax_queued_messages 0\n" +
		"persistence true\npersistence_location " + kept + "/\nautosave_interval " + strconv.Itoa(saves) + "\nlog_type error\n" +
		"listener " + strconv.Itoa(port) + " 127.0.0.1\n" + strings.Join(more, "\n") + "\n"
	if err := errors.Join(os.MkdirAll(kept, 0o700), os.WriteFile(conf, []byte(text), 0o600)); err != nil {
		return nil, err
	}
	return &server{
		name: "mosquitto", output: filepath.Join(dir, "mosquitto.log"),
		make: func() (*exec.Cmd, error) {
			program, err := exec.LookPath("mosquitto")
			if err != nil {
				program = "/usr/sbin/mosquitto"
			}
			if _, err := os.Stat(program); err != nil {
				return nil, errors.New("mosquitto is not installed: apt-get install mosquitto")
			}
			return exec.Command(program, "-c", conf), nil
		},
		up: func(context.Context) error {
			c, err := net.Dial("tcp", "127.0.0.1:"+strconv.Itoa(port))
			if err != nil {
				return err
			}
			return c.Close()
		},
	}, nil
}

// newPostgres makes a database server in a folder of its own; fsync is on, as by default.
func newPostgres(dir string) (s *server, url string, err error) {
	made, err := pgtest.New(dir)
	if err != nil {
		return nil, "", err
	}
	return &server{name: "postgres", output: filepath.Join(dir, "postgres.log"), make: made.Process, up: made.Up}, made.URL("postgres"), nil
}

// await asks again and again.
func await(ctx context.Context, most time.Duration, done func() (bool, error)) error {
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	for {
		if ok, err := done(); ok || err != nil {
			return err
		}
		if err := pause(ctx, 5*time.Millisecond); err != nil {
			return err
		}
	}
}

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
