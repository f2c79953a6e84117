package main

// fleetCmd is the group of commands for the fleet's side.
type fleetCmd struct {
	Enrol     fleetEnrolCmd     `cmd:"" help:"Make keys, certificates and configurations for units, and certificates for the broker and what reads from it."`
	Authority fleetAuthorityCmd `cmd:"" help:"The fleet's certificate authority: make it, renew, revoke, list."`
	Check     fleetCheckCmd     `cmd:"" help:"Check a folder of unit configurations, with the certificates beside them."`
}
