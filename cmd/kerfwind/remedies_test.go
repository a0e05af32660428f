package main

import (
	"go/ast"
	"go/token"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

var (
	namedFlag    = regexp.MustCompile(`(?:^|[\s("=])--([a-z][a-z0-9-]+)`)
	namedCommand = regexp.MustCompile(`\bkerfwind ([a-z]+)(?: ([a-z]+))?((?: --[a-z-]+| [A-Z]+)*)`)
)

// foreign are flags of other programs that our texts name.
var foreign = []string{"user", "version", "help", "vacuum-size"}

// TestRemediesExist reads every text in the program. A flag that a text names is one of
// a command, and where the text names the command as well, of that one; a command that
// is named is there.
func TestRemediesExist(t *testing.T) {
	flags := map[string][]string{} // by flag: the commands that have it
	commands := map[string]*cobra.Command{}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		path := strings.TrimPrefix(strings.TrimPrefix(c.CommandPath(), "kerfwind"), " ")
		commands[path] = c
		c.LocalFlags().VisitAll(func(f *pflag.Flag) { flags[f.Name] = append(flags[f.Name], path) })
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
	fset, files := parseModule(t)
	found := 0
	for _, f := range files {
		if f.test || !strings.HasPrefix(f.pkg, "cmd/") && f.pkg != "config" && f.pkg != "sensor/trace" {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			lit, ok := n.(*ast.BasicLit)
			if !ok || lit.Kind != token.STRING {
				return true
			}
			text, err := strconv.Unquote(lit.Value)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range namedFlag.FindAllStringSubmatch(text, -1) {
				found++
				if flags[m[1]] == nil && !slices.Contains(foreign, m[1]) {
					t.Errorf("%s: no command has --%s: %q", fset.Position(lit.Pos()), m[1], text)
				}
			}
			for _, m := range namedCommand.FindAllStringSubmatch(text, -1) {
				c, there := commands[m[1]]
				if !there {
					continue // the program's name in a sentence: "kerfwind runs"
				}
				found++
				if sub, deeper := commands[m[1]+" "+m[2]]; deeper {
					c = sub
				}
				for _, flag := range strings.Fields(m[3]) {
					if name, is := strings.CutPrefix(flag, "--"); is && c.Flags().Lookup(name) == nil {
						t.Errorf("%s: kerfwind %s has no %s: %q", fset.Position(lit.Pos()), m[1], flag, text)
					}
				}
			}
			return true
		})
	}
	if found < 100 {
		t.Errorf("only %d flags and commands are named", found)
	}
}
