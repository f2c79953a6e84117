package metrics

import (
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
)

type kept = *store.Health

var storeFigures = []figure[kept]{
	gauge("store_bytes", "Used bytes of the store's file.", func(h kept) *float64 { return new(float64(h.SizeBytes)) }),
	gauge(
		"store_pending",
		"Items in memory that wait to be written to the card.",
		func(h kept) *float64 { return new(float64(h.Pending)) },
	),
	counter(
		"store_commits",
		"Transactions written to the card since the agent started.",
		func(h kept) *float64 { return count(h.Commits) },
	),
	counter(
		"store_failures",
		"Transactions that could not be written to the card since the agent started.",
		func(h kept) *float64 { return count(h.Failed) },
	),
	counter(
		"store_dropped",
		"Items dropped for lack of space since the agent started.",
		func(h kept) *float64 { return count(h.Lost) },
	),
	counter(
		"store_damaged_rows",
		"Rows found damaged on the card, and deleted, since the agent started.",
		func(h kept) *float64 { return count(h.Damaged) },
	),
	counter(
		"outbox_unconfirmed",
		"Records deleted that no receiver confirmed in the time after they were sent, since the agent started.",
		func(h kept) *float64 { return count(h.Unconfirmed) },
	),
	gauge(
		"store_set_aside",
		"Damaged files that are set aside, if one was since the agent started.",
		func(h kept) *float64 { return count(uint64(len(h.SetAside))) },
	),
}

var (
	outboxWaiting = desc("outbox_waiting", "Records of the stream that the outlet has not sent yet.", "outlet", "stream")
	outboxUnheard = desc(
		"outbox_unheard_seconds", "Time for which sent records have waited for a receipt, 0 while none do.", "outlet",
	)
	outboxKept = desc(
		"outbox_kept",
		"Records of the stream on the card, including those sent that may be asked for again.",
		"stream",
	)
	monitorTrouble = desc(
		"trouble", "1 while a part of the monitor itself can't be used, else 0; the unit's page says why.", "part",
	)
	storeUsable = desc("store_usable", "1 while the card can be written, else 0.")
	// The problem is a label: there are about a dozen values, one at a time.
	storeProblem   = desc("store_problem", "1 while the card can't be written. The label is the reason.", "problem")
	publishProblem = desc(
		"publish_problem", "1 while what is sent may not reach the receiver. The label is the reason.", "outlet", "problem",
	)
)

func collectStore(to Sink, h store.Health) {
	collect(to, storeFigures, &h)
	send(to, storeUsable, Gauge, fromBool(h.Problem == ""))
	collectProblem(to, storeProblem, h.Problem)
	for _, o := range h.Outlets {
		send(to, outboxUnheard, Gauge, o.Unheard.Seconds(), o.Name)
	}
	for i := range outbox.Streams {
		for _, o := range h.Outlets {
			send(to, outboxWaiting, Gauge, float64(o.Waiting[i]), o.Name, outbox.Stream(i).String())
		}
		send(to, outboxKept, Gauge, float64(h.Kept[i]), outbox.Stream(i).String())
	}
}

func collectProblem(to Sink, desc *Desc, problem string, labels ...string) {
	if problem != "" {
		send(to, desc, Gauge, 1, append(labels, problem)...)
	}
}
