package main

import "runtime/debug"

// version is set by the build of a package: -ldflags "-X main.version=1.2.3".
var version string

// versionText says what this binary was built from.
func versionText() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return version
	}
	v := version
	if v == "" {
		v = info.Main.Version // "(devel)", or made from the commit
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 && version != "" {
			v += " (" + s.Value[:12] + ")"
		}
	}
	return v + ", " + info.GoVersion
}
