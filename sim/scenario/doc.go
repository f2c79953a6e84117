// Package scenario describes what happens to a simulated unit, as plain structs: its bank and how
// far that has aged, its wiring, feed, motor, duty and weather, what goes wrong and when, how its
// sensors err, and a seed. [Kinds] lists what can go wrong with the unit and [SensorKinds] what can
// with its board.
//
// It also holds a library of named scenarios, as files that somebody else reads. A scenario is
// added by putting a file into the folder library.
package scenario
