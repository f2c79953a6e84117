package alert_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/alert"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/cmd/outside"
)

// letter is what a sink received.
type letter struct {
	at      time.Time
	to      string // address, or "webhook"
	subject string
	status  string // of a webhook
	text    string
}

// mailSink is an SMTP server that takes everything (RFC 5321, as far as a client needs).
func mailSink(t *testing.T, got chan<- letter) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var all sync.WaitGroup
	t.Cleanup(func() {
		_ = l.Close()
		all.Wait()
	})
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				_ = c.SetDeadline(time.Now().Add(20 * time.Second))
				take(c, got)
			})
		}
	})
	return l.Addr().String()
}

func take(c net.Conn, got chan<- letter) {
	in := bufio.NewReader(c)
	say := func(line string) { fmt.Fprintf(c, "%s\r\n", line) }
	say("220 sink")
	var x letter
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		switch verb := strings.ToUpper(strings.Fields(line + " x")[0]); verb {
		case "EHLO", "HELO":
			say("250 sink")
		case "RCPT":
			x.to = strings.Trim(strings.TrimSpace(line[len("RCPT TO:"):]), "<>")
			say("250 ok")
		case "DATA":
			say("354 go on")
			var body strings.Builder
			for {
				line, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if line == ".\r\n" {
					break
				}
				body.WriteString(line)
			}
			x.at, x.text = time.Now(), body.String()
			if m, err := mail.ReadMessage(strings.NewReader(x.text)); err == nil {
				x.subject = m.Header.Get("Subject")
			}
			got <- x
			say("250 ok")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

func webhookSink(t *testing.T, got chan<- letter) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m struct {
			Status string `json:"status"`
			Alerts []struct {
				Labels      map[string]string `json:"labels"`
				Annotations map[string]string `json:"annotations"`
			} `json:"alerts"`
		}
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil || len(m.Alerts) == 0 {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		got <- letter{at: time.Now(), to: "webhook", status: m.Status, subject: m.Alerts[0].Annotations["summary"], text: fmt.Sprint(m.Alerts[0].Labels)}
	}))
	t.Cleanup(s.Close)
	return s.URL
}

// alertmanager runs the real one with the example of deploy, sent to the sinks.
func alertmanager(t *testing.T, mail, hook string) string {
	t.Helper()
	path := outside.Program(t, "prometheus-alertmanager", "prometheus-alertmanager")
	text, err := os.ReadFile("../../../deploy/alertmanager/alertmanager.yml")
	require.NoError(t, err)
	config := string(text)
	for from, to := range map[string]string{
		"smtp_smarthost: mail.example:587":                             "smtp_smarthost: " + mail + "\n  smtp_require_tls: false",
		"  smtp_auth_username: lifts@fleet.example\n":                  "",
		"  smtp_auth_password_file: /etc/alertmanager/mail-password\n": "",
		"https://pager.example/liftbank":                               hook,
		"group_interval: 1m":                                           "group_interval: 1s", // an end waits for it
	} {
		require.Contains(t, config, from)
		config = strings.Replace(config, from, to, 1)
	}
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "alertmanager.yml"), []byte(config), 0o600))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := l.Addr().String()
	require.NoError(t, l.Close())
	var out bytes.Buffer
	cmd := exec.Command(path, "--config.file="+dir+"/alertmanager.yml", "--storage.path="+dir+"/data", "--web.listen-address="+address,
		"--cluster.listen-address=", "--log.level=debug")
	cmd.Stdout, cmd.Stderr = &out, &out
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(out.String())
		}
	})
	deadline := time.Now().Add(20 * time.Second)
	for {
		resp, err := http.Get("http://" + address + "/-/ready")
		if err == nil {
			_ = resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return "http://" + address
			}
		}
		require.True(t, time.Now().Before(deadline), "alertmanager doesn't start")
		time.Sleep(50 * time.Millisecond) // another program's start, by the real clock
	}
}

