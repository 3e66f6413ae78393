package main

import (
	"runtime/debug"
	"strings"
)

// release is the version of a release, set by the linker (.goreleaser.yaml) and by nothing else.
var release string

// version is the release, or what the Go tool stamped into the program: a version, or the revision it was built from.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unreleased"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return strings.TrimPrefix(v, "v")
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return "unreleased, revision " + s.Value[:12]
		}
	}
	return "unreleased"
}
