package main

import (
	"io/fs"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestHelpTexts: every text belongs to a command, and every command that stands
// by itself has one.
func TestHelpTexts(t *testing.T) {
	var names []string
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		_, name, sub := strings.Cut(commandPath(c), "-")
		names = append(names, "help/"+name+".txt")
		if sub && c.Parent() == c.Root() && c.Runnable() && c.Long == "" && name != "trace" {
			t.Errorf("%s: there is no help/%s.txt", c.CommandPath(), name)
		}
		if strings.Contains(c.Long, "Examples:") || c.Example != "" && !strings.HasPrefix(c.Example, "  kerfwind ") {
			t.Errorf("%s: examples come last, each as a line \"  kerfwind ...\", after an empty line and \"Examples:\"", c.CommandPath())
		}
		for _, s := range c.Commands() {
			walk(s)
		}
	}
	walk(newRoot())
	files, err := fs.Glob(helpTexts, "help/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		if !slices.Contains(names, f) {
			t.Errorf("%s belongs to no command", f)
		}
	}
}
