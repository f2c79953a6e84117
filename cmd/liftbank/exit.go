package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Exit codes of every command. deploy/systemd/liftbank.service names exitConfig: no program that the
// Go runtime ends after a crash exits with it.
const (
	exitFailed = 1  // it ran and failed
	exitUsage  = 2  // a flag, an argument or an input file is wrong: nothing was begun
	exitConfig = 78 // run's configuration or flags can't be used, or that of check or replay (EX_CONFIG of sysexits.h)
)

// exitCodes is the table that help, man page and README have.
var exitCodes = []struct {
	code int
	when string
}{
	{0, "done"},
	{exitFailed, "the command ran and failed, was interrupted, or check found something that does not work"},
	{exitUsage, "a flag, an argument or an input file is wrong; nothing was begun"},
	{exitConfig, "the configuration, or a flag of run, can't be used; nothing was begun, and the service is not started again"},
}

// exitTable returns the exit codes, a line each.
func exitTable() string {
	var b strings.Builder
	for _, e := range exitCodes {
		fmt.Fprintf(&b, "  %-3d %s\n", e.code, e.when)
	}
	return b.String()
}

// usageError is an error of what the command was given.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

// configError is an error of a configuration that can't be read or used.
type configError struct{ error }

func (c configError) Unwrap() error { return c.error }

// shownError is an error whose text is already where it belongs, as in a JSON document.
type shownError struct{ error }

func (e shownError) Unwrap() error { return e.error }

// exitCodeOf returns the exit code for an error of a command. A flag of run is a part of the service's
// set-up: starting it again would not help either.
func exitCodeOf(command string, err error) int {
	code := exitCode(err)
	if code == exitUsage && (command == "run" || command == "fleet run") {
		code = exitConfig
	}
	if code == exitConfig {
		tellManager(err)
	}
	return code
}

func exitCode(err error) int {
	if _, bad := errors.AsType[configError](err); bad {
		return exitConfig
	}
	if _, usage := errors.AsType[usageError](err); usage {
		return exitUsage
	}
	return exitFailed
}

// tellManager says on one line of the service's status why it is not started again.
func tellManager(err error) {
	line, _, more := strings.Cut(err.Error(), "\n")
	if more {
		line += " ..."
	}
	// Without a service manager there is nobody to tell, and the log has it anyway.
	_, _ = daemon.SdNotify(false, "STATUS=not started until the set-up is right: "+line)
}
