// Package metrics exposes the newest snapshot of one unit to Prometheus.
//
// Every sample is made from the snapshot at scrape time; nothing is stored. An unknown figure has
// no sample. When the snapshot gets old, all of its figures are dropped too, so that an old value
// never looks like a current one. Names start with liftbank_ and end in their base unit.
package metrics

import (
	"net/http"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/trouble"
)

// Options configures a collector.
type Options struct {
	Hub        *snapshot.Hub
	StaleAfter time.Duration         // age at which the figures are dropped; 0 is 10 s
	Outlets    func() []outlet.State // nil if nothing is sent
	Store      func() store.Health   // nil if nothing is stored
	Version    string                // of the program
	Revision   string                // of its source
	Started    time.Time             // of the process
}

// NewCollector returns a collector of the unit's figures, for a registry of the caller.
func NewCollector(opts Options) prometheus.Collector {
	if opts.StaleAfter == 0 {
		opts.StaleAfter = 10 * time.Second
	}
	return &collector{opts: opts}
}

// New returns a registry with the unit's figures and those of the process.
func New(opts Options) *prometheus.Registry {
	reg := prometheus.NewRegistry()
	reg.MustRegister(NewCollector(opts), newProcess(opts.Started))
	return reg
}

// Handler serves a registry. At most four scrapes run at a time, and simultaneous scrapes share one
// gathering. An answer is packed for whoever asks for that, as Prometheus does: at one scrape every 30 s
// the CPU time is small beside the bytes of a network that is paid for. Only gzip: one kind of packer
// to hold in memory.
func Handler(reg *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		Registry: reg, ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: 4,
		OfferedCompressions: []promhttp.Compression{promhttp.Identity, promhttp.Gzip},
		EnableOpenMetrics:   true, CoalesceGather: true,
	})
}

// collector makes the unit's samples.
type collector struct{ opts Options }

// Describe sends every name that Collect can use, so that a duplicate name fails at start.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range described {
		ch <- d
	}
}

// Collect makes the samples. It does no I/O and does not block.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	send(ch, buildInfo, prometheus.GaugeValue, 1, c.opts.Version, c.opts.Revision, runtime.Version())
	if c.opts.Outlets != nil {
		for _, st := range c.opts.Outlets() {
			collect(ch, publishFigures, &st, st.Name)
			collectProblem(ch, publishProblem, st.Problem, st.Name)
		}
	}
	if c.opts.Store != nil {
		collectStore(ch, c.opts.Store())
	}
	s := c.opts.Hub.Current()
	if s == nil {
		return
	}
	send(ch, snapshotTime, prometheus.GaugeValue, unixSeconds(s.At))
	if c.opts.Hub.Age() > c.opts.StaleAfter {
		return
	}
	collect(ch, unitFigures, s)
	for i := range s.Batteries {
		b := &s.Batteries[i]
		collect(ch, batteryFigures, b, b.ID)
		send(ch, batteryInfo, prometheus.GaugeValue, 1, b.ID, b.Chemistry)
		collectState(ch, batteryVerdict, verdicts, b.Verdict, b.ID)
	}
	for i := range s.Links {
		l := &s.Links[i]
		collect(ch, linkFigures, l, l.Side, l.From, l.To)
	}
	for i := range s.Motor.Since {
		collect(ch, sinceFigures, &s.Motor.Since[i], s.Motor.Since[i].Kind)
	}
	collectState(ch, feedStatus, feeds, s.Feed.Status)
	collectState(ch, motorLeads, arrangements, s.Bank.MotorLeads)
	collectState(ch, feedLeads, arrangements, s.Bank.FeedLeads)
	for i := range s.Channels {
		collect(ch, channelFigures, &s.Channels[i], s.Channels[i].Name)
		send(ch, channelQuality, prometheus.GaugeValue, 1, s.Channels[i].Name, s.Channels[i].Quality.English)
	}
	for i := range s.Chips {
		collect(ch, chipFigures, &s.Chips[i], s.Chips[i].Name)
	}
	collectFindings(ch, s)
	for _, part := range trouble.Parts {
		bad := slices.ContainsFunc(s.Troubles, func(t snapshot.Trouble) bool { return t.Part == part })
		send(ch, monitorTrouble, prometheus.GaugeValue, fromBool(bad), part)
	}
}

// collectFindings makes the samples of the findings and of those that can't be judged.
func collectFindings(ch chan<- prometheus.Metric, s *snapshot.Snapshot) {
	send(ch, unitInfo, prometheus.GaugeValue, 1, s.Unit)
	type key struct{ name, subject, severity string }
	active := map[key]bool{}
	count := map[string]float64{}
	for i := range s.Findings {
		f := &s.Findings[i]
		k := key{f.Name, f.Subject, f.Severity}
		if f.Alarming() && f.CausedBy == "" && !active[k] {
			count[f.Severity]++
		}
		active[k] = active[k] || f.Alarming()
	}
	for k, on := range active {
		send(ch, findingActive, prometheus.GaugeValue, fromBool(on), k.name, k.subject, k.severity)
	}
	for _, severity := range severities {
		send(ch, findings, prometheus.GaugeValue, count[severity], severity)
	}
	silent := map[string]bool{}
	for _, n := range s.NotJudged {
		if !silent[n.Name] { // one series per name, whatever the reasons
			silent[n.Name] = true
			send(ch, findingNotJudged, prometheus.GaugeValue, 1, n.Name)
		}
	}
}

// collectState makes one sample per possible state: 1 for the present one, 0 for the others.
func collectState(
	ch chan<- prometheus.Metric,
	desc *prometheus.Desc,
	states []string,
	present string,
	labels ...string,
) {
	for _, state := range states {
		send(ch, desc, prometheus.GaugeValue, fromBool(state == present), append(labels, state)...)
	}
}

// send makes one sample. Label values come from the unit's configuration: one that is not UTF-8
// must not fail the scrape.
func send(
	ch chan<- prometheus.Metric,
	desc *prometheus.Desc,
	kind prometheus.ValueType,
	value float64,
	labels ...string,
) {
	for i := range labels {
		labels[i] = strings.ToValidUTF8(labels[i], "�")
	}
	ch <- prometheus.MustNewConstMetric(desc, kind, value, labels...)
}

func fromBool(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func unixSeconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
