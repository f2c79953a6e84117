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
	"time"
)

// broker is a real Mosquitto that can be killed and started again on the same port. It keeps
// nothing on disk.
type broker struct {
	port int
	conf string
	cmd  *exec.Cmd
}

func startBroker(dir string, more ...string) (*broker, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	b := &broker{port: l.Addr().(*net.TCPAddr).Port, conf: filepath.Join(dir, "mosquitto.conf")}
	text := "listener " + strconv.Itoa(b.port) +
		" 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n" + strings.Join(more, "\n") + "\n"
	if err := errors.Join(l.Close(), os.WriteFile(b.conf, []byte(text), 0o600)); err != nil {
		return nil, err
	}
	return b, b.start()
}

func (b *broker) url() string { return "mqtt://127.0.0.1:" + strconv.Itoa(b.port) }

func (b *broker) start() error {
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto"
	}
	b.cmd = exec.Command(program, "-c", b.conf)
	if err := b.cmd.Start(); err != nil {
		return fmt.Errorf("mosquitto: %w", err)
	}
	for range 200 {
		c, err := net.Dial("tcp", "127.0.0.1:"+strconv.Itoa(b.port))
		if err == nil {
			return c.Close()
		}
		time.Sleep(10 * time.Millisecond)
	}
	return errors.New("mosquitto doesn't listen")
}

// kill ends the broker without a chance to write anything.
func (b *broker) kill() {
	_ = b.cmd.Process.Kill() // gone already is as good
	_ = b.cmd.Wait()         // says that it was killed
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
