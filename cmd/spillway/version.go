package main

import (
	"runtime/debug"
	"strings"
)

// version is what the Go tool stamped into the program: the tag it was built at, or the revision.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "unreleased"
	}
	return strings.TrimPrefix(info.Main.Version, "v")
}
