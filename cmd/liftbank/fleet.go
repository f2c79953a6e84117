package main

// fleetCmd is the group of commands for the fleet's side.
type fleetCmd struct {
	Demo      fleetDemoCmd      `cmd:"" help:"Run a whole fleet in one process: simulated units, broker, collector, the desk's pages."`
	Load      fleetLoadCmd      `cmd:"" help:"Play what many units send against a broker, and watch what the collector confirms."`
	Run       fleetRunCmd       `cmd:"" help:"Collect what units send over MQTT into a database, and answer them."`
	Enrol     fleetEnrolCmd     `cmd:"" help:"Make keys, certificates and configurations for units, and certificates for the broker and what reads from it."`
	Authority fleetAuthorityCmd `cmd:"" help:"The fleet's certificate authority: make it, renew, revoke, list."`
	User      fleetUserCmd      `cmd:"" help:"Who may sign in at the desk's pages: add, list, remove, set a password."`
	Import    fleetImportCmd    `cmd:"" help:"Import units' data (place, group, model, contact) from CSV."`
	Export    fleetExportCmd    `cmd:"" help:"Export units' data as CSV."`
	Check     fleetCheckCmd     `cmd:"" help:"Check a folder of unit configurations, with the certificates beside them."`
}
