package main

// fleetCmd is the group of commands for the fleet's side.
type fleetCmd struct {
	Demo      fleetDemoCmd      `cmd:"" help:"Run a whole fleet in one process: simulated units, broker, collector, the desk's pages."`
	Load      fleetLoadCmd      `cmd:"" help:"Play what many units send against a broker, and watch what the collector confirms."`
	Enrol     fleetEnrolCmd     `cmd:"" help:"Make keys, certificates and configurations for units, and certificates for the broker and what reads from it."`
	Authority fleetAuthorityCmd `cmd:"" help:"The fleet's certificate authority: make it, renew, revoke, list."`
	Check     fleetCheckCmd     `cmd:"" help:"Check a folder of unit configurations, with the certificates beside them."`
}
