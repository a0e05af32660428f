package main

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"kerfwind/testdata/peers"
)

// manDir is where TestManPages leaves its pages, for the package. Writing them
// is a test so that the program does not carry the writer.
var manDir = flag.String("man", "", "write the manual pages of section 1 into this folder")

// roff escapes text for a line of running text. A line must not begin with a
// control character.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, `"`, `\(dq`).Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

// commandPath is a command's words joined by hyphens, the name of its page.
func commandPath(c *cobra.Command) string { return strings.ReplaceAll(c.CommandPath(), " ", "-") }

// manPage is the page of one command in the macros of man(7).
func manPage(c *cobra.Command) string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	name := commandPath(c)
	line(`.TH %s 1`, strings.ToUpper(name))
	line(".SH NAME\n%s \\- %s", roff(name), roff(c.Short))
	line(".SH SYNOPSIS\n.B %s", roff(c.CommandPath()))
	if _, rest, ok := strings.Cut(c.UseLine(), c.CommandPath()+" "); ok {
		line("%s", roff(rest))
	}
	line(".SH DESCRIPTION")
	for i, par := range strings.Split(cmp.Or(c.Long, c.Short+"."), "\n\n") {
		if i > 0 {
			line(".PP")
		}
		for l := range strings.Lines(par) {
			line("%s", roff(strings.TrimSpace(l)))
		}
	}
	var subs []*cobra.Command
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() && sub.Name() != "help" {
			subs = append(subs, sub)
		}
	}
	if len(subs) > 0 {
		line(".SH COMMANDS")
		for _, sub := range subs {
			line(".TP\n.BR %s (1)\n%s", roff(commandPath(sub)), roff(sub.Short))
		}
	}
	if c.NonInheritedFlags().HasAvailableFlags() {
		line(".SH OPTIONS")
		c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
			if f.Hidden {
				return
			}
			tag := `\fB\-\-` + roff(f.Name) + `\fR`
			if f.Shorthand != "" {
				tag = `\fB\-` + f.Shorthand + `\fR, ` + tag
			}
			word, usage := pflag.UnquoteUsage(f)
			if word != "" {
				tag += ` \fI` + roff(word) + `\fR`
			}
			if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "0" && f.DefValue != "[]" {
				usage += " (default " + f.DefValue + ")"
			}
			line(".TP\n%s\n%s", tag, roff(usage))
		})
	}
	if c.Example != "" {
		line(".SH EXAMPLES\n.nf")
		for l := range strings.Lines(c.Example) {
			line("%s", roff(strings.TrimRight(strings.TrimPrefix(l, "  "), "\n")))
		}
		line(".fi")
	}
	line(".SH EXIT STATUS")
	for _, e := range []struct {
		code int
		text string
	}{
		{0, "All is well."},
		{exitFailure, "The command could not do its work, or a comparison differs."},
		{exitUsage, "Unknown command, flag or argument."},
		{exitConfig, "A rig or shop file cannot be used."},
		{exitHardware, "A bus, line or chip cannot be used."},
	} {
		line(".TP\n.B %d\n%s", e.code, e.text)
	}
	line(".SH SEE ALSO")
	if c.HasParent() {
		line(".BR %s (1),", roff(commandPath(c.Parent())))
	}
	line(".BR kerfwind\\-rig.toml (5),\n.BR kerfwind\\-shop.toml (5)")
	return b.String()
}

// manPages returns a page for every command that a person may type.
func manPages() map[string]string {
	root := newRoot()
	pages := map[string]string{}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		c.InitDefaultHelpFlag()
		c.InitDefaultVersionFlag()
		pages[commandPath(c)+".1"] = manPage(c)
		for _, sub := range c.Commands() {
			if sub.IsAvailableCommand() && sub.Name() != "help" {
				walk(sub)
			}
		}
	}
	walk(root)
	return pages
}

// TestManPages writes the pages and looks for what they must hold.
func TestManPages(t *testing.T) {
	dir := cmp.Or(*manDir, t.TempDir())
	pages := manPages()
	for _, name := range []string{"kerfwind.1", "kerfwind-check.1", "kerfwind-replay.1", "kerfwind-trace-make.1"} {
		if !strings.Contains(pages[name], ".SH DESCRIPTION\n") {
			t.Errorf("no page %s", name)
		}
	}
	if !strings.Contains(pages["kerfwind-check.1"], "\n\\fB\\-\\-rig\\fR \\fIstring\\fR\nrig file\n") {
		t.Errorf("the page of check lacks its flag --rig:\n%s", pages["kerfwind-check.1"])
	}
	writePages(t, dir, pages)
}

func writePages(t *testing.T, dir string, pages map[string]string) (files []string) {
	t.Helper()
	for name, text := range pages {
		path := filepath.Join(dir, name)
		files = append(files, path)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return files
}

// TestManPagesLint has every page read by a program that knows the format.
func TestManPagesLint(t *testing.T) {
	mandoc := peers.Require(t, "mandoc", "Debian package mandoc")
	own, err := filepath.Glob(filepath.Join(moduleRoot, "deploy", "man", "*.5"))
	if err != nil || len(own) != 2 {
		t.Fatalf("%d pages in deploy/man, %v", len(own), err)
	}
	files := append(writePages(t, t.TempDir(), manPages()), own...)
	out, _ := exec.Command(mandoc, append([]string{"-T", "lint", "-W", "warning"}, files...)...).CombinedOutput() // its status says what its lines say
	for l := range strings.Lines(string(out)) {
		if !strings.Contains(l, "missing date") { // the package puts it in
			t.Error(strings.TrimSpace(l))
		}
	}
}
