package series

import (
	"github.com/prometheus/client_golang/prometheus"
)

// desc describes a metric of the collector's own /metrics.
func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("liftbank_fleet_series_"+name, help, append([]string{"receiver"}, labels...), nil)
}

var (
	reachable = desc("reachable", "1 while samples are taken by the time-series database, 0 while they wait.")
	newest    = desc("newest_timestamp_seconds",
		"When the record that was sent last had been received, in seconds since 1970-01-01 UTC.")
	samples = desc("samples_total", "Samples that were taken.")
	refusal = desc("refused_samples_total", "Samples that the time-series database will not take, by reason.", "reason")
	omitted = desc("kept_records_total",
		"Records that were not sent: unreadable, untimed (clock not set, and nothing corrects it), ahead or too-early (their "+
			"time can't be).", "reason")
	corrected = desc("corrected_records_total", "Records whose times were corrected once the unit's clock was known.")
	retries   = desc("failed_rounds_total", "Rounds that failed and are tried again.")
)

// Describe sends every metric.
func (s *Sender) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{reachable, newest, samples, refusal, omitted, corrected, retries} {
		ch <- d
	}
}

// Collect makes the samples of how it goes with each receiver.
func (s *Sender) Collect(ch chan<- prometheus.Metric) {
	for _, st := range s.States() {
		gauge := func(d *prometheus.Desc, v float64) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, st.Receiver)
		}
		count := func(d *prometheus.Desc, n uint64, labels ...string) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n), append([]string{st.Receiver}, labels...)...)
		}
		well := 1.0
		if st.Problem != "" {
			well = 0
		}
		gauge(reachable, well)
		if !st.Newest.IsZero() {
			gauge(newest, float64(st.Newest.UnixMilli())/1000)
		}
		count(samples, st.Sent)
		count(corrected, st.Fixed)
		count(retries, st.Retries)
		for why, n := range st.Refused {
			count(refusal, n, why)
		}
		for why, n := range st.Kept {
			count(omitted, n, why)
		}
	}
}

var _ prometheus.Collector = (*Sender)(nil)
