package metrics

import (
	"bytes"
	"os"
	"runtime"
	"strconv"
	"time"
)

// The few figures of the agent's process that are watched in the field. A library's own read eight files of /proc
// and the runtime's pauses for each scrape.
var (
	processCPU      = describe("process_cpu_seconds_total", "User and system CPU time of the process, in seconds.")
	processResident = describe("process_resident_memory_bytes", "Resident memory of the process, in bytes.")
	processStart    = describe(
		"process_start_time_seconds", "Start of the process by its own clock, in seconds since 1970-01-01 UTC.",
	)
	goroutines = describe("go_goroutines", "Goroutines of the process.")
)

// collectProcess makes the samples of the process. It leaves out what the system does not report.
func collectProcess(to Sink, begun time.Time) {
	if s, ok := cpuSeconds(); ok {
		send(to, processCPU, Counter, s)
	}
	if b, ok := residentBytes("/proc/self/statm"); ok {
		send(to, processResident, Gauge, b)
	}
	send(to, goroutines, Gauge, float64(runtime.NumGoroutine()))
	send(to, processStart, Gauge, unixSeconds(begun))
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
