package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"liftbank/agent/store"
)

type kept = *store.Health

var storeFigures = []figure[kept]{
	gauge("store_bytes", "Bytes of the store's file that hold something.", func(h kept) *float64 { return new(float64(h.SizeBytes)) }),
	gauge("store_pending", "Things that wait in memory to be written to the card.", func(h kept) *float64 { return new(float64(h.Pending)) }),
	counter("store_commits", "Transactions that the card took since the agent's start.", func(h kept) *float64 { return count(h.Commits) }),
	counter("store_failures", "Transactions that the card did not take since the agent's start.", func(h kept) *float64 { return count(h.Failed) }),
	counter("store_lost", "Things given up for want of room since the agent's start.", func(h kept) *float64 { return count(h.Lost) }),
	gauge("store_set_aside", "1 when a damaged file was set aside at or since the agent's start, else 0.", func(h kept) *float64 { return flag(h.SetAside != "") }),
}

var (
	outboxWaiting = desc("outbox_waiting", "Records of a stream that no broker has acknowledged.", "stream")
	outboxKept    = desc("outbox_kept", "Records of a stream on the card, those that a broker acknowledged and may be asked for again among them.", "stream")
	storeUsable   = desc("store_usable", "1 while the card takes what is to be kept, else 0.")
	// The problem's word is a label: there are a dozen of them, and one at a time.
	storeProblem   = desc("store_problem", "1 with the reason, while the card takes nothing.", "problem")
	publishProblem = desc("publish_problem", "1 with the reason, while there is no connection to the broker.", "problem")
)

func collectStore(ch chan<- prometheus.Metric, h store.Health) {
	collect(ch, storeFigures, &h)
	send(ch, storeUsable, prometheus.GaugeValue, fromBool(h.Problem == ""))
	collectProblem(ch, storeProblem, h.Problem)
	for i := range store.Streams {
		send(ch, outboxWaiting, prometheus.GaugeValue, float64(h.Waiting[i]), store.Stream(i).String())
		send(ch, outboxKept, prometheus.GaugeValue, float64(h.Kept[i]), store.Stream(i).String())
	}
}

func collectProblem(ch chan<- prometheus.Metric, desc *prometheus.Desc, problem string) {
	if problem != "" {
		send(ch, desc, prometheus.GaugeValue, 1, problem)
	}
}