// change makes a message of a finding: number, name, severity, whether it holds.
func change(t testing.TB, unit string, seq int, name, severity string, active bool) wire.Message {
	t.Helper()
	body, err := os.ReadFile("../wire/testdata/findings.json")
	require.NoError(t, err)
	var m map[string]any
	require.NoError(t, json.Unmarshal(body, &m))
	f := m["finding"].(map[string]any)
	now := time.Now().UTC().Format(time.RFC3339Nano)
	m["seq"], m["at"], m["unit"], m["mono_s"] = seq, now, unit, 1000+seq
	f["name"], f["severity"], f["seq"], f["active"], f["since"] = name, severity, seq, active, now
	f["title"], f["state"] = "Something is wrong", "unacknowledged"
	delete(f, "raised_at")
	if !active {
		f["state"] = "normal"
	}
	body, err = json.Marshal(m)
	require.NoError(t, err)
	p, err := wire.NewParser("liftbank")
	require.NoError(t, err)
	out, err := p.Parse("liftbank/v1/"+unit+"/findings", body)
	require.NoError(t, err)
	return out
}

// The whole chain behind the broker: a finding is stored, the collector tells Alertmanager, and mail and
// webhook come out, after 3.5 s on a quiet machine; so does its end.
func TestAFindingIsAtTheSinksInSeconds(t *testing.T) {
	got := make(chan letter, 100)
	url := alertmanager(t, mailSink(t, got), webhookSink(t, got))
	d, err := db.Open(t.Context(), "sqlite://"+filepath.Join(t.TempDir(), "fleet.db"), db.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	n, err := alert.New(alert.Options{Store: d, Targets: []alert.Target{{URL: url}}, Site: "https://fleet.example"})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		assert.NoError(t, n.Run(ctx))
	}()
	t.Cleanup(func() { stop(); <-done })

	// arrive waits for letters, one to each address, and says how long the last took.
	arrive := func(since time.Time, want map[string]func(letter) bool) time.Duration {
		t.Helper()
		var last time.Duration
		limit := time.After(time.Minute) // on a machine that others use too
		for len(want) > 0 {
			select {
			case x := <-got:
				if is := want[x.to]; is != nil && is(x) {
					delete(want, x.to)
					last = max(last, x.at.Sub(since))
				}
			case <-limit:
				t.Fatalf("waited for letters to %d addresses: %v", len(want), n.Problem())
			}
		}
		return last
	}
	store := func(seq int, name, severity string, active bool) time.Time {
		t.Helper()
		_, err := d.Commit(t.Context(), time.Now(), []wire.Message{change(t, "t-1042", seq, name, severity, active)})
		require.NoError(t, err)
		stored := time.Now()
		n.Wake("t-1042")
		return stored
	}
	subject := func(s string) func(letter) bool { return func(x letter) bool { return x.subject == s } }

	took := arrive(store(1, "feed-lost", "urgent", true), map[string]func(letter) bool{
		"on-call@fleet.example": subject("URGENT: t-1042: something is wrong"),
		"webhook": func(x letter) bool {
			return x.status == "firing" && strings.Contains(x.text, "alertname:FeedLost") && strings.Contains(x.text, "severity:urgent")
		},
	})
	t.Logf("urgent finding: %v", took.Round(time.Millisecond))
	took = arrive(store(2, "bank-undercharged", "repair", true), map[string]func(letter) bool{
		"desk@fleet.example": func(x letter) bool {
			return x.subject == "t-1042: something is wrong" && strings.Contains(x.text, "BankUndercharged")
		},
	})
	t.Logf("bank-undercharged: %v", took.Round(time.Millisecond))
	took = arrive(store(3, "feed-lost", "urgent", false), map[string]func(letter) bool{
		"on-call@fleet.example": subject("Over: t-1042: something is wrong"),
		"webhook":               func(x letter) bool { return x.status == "resolved" && strings.Contains(x.text, "alertname:FeedLost") },
	})
	t.Logf("its end: %v", took.Round(time.Millisecond))
	require.Empty(t, n.Problem())
	assert.Len(t, n.Standing(), 1)

	// The tool that people use shows it as the collector sent it.
	out, err := exec.Command(outside.Program(t, "amtool", "prometheus-alertmanager"), "--alertmanager.url="+url, "alert", "query", "-o", "json").Output()
	require.NoError(t, err)
	var shown []struct {
		Labels map[string]string `json:"labels"`
	}
	require.NoError(t, json.Unmarshal(out, &shown), string(out))
	require.Len(t, shown, 1)
	assert.Equal(t, n.Standing()[0].Labels, shown[0].Labels)
}
