// Package rules turns scans of one unit into what they mean: charge, health and sharing of each
// battery, motor runs, the state of the feed, and findings with the next check to make.
//
// It is pure: no input or output, no clock, no goroutine. The caller hands in plain values with the
// moment they were taken and reads the result; the same inputs give the same results, bit for bit,
// on any run. Current into a battery is positive (charge), out of it negative.
package rules

import (
	"liftbank/rules/daily"
	"liftbank/rules/finding"
	"liftbank/rules/motor"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// The values that go in and out are those of package unit and package view.
type (
	Input         = unit.Scan
	Moment        = unit.Moment
	Reading       = unit.Reading
	Quality       = unit.Quality
	Contact       = unit.Contact
	Edge          = unit.Edge
	BatteryInput  = unit.Battery
	Estimate      = unit.Estimate
	BatteryConfig = view.Spec
	BatteryState  = view.BatteryState
	LinkState     = view.LinkState
	BankState     = view.BankState
	MotorState    = view.MotorState
	FeedState     = view.FeedState
	ServiceKind   = view.ServiceKind
	Balance       = daily.Balance
)

// MaxBatteries is the largest bank.
const MaxBatteries = unit.MaxBatteries // count: batteries; our choice

// Output is what the engine knows after a step. It belongs to the engine: read it before the next
// Step, copy what is kept.
type Output struct {
	view.State
	Findings []finding.Record // every finding that this unit can have, in a fixed order, normal ones included
	Events   []Event          // what happened in this step, in order
}

// EventKind says what happened.
type EventKind uint8

// Kinds of event.
const (
	RunEnded EventKind = iota
	FindingRaised
	FindingCleared
	FindingChanged // acknowledged, shelved and so on: see Event.Change
	WorkEnded      // by itself, as its time was over
)

// Event is one thing that happened in a step.
type Event struct {
	Kind    EventKind
	Run     motor.Run      // of RunEnded
	Finding int            // index into Output.Findings, of the finding kinds
	Change  finding.Change // of the finding kinds: its sequence number, who did it
	Work    view.Work      // of WorkEnded: who had begun it, and how
}
