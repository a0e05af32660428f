package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets the scripts run this test binary as kerfwind.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"kerfwind": func() { os.Exit(run(os.Args[1:])) },
		"kerfwind-on-tape": func() {
			realRig = rigOnTape
			os.Exit(run(os.Args[1:]))
		},
		"kerfwind-on-file": func() {
			realRig = rigOnFile
			os.Exit(run(os.Args[1:]))
		},
	})
}

// scriptsMost bounds all scripts together: whoever still waits then is ended and
// named, with what it has said.
const scriptsMost = 8 * time.Minute

// TestScripts runs the program as a person would; see testdata/script.
func TestScripts(t *testing.T) {
	demo, err := filepath.Abs(filepath.Join(moduleRoot, "testdata", "demo"))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join(moduleRoot, "testdata", "script"),
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Deadline:            time.Now().Add(scriptsMost),
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"barn-history": barnHistory, "await": await, "rest": rest, "anew": anew, "hang-up": hangUp, "shop": shop,
			"topics-setup": topicsSetup, "topics-ask": topicsAsk, "topics-metric": topicsMetric},
		Setup: func(e *testscript.Env) error {
			e.Setenv("DEMO", demo)
			return nil
		},
	})
}
