package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// target is a running agent that is attacked, from addresses of the loopback network.
type target struct {
	at      string // HOST:PORT of its page
	pin     string
	restart string // shell command that starts it again
}

// Addresses of the attacker, of a technician who was never there, and of a probe.
const (
	attacker   = "127.0.0.66"
	technician = "127.0.0.7"
	probe      = "127.0.0.8"
)

// attackTest attacks an agent that is running, and fails if it keeps anybody out that it should not,
// lets anybody in, or is not the same process afterwards.
func attackTest(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("attack", flag.ContinueOnError)
	at := flags.String("at", "127.0.0.1:8480", "HOST:PORT of the page that is attacked, on this machine")
	pin := flags.String("pin", "", "the unit's PIN, for the technician who must get in")
	restart := flags.String("restart", "", "shell command that restarts the agent, to be tried between guesses")
	listen := flags.String("listen", "127.0.0.1:1883", "of the hostile broker, which the agent is set up for")
	last := flags.Duration("for", 10*time.Second, "that the hostile broker lasts from its first connection")
	if err := flags.Parse(args); err != nil {
		return err
	}
	t := target{*at, *pin, *restart}
	attacks := map[string]func(context.Context) error{
		"forms": t.forms, "guesses": t.guesses, "idle": t.idle,
		"broker": func(ctx context.Context) error { return t.broker(ctx, *listen, *last) },
	}
	if flags.NArg() == 0 {
		return errors.New("attack: want forms, guesses, idle or broker")
	}
	for _, name := range flags.Args() {
		do, ok := attacks[name]
		if !ok {
			return fmt.Errorf("attack %q: want forms, guesses, idle or broker", name)
		}
		if err := do(ctx); err != nil {
			return fmt.Errorf("attack %s: %w", name, err)
		}
	}
	return nil
}

// from returns a client that asks from an address, each time over a new connection, and follows nothing.
func from(address string) *http.Client {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(address)}, Timeout: 5 * time.Second}
	return &http.Client{
		Timeout:       20 * time.Second, // a slow board may have some PINs to compare
		Transport:     &http.Transport{DialContext: d.DialContext, DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

func (t target) get(address, path string) (body string, err error) {
	resp, err := from(address).Get("http://" + t.at + path)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", path, resp.Status)
	}
	return string(text), err
}

// answers has a probe ask for what must be answered at any time.
func (t target) answers() error {
	for _, path := range []string{"/", "/metrics", "/healthz"} {
		if _, err := t.get(probe, path); err != nil {
			return fmt.Errorf("from %s: %w", probe, err)
		}
	}
	return nil
}

// process says which start of the agent answers, and what memory it has.
func (t target) process() (start string, residentMB float64, err error) {
	text, err := t.get(probe, "/metrics")
	if err != nil {
		return "", 0, err
	}
	value := func(name string) string {
		m := regexp.MustCompile(`(?m)^` + name + ` (\S+)$`).FindStringSubmatch(text)
		if m == nil {
			return ""
		}
		return m[1]
	}
	bytes, _ := strconv.ParseFloat(value("process_resident_memory_bytes"), 64) // 0 where the system doesn't say
	return value("process_start_time_seconds"), bytes / (1 << 20), nil
}

// during does something to the agent, and looks at its process before and after.
func (t target) during(what func() error) error {
	was, before, err := t.process()
	if err != nil {
		return err
	}
	if err := errors.Join(what(), t.answers()); err != nil {
		return err
	}
	is, after, err := t.process()
	if err != nil {
		return err
	}
	if is != was {
		return errors.New("the agent was ended and started again")
	}
	fmt.Printf("  the same process, %.0f MiB resident before, %.0f after; page, /metrics and /healthz answer\n", before, after)
	return nil
}

// forms posts forms of 256 KiB without a PIN, and reads no answer.
func (t target) forms(ctx context.Context) error {
	const count, size = 40, 256 << 10
	return t.during(func() error {
		request := fmt.Appendf(nil, "POST /visit/save HTTP/1.1\r\nHost: %s\r\nContent-Type: application/x-www-form-urlencoded\r\n"+
			"Sec-Fetch-Site: same-origin\r\nContent-Length: %d\r\n\r\nnote=%s", t.at, size, bytes.Repeat([]byte{'x'}, size-5))
		var taken atomic.Int64
		var posts sync.WaitGroup
		conns := make([]net.Conn, count)
		for i := range conns {
			c, err := (&net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(attacker)}}).DialContext(ctx, "tcp", t.at)
			if err != nil {
				return err
			}
			defer c.Close()
			if tcp, ok := c.(*net.TCPConn); ok {
				_ = tcp.SetReadBuffer(1) // the least that the kernel gives
			}
			conns[i] = c
			posts.Go(func() {
				_ = c.SetWriteDeadline(time.Now().Add(3 * time.Second))
				n, _ := c.Write(request) // cut off is what it should be
				taken.Add(int64(n))
			})
		}
		posts.Wait()
		if err := t.answers(); err != nil {
			return err
		}
		codes := map[string]int{}
		for _, c := range conns {
			_ = c.SetReadDeadline(time.Now().Add(time.Second))
			line, err := bufio.NewReader(c).ReadString('\n')
			_, code, _ := strings.Cut(strings.TrimSpace(line), " ")
			if err != nil {
				code = "cut without an answer"
			}
			codes[code]++
		}
		fmt.Printf("forms: %d posts of %d KiB without a PIN, answers not read: %.1f MB taken, told %v\n", count, size>>10,
			float64(taken.Load())/1e6, codes)
		if codes["200 OK"] > 0 {
			return errors.New("a form without a PIN was taken")
		}
		return ctx.Err()
	})
}

