package store

import (
	"time"

	"liftbank/agent/store/past"
)

// Limits bound what is stored and how often it is written. A zero field takes the default. Times
// are of running, not of the calendar: a wrong clock deletes nothing.
type Limits struct {
	CommitEvery  time.Duration // 30 s
	Minutes      time.Duration // age of minutes; 30 d
	Tens         time.Duration // age of ten-minute aggregates; 400 d
	Hours        time.Duration // age of hours; 5 years
	RunDetails   int           // runs with their first second; 2000
	Runs         int           // runs; 100,000
	Findings     int           // findings in the history; 10,000
	FileBytes    int64         // of the file; 96 MiB
	OutboxBytes  int64         // of records in the outbox; 32 MiB
	PendingBytes int           // held in memory while the card can't be written; 2 MiB
	Grace        time.Duration // age of a sent record where no receiver confirms; 72 h
	Collector    time.Duration // that a receiver that once confirmed is waited for; 30 d
}

func (l Limits) withDefaults() Limits {
	const day = 24 * time.Hour
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&l.CommitEvery, 30 * time.Second}, {&l.Minutes, 30 * day}, {&l.Tens, 400 * day}, {&l.Hours, 5 * 365 * day},
		{&l.Grace, 3 * day}, {&l.Collector, 30 * day},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
	for _, n := range []struct {
		field *int
		value int
	}{{&l.RunDetails, 2000}, {&l.Runs, 100_000}, {&l.Findings, 10_000}, {&l.PendingBytes, 2 << 20}} {
		if *n.field == 0 {
			*n.field = n.value
		}
	}
	if l.FileBytes == 0 {
		l.FileBytes = 96 << 20
	}
	if l.OutboxBytes == 0 {
		l.OutboxBytes = 32 << 20
	}
	return l
}

func (l *Limits) keep() past.Keep {
	return past.Keep{
		Minutes: l.Minutes, Tens: l.Tens, Hours: l.Hours,
		Runs: l.Runs, RunDetails: l.RunDetails, Findings: l.Findings,
	}
}
