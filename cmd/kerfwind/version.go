package main

import (
	"cmp"
	"runtime/debug"
)

// version is set by the build of a package: -ldflags "-X main.version=1.2.3".
var version string

// versionText says what this binary was built from.
func versionText() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return cmp.Or(version, "unknown")
	}
	// Without a package: "(devel)", or made from the commit.
	return cmp.Or(version, info.Main.Version) + ", " + info.GoVersion
}
