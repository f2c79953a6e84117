package fleet

import (
	"context"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"liftbank/agent/fleet/db"
)

// metrics are sums over the fleet. Figures of each unit go to the time-series database: at 10,000 units
// they would be 264 MB a scrape.
type metrics struct {
	c *Collector

	mu   sync.Mutex
	sums db.Sums
	at   time.Time
}

// silentAfter is how long a unit may send no record before it counts as silent; our choice: minutes
// come every hour.
const silentAfter = 24 * time.Hour

func description(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("liftbank_fleet_"+name, help, labels, nil)
}

var (
	connected    = description("broker_connected", "1 while there is a session with the broker.")
	connections  = description("broker_connections_total", "Connections to the broker that came up.")
	received     = description("messages_received_total", "Messages of units, by the last level of the topic.", "topic")
	stored       = description("messages_stored_total", "Messages that were not known before.")
	repeated     = description("messages_repeated_total", "Messages that were known, or older than what is known.")
	refusedTotal = description("messages_refused_total", "Messages that went to the quarantine, by why.", "reason")
	commits      = description("commits_total", "Transactions that stored messages.")
	commitsBad   = description("commits_failed_total", "Transactions that failed and were tried again.")
	commitTime   = description("commit_seconds_total", "Time spent in transactions that stored messages.")
	answersSent  = description("answers_total", "Messages on received.")
	wishes       = description("asked_ranges_total", "Ranges of missing numbers asked for.")
	storeUp      = description("database_up", "1 while the database takes what comes.")
	units        = description("units", "Units, by whether they are in use.", "state")
	online       = description("units_online", "Units in use that say they are online.")
	silent       = description("units_silent", "Units in use that have sent no record for a day.")
	standing     = description("findings", "Findings that are active or not acknowledged, by severity.", "severity")
	flagged      = description("units_flagged", "Units in use with what only the fleet's side can see, by what.", "flag")
	quarantined  = description("quarantine_messages", "Messages in the quarantine.")
	quarantinedB = description("quarantine_bytes", "Bytes of messages in the quarantine.")
	missing      = description("records_missing", "Records that units are asked for.")
	gone         = description("records_gone", "Records that will not come.")
)

// Describe sends no descriptions: which sums there are depends on the database's answer.
func (m *metrics) Describe(chan<- *prometheus.Desc) {}

// Collect makes the metrics.
func (m *metrics) Collect(out chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
	}
	s := m.c.intake.State()
	gauge(connected, one(s.Connected))
	gauge(storeUp, one(s.StoreProblem == ""))
	count(connections, float64(s.Connections))
	for topic, n := range s.Received {
		count(received, float64(n), topic)
	}
	for reason, n := range s.Refused {
		count(refusedTotal, float64(n), string(reason))
	}
	count(stored, float64(s.Stored))
	count(repeated, float64(s.Repeated))
	count(commits, float64(s.Commits))
	count(commitsBad, float64(s.CommitFailed))
	count(commitTime, s.CommitTime.Seconds())
	count(answersSent, float64(s.Answers))
	count(wishes, float64(s.Wishes))
	sums, ok := m.get()
	if !ok {
		return
	}
	gauge(units, float64(sums.Units-sums.Decommissioned), "in-use")
	gauge(units, float64(sums.Decommissioned), "decommissioned")
	gauge(online, float64(sums.Online))
	gauge(silent, float64(sums.Silent))
	for _, severity := range []string{"note", "repair", "urgent"} {
		gauge(standing, float64(sums.Standing[severity]), severity)
	}
	for _, f := range db.Flags {
		gauge(flagged, float64(sums.Flagged[f]), string(f))
	}
	gauge(quarantined, float64(sums.Quarantined))
	gauge(quarantinedB, float64(sums.QuarantinedB))
	gauge(missing, float64(sums.MissingRecords))
	gauge(gone, float64(sums.GoneRecords))
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// get returns the sums, asked for at most every 15 s, however many scrape.
func (m *metrics) get() (db.Sums, bool) {
	const every, patience = 15 * time.Second, 5 * time.Second
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.c.opts.Now()
	if !m.at.IsZero() && now.Sub(m.at) < every {
		return m.sums, true
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	sums, err := m.c.db.Sums(ctx, now.Add(-silentAfter))
	if err != nil {
		return db.Sums{}, false
	}
	m.sums, m.at = sums, now
	return sums, true
}
