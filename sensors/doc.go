// Package sensors reads the board: analogue channels through converters and contacts through pins, on a schedule, as one
// [Scan] after the other.
//
// It knows nothing of what a channel means for a battery. A reading has a value in the channel's unit, the time it is of,
// and a [Fault]; a failed transfer never becomes a value.
//
// A [Board] scans once every RestEvery at rest. When the motor starts, told by a contact or by current alone, it
// scans as fast as the chips convert, until RunTail after the stop. All chips convert side by side. A chip that
// does not answer is tried again a little, then left alone and asked now and then, so that it cannot hold up the rest.
//
// A board, its converters and its bus belong to one goroutine. Time comes from a [Clock]: the real one here, a scaled or a
// stepped one elsewhere.
//
// Measured on a two-core x86-64 machine with Go 1.26 and emulated chips: a scan of eight channels on two chips takes 2 to 3 µs of
// CPU time down to the registers, without allocation; in real time a run is scanned 220 times a second with three inputs on
// the busier chip (1.5 ms an input), for 3 % of a core. A real bus adds the time of its transfers. At rest nearly all cost
// is waking up: once for each input of the busier chip, and once for the scan.
package sensors
