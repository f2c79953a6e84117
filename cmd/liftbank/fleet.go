//go:build !board

package main

// fleetCmd is the group of commands for the fleet's side.
type fleetCmd struct {
	Demo       fleetDemoCmd       `cmd:"" help:"Run a whole fleet in one process: simulated units, broker, collector, the desk's pages."`
	Run        fleetRunCmd        `cmd:"" help:"Collect what units send over MQTT into a database, and answer them."`
	Quarantine fleetQuarantineCmd `cmd:"" help:"Messages that were refused: list, replay, drop."`
	Export     fleetExportCmd     `cmd:"" help:"Print records of all units as JSON lines or CSV."`
	Alarms     fleetAlarmsCmd     `cmd:"" help:"Report how many alarms there were, by the figures of ISA-18.2."`
	Refill     fleetRefillCmd     `cmd:"" help:"Send series to a time-series database again, from a time on."`
	Enrol      fleetEnrolCmd      `cmd:"" help:"Make keys, certificates and configurations for units, and certificates for the broker and what reads from it."`
	Authority  fleetAuthorityCmd  `cmd:"" help:"The fleet's certificate authority: make it, renew, revoke, list."`
	User       fleetUserCmd       `cmd:"" help:"Who may sign in at the desk's pages: add, list, remove, set a password."`
	Units      fleetUnitsCmd      `cmd:"" help:"What the desk knows of units (place, group, model, contact): import and export as CSV."`
	Check      fleetCheckCmd      `cmd:"" help:"Check a folder of unit configurations, with the certificates beside them."`
	Load       fleetLoadCmd       `cmd:"" help:"Play what many units send against a broker, and watch what the collector confirms."`
}
