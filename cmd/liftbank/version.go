package main

import (
	"fmt"
	"io"
	"runtime/debug"
	"strings"

	"github.com/alecthomas/kong"
)

// release is the version that the package build sets: -ldflags '-X main.release=0.1.0'.
var release string

// version is that of the program: the release, or else what the tool chain took from the repository,
// a tag or time and revision.
var version = versionOf(release, buildInfo())

// versionOf returns the version that was set, or else the build's.
func versionOf(set string, info *debug.BuildInfo) string {
	if set != "" {
		return set
	}
	if v := strings.TrimPrefix(info.Main.Version, "v"); v != "" && v != "(devel)" {
		return v
	}
	return "devel"
}

func buildInfo() *debug.BuildInfo {
	if info, ok := debug.ReadBuildInfo(); ok {
		return info
	}
	return &debug.BuildInfo{}
}

// revision returns the source's revision that the tool chain recorded.
func revision() string {
	for _, kv := range buildInfo().Settings {
		if kv.Key == "vcs.revision" {
			return kv.Value
		}
	}
	return "unknown"
}

func printVersion(w io.Writer) error {
	_, err := fmt.Fprintf(w, "liftbank %s %s\n", version, revision())
	return err
}

// versionFlag prints the version and stops parsing before anything else is wanted of the command
// line.
type versionFlag bool

// BeforeReset runs before flags are validated.
func (versionFlag) BeforeReset(ctx *kong.Context) error {
	if err := printVersion(ctx.Stdout); err != nil {
		return err
	}
	return errAnswered
}

type versionCmd struct{}

// Run prints version and revision.
func (versionCmd) Run(s streams) error { return printVersion(s.out) }
