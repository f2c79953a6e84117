package metrics

import (
	"bytes"
	"os"
	"runtime"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// process gives the few figures of the agent's process that are watched in the field. The library's own collectors read eight files
// of /proc and the runtime's pauses for each scrape: half of what a scrape costs.
type process struct {
	cpu, resident, start, goroutines *prometheus.Desc
	begun                            float64
}

func newProcess(begun time.Time) *process {
	return &process{
		cpu:        prometheus.NewDesc("process_cpu_seconds_total", "User and system time that the process has taken, in seconds.", nil, nil),
		resident:   prometheus.NewDesc("process_resident_memory_bytes", "Memory of the process that is resident, in bytes.", nil, nil),
		start:      prometheus.NewDesc("process_start_time_seconds", "Start of the process by its own clock, seconds since 1970-01-01 UTC.", nil, nil),
		goroutines: prometheus.NewDesc("go_goroutines", "Goroutines of the process.", nil, nil),
		begun:      float64(begun.UnixMilli()) / 1000,
	}
}

// Describe sends the names.
func (p *process) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{p.cpu, p.resident, p.start, p.goroutines} {
		ch <- d
	}
}

// Collect makes the samples; what the system doesn't tell is left out.
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
