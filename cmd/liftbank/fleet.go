package main

// fleetCmd is the group of commands for the fleet's side.
type fleetCmd struct {
	Run        fleetRunCmd        `cmd:"" help:"Collect what units send over MQTT into a database, and answer them."`
	Quarantine fleetQuarantineCmd `cmd:"" help:"Messages that were refused: list, replay, drop."`
	Export     fleetExportCmd     `cmd:"" help:"Print records of all units as JSON lines or CSV."`
	Enrol      fleetEnrolCmd      `cmd:"" help:"Make keys, certificates and configurations for units, and certificates for the broker and what reads from it."`
	Authority  fleetAuthorityCmd  `cmd:"" help:"The fleet's certificate authority: make it, renew, revoke, list."`
	User       fleetUserCmd       `cmd:"" help:"Who may sign in at the desk's pages: add, list, remove, set a password."`
	Units      fleetUnitsCmd      `cmd:"" help:"What the desk knows of units (place, group, model, contact): import and export as CSV."`
	Check      fleetCheckCmd      `cmd:"" help:"Check a folder of unit configurations, with the certificates beside them."`
}
