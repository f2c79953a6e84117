package alert

import "github.com/prometheus/client_golang/prometheus"

var (
	alerting = prometheus.NewDesc("liftbank_fleet_alerts", "Alerts that stand, by severity.", []string{"severity"}, nil)
	reached  = prometheus.NewDesc("liftbank_fleet_alertmanager_reachable",
		"1 while the Alertmanager takes alerts, 0 while they wait.", []string{"alertmanager"}, nil)
	sent = prometheus.NewDesc("liftbank_fleet_alertmanager_alerts_total", "Alerts sent, resends included.",
		[]string{"alertmanager"}, nil)
	failures = prometheus.NewDesc("liftbank_fleet_alertmanager_failed_requests_total", "Requests that failed and are tried again.",
		[]string{"alertmanager"}, nil)
	refusals = prometheus.NewDesc("liftbank_fleet_alertmanager_refused_requests_total",
		"Requests with an alert that the Alertmanager can't take.", []string{"alertmanager"}, nil)
)

// Describe sends every metric of the collector's own /metrics.
func (n *Notifier) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{alerting, reached, sent, failures, refusals} {
		ch <- d
	}
}

// Collect makes the samples.
func (n *Notifier) Collect(ch chan<- prometheus.Metric) {
	by := map[string]int{"note": 0, "repair": 0, "urgent": 0}
	n.mu.Lock()
	for _, a := range n.now {
		by[a.Labels["severity"]]++
	}
	n.mu.Unlock()
	for severity, k := range by {
		ch <- prometheus.MustNewConstMetric(alerting, prometheus.GaugeValue, float64(k), severity)
	}
	for _, st := range n.States() {
		well := 1.0
		if st.Problem != "" {
			well = 0
		}
		ch <- prometheus.MustNewConstMetric(reached, prometheus.GaugeValue, well, st.Target)
		ch <- prometheus.MustNewConstMetric(sent, prometheus.CounterValue, float64(st.Sent), st.Target)
		ch <- prometheus.MustNewConstMetric(failures, prometheus.CounterValue, float64(st.Failed), st.Target)
		ch <- prometheus.MustNewConstMetric(refusals, prometheus.CounterValue, float64(st.Refused), st.Target)
	}
}

var _ prometheus.Collector = (*Notifier)(nil)
