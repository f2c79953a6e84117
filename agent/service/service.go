// Package service tells the system's service manager how the agent is: ready, alive, leaving, and its state in a line.
//
// It speaks the protocol of sd_notify(3): lines of NAME=VALUE in a datagram to the socket named by the environment. A sign of life is
// sent for a new snapshot only, and the scan loop makes those: a loop that hangs is seen, whatever timers still run. A broker out of
// reach or a full card does not keep snapshots from being made and so never ends the process.
package service

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/snapshot"
)

// Manager is the service manager that started this process.
type Manager struct {
	conn  net.Conn
	limit time.Duration // without a sign of life for this long the manager ends the process; 0: it doesn't watch
	every time.Duration // between signs of life
}

// statusEvery is between two lines of state where nobody waits for signs of life.
const statusEvery = 15 * time.Second

// spare is how many signs of life fit into the manager's limit: one may be late, or lost in a full socket buffer.
const spare = 4

// Dial reaches the manager through what it put in the environment, read with getenv. It gives nil, which is good to use, where no manager
// waits for word.
func Dial(getenv func(string) string, pid int) (*Manager, error) {
	address := getenv("NOTIFY_SOCKET")
	if address == "" {
		return nil, nil
	}
	if !strings.HasPrefix(address, "/") && !strings.HasPrefix(address, "@") {
		return nil, fmt.Errorf("service manager: NOTIFY_SOCKET %q: want a path, or @ and a name", address)
	}
	conn, err := net.Dial("unixgram", address) // net takes @ for a name that is no file, as the protocol does
	if err != nil {
		return nil, fmt.Errorf("service manager: %w", err)
	}
	m := &Manager{conn: conn, every: statusEvery}
	if of := getenv("WATCHDOG_PID"); of != "" && of != strconv.Itoa(pid) {
		return m, nil // another process's affair
	}
	if text := getenv("WATCHDOG_USEC"); text != "" {
		us, err := strconv.ParseInt(text, 10, 64)
		if err != nil || us <= 0 {
			return nil, errors.Join(fmt.Errorf("service manager: WATCHDOG_USEC %q: want microseconds above 0", text), conn.Close())
		}
		m.limit = time.Duration(us) * time.Microsecond
	}
	return m, nil
}

// Run tells the manager of the snapshots of hub until ctx ends, and then that the agent is leaving. longest is the longest that a healthy
// agent takes from one snapshot to the next; a manager that would wait for less is asked to wait longer. The first snapshot means ready.
func (m *Manager) Run(ctx context.Context, hub *snapshot.Hub, longest time.Duration) {
	if m == nil {
		return
	}
	defer m.conn.Close()
	defer m.say("STOPPING=1")
	if m.limit > 0 {
		if least := spare * longest; m.limit < least {
			m.limit = least
			m.say("WATCHDOG_USEC=" + strconv.FormatInt(m.limit.Microseconds(), 10))
		}
		m.every = m.limit / spare
	}
	var last time.Time
	for seq := uint64(0); ; {
		s, err := hub.Next(ctx, seq)
		if err != nil {
			return
		}
		now := time.Now() // of the process, never of the unit: the manager lives by it too
		switch {
		case seq == 0:
			m.say("READY=1\nWATCHDOG=1\nSTATUS=" + state(s))
			last = now
		case now.Sub(last) >= m.every:
			m.say("WATCHDOG=1\nSTATUS=" + state(s))
			last = now
		}
		seq = s.Seq
	}
}

// say sends lines. What can't be sent is lost: there is nobody to tell.
func (m *Manager) say(lines string) {
	_ = m.conn.SetWriteDeadline(time.Now().Add(time.Second))
	_, _ = m.conn.Write([]byte(lines))
}

// state gives a unit's state in one line.
func state(s *snapshot.Snapshot) string {
	line := s.Unit + ": bank "
	if v := s.Bank.VoltageV; v != nil {
		line += strconv.FormatFloat(*v, 'f', 2, 64) + " V"
	} else {
		line += "voltage unknown"
	}
	if p := s.Bank.SoCPct.Value; p != nil {
		line += ", charge " + strconv.FormatFloat(*p, 'f', 0, 64) + " %"
	}
	active := 0
	for _, f := range s.Findings {
		if f.Active() {
			active++
		}
	}
	line += fmt.Sprintf(", feed %s, findings %d", s.Feed.Status, active)
	return strings.Map(func(r rune) rune {
		if r < ' ' { // a line break would begin another variable
			return ' '
		}
		return r
	}, line)
}
