// Package peers finds what a test compares the program with: other programs,
// Python modules, a water-network solver and a folder of recordings. Where one
// is missing the test is skipped with a message that says what to install.
// Under KERFWIND_PEERS=require the test fails instead, so that a build machine
// cannot pass by having nothing to compare with.
//
// Only tests import it. It sits below testdata, so that ./... leaves it alone.
package peers

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// The environment variables that tests of this module read.
const (
	EnvPeers  = "KERFWIND_PEERS"  // "require": a missing peer fails the test
	EnvShared = "KERFWIND_SHARED" // folder of recordings and reference solvers
	EnvEpanet = "KERFWIND_EPANET" // folder into which npm has installed epanet-js
	EnvAxe    = "KERFWIND_AXE"    // folder into which npm has installed axe-core
)

// Require returns the path of a program. It skips the test where the program
// is missing. hint says how to get it, for example the Debian package.
func Require(t testing.TB, program, hint string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		missing(t, "no program %s (%s)", program, hint)
	}
	return path
}

// Python returns the system's Python 3, in which every module named can be
// imported: numpy and fluids are Debian's python3-numpy and python3-fluids.
// It asks /usr/bin/python3 first, since a Python of one's own in front of it on
// the path does not see Debian's modules.
func Python(t testing.TB, modules ...string) string {
	t.Helper()
	python := "/usr/bin/python3"
	if _, err := os.Stat(python); err != nil {
		python = Require(t, "python3", "Debian package python3")
	}
	for _, m := range modules {
		if out, err := exec.Command(python, "-c", "import "+m).CombinedOutput(); err != nil {
			missing(t, "%s cannot import %s (Debian package python3-%s): %v\n%s", python, m, m, err, out)
		}
	}
	return python
}

// Epanet returns Node's path and the folder in which a script can import
// epanet-js: the one that KERFWIND_EPANET names, after
// "npm install --prefix FOLDER epanet-js".
func Epanet(t testing.TB) (node, folder string) {
	t.Helper()
	node = Require(t, "node", "Debian package nodejs")
	folder = os.Getenv(EnvEpanet)
	if folder == "" {
		missing(t, "%s names no folder with epanet-js", EnvEpanet)
	}
	if _, err := os.Stat(filepath.Join(folder, "node_modules", "epanet-js")); err != nil {
		missing(t, "%s: %v", EnvEpanet, err)
	}
	return node, folder
}

// Axe returns the script of the accessibility checker axe-core: below the
// folder that KERFWIND_AXE names, after "npm install --prefix FOLDER axe-core".
func Axe(t testing.TB) (script string) {
	t.Helper()
	folder := os.Getenv(EnvAxe)
	if folder == "" {
		missing(t, "%s names no folder with axe-core", EnvAxe)
	}
	script = filepath.Join(folder, "node_modules", "axe-core", "axe.min.js")
	if _, err := os.Stat(script); err != nil {
		missing(t, "%s: %v", EnvAxe, err)
	}
	return script
}

// Shared returns the path of a file or folder among the shared recordings and
// reference solvers. They are no part of this repository: KERFWIND_SHARED names
// their folder, else it is "shared" beside the folder of the module. Where the
// path is absent the test is skipped; it fails if KERFWIND_SHARED is set.
func Shared(t testing.TB, elem ...string) string {
	t.Helper()
	folder := os.Getenv(EnvShared)
	set := folder != ""
	if !set {
		folder = filepath.Join(root(t), "..", "shared")
	}
	path := filepath.Join(append([]string{folder}, elem...)...)
	if _, err := os.Stat(path); err != nil {
		if set {
			t.Fatalf("%s is set, but: %v", EnvShared, err)
		}
		t.Skipf("no shared recordings: %v", err)
	}
	return path
}

// root is the module's folder, found from the test's working directory.
func root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test's folder")
		}
		dir = up
	}
}

// missing skips the test, or fails it under KERFWIND_PEERS=require.
func missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv(EnvPeers) == "require" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// BelowUntil says of shared recordings whose current first stays below 0.6 A, on the
// scale of 10 A steady, when it reaches that: computed from the file's samples. Until
// then there need be no run, whatever the label of the switch says. This one draws
// 0.97 A for a cycle as it is switched on, and then 0.12 A until its compressor starts:
// where the cycle begins decides whether the first is taken for a start.
var BelowUntil = map[string]time.Duration{
	"rebuilt/plaid_air_conditioner_002.wav": 1117 * time.Millisecond,
}
