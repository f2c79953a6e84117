// Package registry hands a unit's figures to the reference library of Prometheus, for programs that have it anyway: the
// collector, which sends them on, and tests, which judge them by it. A board's program goes without.
package registry

import (
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"liftbank/agent/metrics"
)

// Collector makes a unit's samples.
type Collector struct {
	opts  metrics.Options
	descs map[*metrics.Desc]*prometheus.Desc
}

var _ prometheus.Collector = (*Collector)(nil)

// NewCollector returns a collector of the unit's figures, for a registry of the caller.
func NewCollector(opts metrics.Options) *Collector {
	c := &Collector{opts: opts, descs: map[*metrics.Desc]*prometheus.Desc{}}
	for _, d := range metrics.Described() {
		c.descs[d] = prometheus.NewDesc(d.Name, d.Help, d.Labels, nil)
	}
	return c
}

// Describe sends every name that Collect can use, so that a duplicate name fails at start.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range c.descs {
		ch <- d
	}
}

// Collect makes the samples. It does no I/O and does not block.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	kinds := map[metrics.Kind]prometheus.ValueType{metrics.Gauge: prometheus.GaugeValue, metrics.Counter: prometheus.CounterValue}
	metrics.Collect(&c.opts, func(d *metrics.Desc, kind metrics.Kind, value float64, labels []string) {
		valid := make([]string, len(labels))
		for i, l := range labels {
			valid[i] = strings.ToValidUTF8(l, "\ufffd")
		}
		ch <- prometheus.MustNewConstMetric(c.descs[d], kinds[kind], value, valid...)
	})
}