// guess tries a PIN from an address.
func (t target) guess(address, pin string, cookies []*http.Cookie) (*http.Response, error) {
	r, err := http.NewRequest(http.MethodPost, "http://"+t.at+"/pin", strings.NewReader(url.Values{"pin": {pin}}.Encode()))
	if err != nil {
		return nil, err
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	for _, c := range cookies {
		r.AddCookie(c)
	}
	resp, err := from(address).Do(r)
	if err != nil {
		return nil, err
	}
	return resp, resp.Body.Close()
}

// wrong guesses from some addresses, and returns how many of the guesses were looked at.
func (t target) wrong(each int, addresses ...string) (compared, refused int, err error) {
	for _, address := range addresses {
		for i := range each {
			resp, err := t.guess(address, fmt.Sprintf("%06d", 524_713+i), nil)
			if err != nil {
				return compared, refused, err
			}
			switch resp.StatusCode {
			case http.StatusUnauthorized:
				compared++
			case http.StatusTooManyRequests:
				refused++
			default:
				return compared, refused, fmt.Errorf("a wrong PIN: %s", resp.Status)
			}
		}
	}
	return compared, refused, nil
}

// signIn gives the right PIN and returns what the browser keeps of that.
func (t target) signIn(address string, cookies []*http.Cookie) ([]*http.Cookie, error) {
	resp, err := t.guess(address, t.pin, cookies)
	if err != nil {
		return nil, err
	}
	if resp.StatusCode != http.StatusSeeOther {
		return nil, fmt.Errorf("the right PIN from %s: %s", address, resp.Status)
	}
	var device []*http.Cookie
	for _, c := range resp.Cookies() {
		if c.Name == "liftbank_device" {
			device = append(device, c)
		}
	}
	return device, nil
}

// guesses guesses at the PIN from one address, then from many, and over a restart.
func (t target) guesses(ctx context.Context) error {
	if t.pin == "" {
		return errors.New("want -pin, for the technician")
	}
	var device []*http.Cookie
	err := t.during(func() error {
		compared, refused, err := t.wrong(30, attacker)
		if err != nil {
			return err
		}
		if device, err = t.signIn(technician, nil); err != nil {
			return err
		}
		fmt.Printf("guesses: 30 wrong PINs from one address: %d compared, %d turned away; the right one from another is taken\n",
			compared, refused)
		if compared > 6 {
			return fmt.Errorf("%d tries of one address: want at most 5, and the one that came back", compared)
		}
		var more []string
		for i := range 10 {
			more = append(more, "127.0.1."+strconv.Itoa(1+i))
		}
		n, away, err := t.wrong(5, more...)
		if err != nil {
			return err
		}
		fmt.Printf("  50 more from ten addresses: %d compared, %d turned away\n", n, away)
		if compared+n > 22 {
			return fmt.Errorf("%d tries of all strangers: want at most 20, and those that came back", compared+n)
		}
		if _, err := t.signIn(attacker, device); err != nil {
			return fmt.Errorf("a phone that was let in before: %w", err)
		}
		fmt.Println("  a phone that was let in before gets in, even from the attacker's address")
		return nil
	})
	if err != nil || t.restart == "" {
		return err
	}
	if out, err := exec.CommandContext(ctx, "sh", "-c", t.restart).CombinedOutput(); err != nil {
		return fmt.Errorf("restart: %w: %s", err, out)
	}
	for range 100 {
		if err = t.answers(); err == nil {
			break
		}
		if err := pause(ctx, 100*time.Millisecond); err != nil {
			return err
		}
	}
	if err != nil {
		return fmt.Errorf("restart: %w", err)
	}
	return t.during(func() error {
		n, away, err := t.wrong(5, "127.0.2.1", "127.0.2.2", "127.0.2.3", "127.0.2.4")
		if err != nil {
			return err
		}
		if _, err := t.signIn(attacker, device); err != nil {
			return fmt.Errorf("a phone that was let in before: %w", err)
		}
		fmt.Printf("  restarted, 20 more from four addresses: %d compared, %d turned away; the known phone gets in\n", n, away)
		if n > 2 {
			return fmt.Errorf("%d tries came back with a restart", n)
		}
		return nil
	})
}

// idle opens connections from one address on which it asks nothing, or half a question.
func (t target) idle(ctx context.Context) error {
	const count = 256
	return t.during(func() error {
		var conns []net.Conn
		for i := range count {
			c, err := (&net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(attacker)}}).DialContext(ctx, "tcp", t.at)
			if err != nil {
				return err
			}
			defer c.Close()
			if i%2 == 1 {
				_, _ = io.WriteString(c, "GET / HTTP/1.1\r\nHost: ") // closed is what it may be
			}
			conns = append(conns, c)
		}
		if err := t.answers(); err != nil {
			return err
		}
		if _, err := t.get(attacker, "/"); err != nil {
			return fmt.Errorf("from the same address: %w", err)
		}
		open := 0
		for _, c := range conns {
			_ = c.SetReadDeadline(time.Now().Add(time.Millisecond))
			if _, err := c.Read(make([]byte, 1)); errors.Is(err, os.ErrDeadlineExceeded) {
				open++
			}
		}
		fmt.Printf("idle: %d connections from one address, half of them with half a question: %d left open; page, /metrics and "+
			"/healthz answer meanwhile\n", count, open)
		return ctx.Err()
	})
}
