package main

import (
	"fmt"
	"io"
	"runtime/debug"
	"strings"
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
	_, err := fmt.Fprintf(w, "liftbank %s %s, %s\n", version, revision(), about)
	return err
}

type versionCmd struct{}

// Run prints version and revision.
func (versionCmd) Run(s streams) error { return printVersion(s.out) }
