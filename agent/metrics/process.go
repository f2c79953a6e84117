package metrics

import (
	"bytes"
	"os"
	"runtime"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// process collects the few figures of the agent's process that are watched in the field. The
// library's own collectors read eight files of /proc and the runtime's pauses per scrape: half of a
// scrape's cost.
type process struct {
	cpu, resident, start, goroutines *prometheus.Desc
	begun                            float64
}

func newProcess(begun time.Time) *process {
	return &process{
		cpu: prometheus.NewDesc(
			"process_cpu_seconds_total", "User and system CPU time of the process, in seconds.", nil, nil,
		),
		resident: prometheus.NewDesc(
			"process_resident_memory_bytes", "Resident memory of the process, in bytes.", nil, nil,
		),
		start: prometheus.NewDesc(
			"process_start_time_seconds", "Start of the process by its own clock, in seconds since 1970-01-01 UTC.",
			nil, nil,
		),
		goroutines: prometheus.NewDesc("go_goroutines", "Goroutines of the process.", nil, nil),
		begun:      float64(begun.UnixMilli()) / 1000,
	}
}

// Describe sends the descriptions.
func (p *process) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{p.cpu, p.resident, p.start, p.goroutines} {
		ch <- d
	}
}

// Collect makes the samples. It leaves out what the system does not report.
func (p *process) Collect(ch chan<- prometheus.Metric) {
	if s, ok := cpuSeconds(); ok {
		ch <- prometheus.MustNewConstMetric(p.cpu, prometheus.CounterValue, s)
	}
	if b, ok := residentBytes("/proc/self/statm"); ok {
		ch <- prometheus.MustNewConstMetric(p.resident, prometheus.GaugeValue, b)
	}
	ch <- prometheus.MustNewConstMetric(p.goroutines, prometheus.GaugeValue, float64(runtime.NumGoroutine()))
	ch <- prometheus.MustNewConstMetric(p.start, prometheus.GaugeValue, p.begun)
}

// residentBytes reads the second number of statm, resident pages.
func residentBytes(statm string) (float64, bool) {
	data, err := os.ReadFile(statm)
	if err != nil {
		return 0, false
	}
	fields := bytes.Fields(data)
	if len(fields) < 2 {
		return 0, false
	}
	pages, err := strconv.ParseUint(string(fields[1]), 10, 64)
	return float64(pages) * float64(os.Getpagesize()), err == nil
}
