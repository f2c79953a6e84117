package outside

import (
	"bytes"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// Patience is for a program that starts, on a machine that others use too.
const Patience = 20 * time.Second

// Mosquitto runs a broker until the test ends, with these lines of configuration beside those of its listener, and
// returns its URL.
func Mosquitto(t testing.TB, config string) string {
	t.Helper()
	program := Program(t, "mosquitto", "mosquitto")
	port := FreePort(t)
	path := filepath.Join(t.TempDir(), "mosquitto.conf")
	config = "listener " + strconv.Itoa(port) + " 127.0.0.1\nallow_anonymous true\n" + config
	if err := os.WriteFile(path, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-c", path)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stop := func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
	t.Cleanup(stop)
	address := "127.0.0.1:" + strconv.Itoa(port)
	for began := time.Now(); ; time.Sleep(10 * time.Millisecond) { // it lives by the real clock
		c, err := net.Dial("tcp", address)
		if err == nil {
			_ = c.Close()
			return "mqtt://" + address
		}
		if time.Since(began) > Patience {
			stop()
			t.Fatalf("mosquitto does not answer: %v\n%s", err, &said)
		}
	}
}

// FreePort returns a port of this machine that nobody listens at.
func FreePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}
