// Package sensors reads the board: analog channels through input chips and contacts through pins,
// on a schedule, as one [Scan] after another.
//
// It does not know what a channel means for a battery. A reading has a value in the channel's unit,
// the time it is of, and a [Fault]; a failed transfer never becomes a value. It does not know any
// kind of chip either: a package for each kind implements [Chip] and [Input] and declares a [Kind].
//
// A [Board] scans once every RestEvery at rest. When the motor starts, which a contact or the
// current alone shows, it scans as fast as the chips convert, until RunTail after the stop. All
// chips convert side by side. A chip that does not answer is retried briefly, then left alone and
// probed now and then, so that it cannot delay the others.
//
// A board, its chips and its bus belong to one goroutine. Time comes from a [Clock]: the real one
// here, a scaled or a stepped one elsewhere.
//
// Measured on a two-core x86-64 machine with Go 1.26 and emulated chips: a scan of eight channels
// on two chips takes 2 to 3 µs of CPU time down to the registers, without allocation; in real time
// a run is scanned 220 times per second with three inputs on the busier chip (1.5 ms per input), at
// 3 % of a core. A real bus adds the time of its transfers. At rest, waking up is nearly the whole
// cost: once for each input of the busier chip, and once for the scan.
package sensors
