package main

import (
	"bytes"
	"errors"
	"flag"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"
)

// documents are the texts that people read first.
var documents = []string{"README.md", "SAFETY.md", "DEVELOPERS.md", "deploy/README.md"}

// readDoc returns a document, or nothing where it does not exist.
func readDoc(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(moduleRoot, name))
	if os.IsNotExist(err) && name == "deploy/README.md" {
		return ""
	}
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

var (
	inlineCommand = regexp.MustCompile("`kerfwind ([^`]+)`")
	shBlock       = regexp.MustCompile("(?ms)^```sh\n(.*?)^```")
	link          = regexp.MustCompile(`\]\(([^)#]+)[^)]*\)`)
)

// commandsIn lists the command lines of kerfwind, without its name, that a
// document shows in its sh blocks and in its running text.
func commandsIn(doc string) []string {
	var list []string
	for _, block := range shBlock.FindAllStringSubmatch(doc, -1) {
		for line := range strings.Lines(block[1]) {
			line, _, _ = strings.Cut(strings.TrimSpace(line), " #")
			line = strings.TrimPrefix(line, "go run ./cmd/")
			if args, ok := strings.CutPrefix(line, "kerfwind "); ok {
				args, _, _ = strings.Cut(args, " | ")
				args, _, _ = strings.Cut(args, " > ")
				list = append(list, args)
			}
		}
	}
	for _, m := range inlineCommand.FindAllStringSubmatch(doc, -1) {
		list = append(list, m[1])
	}
	return list
}

// checkCommand says what is wrong with a command line: no such subcommand, or
// no such flag.
func checkCommand(line string) string {
	cmd, rest, err := newRoot().Find(strings.Fields(line))
	switch {
	case err != nil:
		return err.Error()
	case !cmd.Runnable() && !cmd.HasSubCommands():
		return "no such subcommand"
	}
	if err := cmd.ParseFlags(rest); err != nil && !errors.Is(err, pflag.ErrHelp) {
		return err.Error()
	}
	return ""
}

// TestDocumentedCommands holds every command that a document shows to the
// program's own subcommands and flags. That they do what the text says is
// checked by running them, in .ci/run.
func TestDocumentedCommands(t *testing.T) {
	n := 0
	for _, name := range documents {
		for _, c := range commandsIn(readDoc(t, name)) {
			n++
			if why := checkCommand(c); why != "" {
				t.Errorf("%s: kerfwind %s: %s", name, c, why)
			}
		}
	}
	if n < 3 {
		t.Errorf("found only %d commands in %q", n, documents)
	}
}

func TestDocumentedCommandsCatch(t *testing.T) {
	doc := "text `kerfwind check --nonsense` and\n\n```sh\ngo run ./cmd/kerfwind nonsense x # but why\nkerfwind check --help | head\nls\n```\n"
	got := commandsIn(doc)
	want := []string{"nonsense x", "check --help", "check --nonsense"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Fatalf("got %q, want %q", got, want)
	}
	for _, c := range []string{"nonsense x", "check --nonsense"} {
		if checkCommand(c) == "" {
			t.Errorf("%s: not caught", c)
		}
	}
}

// quote is the part of the demo's output that README shows.
var quote = regexp.MustCompile("(?ms)^<!-- Lines of the demo's own output.*?-->\n```text\n(.*?)^```")

// differs says where shown departs from the lines of out: each line must
// follow the one before it, or come somewhere after a line of three dots.
func differs(shown, out string) string {
	rest := strings.Split(strings.TrimRight(out, "\n"), "\n")
	skip := false
	for line := range strings.Lines(shown) {
		line = strings.TrimRight(line, "\n")
		if line == "..." {
			skip = true
			continue
		}
		i := slices.Index(rest, line)
		if i < 0 || i > 0 && !skip {
			return line
		}
		rest, skip = rest[i+1:], false
	}
	if len(rest) > 0 && !skip {
		return "there is more: " + rest[0]
	}
	return ""
}

var rewrite = flag.Bool("rewrite", false, "write the lines of the demo into README.md anew")

// figures are what may change in a line that is quoted again.
var figures = regexp.MustCompile(`[0-9][0-9.:]*`)

// requote takes the lines of shown from out again, by their words, whatever
// their figures. It returns a line that out no longer has as missing.
func requote(shown, out string) (quoted, missing string) {
	words := func(line string) string { return figures.ReplaceAllString(line, "#") }
	rest := strings.Split(strings.TrimRight(out, "\n"), "\n")
	for line := range strings.Lines(shown) {
		line = strings.TrimRight(line, "\n")
		if line == "..." {
			continue
		}
		i := slices.IndexFunc(rest, func(l string) bool { return words(l) == words(line) })
		if i < 0 {
			return "", line
		}
		if i > 0 {
			quoted += "...\n"
		}
		quoted += rest[i] + "\n"
		rest = rest[i+1:]
	}
	if len(rest) > 0 {
		quoted += "...\n"
	}
	return quoted, ""
}

// TestReadmeTimeline holds the timeline in README to what the demo prints.
func TestReadmeTimeline(t *testing.T) {
	m := quote.FindStringSubmatch(readDoc(t, "README.md"))
	if m == nil {
		t.Fatal("README.md shows no output of the demo")
	}
	var out bytes.Buffer
	root := newRoot()
	root.SetOut(&out)
	root.SetArgs([]string{"demo", "--plain"})
	if err := root.Execute(); err != nil {
		t.Fatal(err)
	}
	if *rewrite {
		quoted, missing := requote(m[1], out.String())
		if missing != "" {
			t.Fatalf("the demo no longer prints this line of README.md, nor one like it:\n%s", missing)
		}
		name := filepath.Join(moduleRoot, "README.md")
		if err := os.WriteFile(name, []byte(strings.Replace(readDoc(t, "README.md"), m[1], quoted, 1)), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if line := differs(m[1], out.String()); line != "" {
		t.Errorf("README.md shows a line that the demo does not print there; if the demo is right, run with -rewrite:\n%s", line)
	}
}

func TestReadmeTimelineCatch(t *testing.T) {
	const out = "a\nb\nc\nd\n"
	for shown, want := range map[string]string{
		"a\nb\nc\nd\n":     "",
		"a\n...\nc\nd\n":   "",
		"a\nc\n...\n":      "c",
		"...\nb\n...\n":    "",
		"...\nx\n...\n":    "x",
		"a\nb\n":           "there is more: c",
		"...\nc\n...\nb\n": "b",
		"b\n...\n":         "b",
	} {
		if got := differs(shown, out); got != want {
			t.Errorf("%q: got %q, want %q", shown, got, want)
		}
	}
}

func TestRequote(t *testing.T) {
	const out = "0:01 a\n0:02 b\n0:03 c\n0:04 b\n"
	for shown, want := range map[string]string{
		"0:07 a\n...\n":              "0:01 a\n...\n",
		"0:09 b\n...\n0:09 b\n":      "...\n0:02 b\n...\n0:04 b\n",
		"...\n0:09 c\n0:10 b\n":      "...\n0:03 c\n0:04 b\n",
		"0:01 a\n0:05 c\n...\n":      "0:01 a\n...\n0:03 c\n...\n",
		"0:01 a\n...\n0:02 x\n...\n": "",
	} {
		got, missing := requote(shown, out)
		if got != want || (missing != "") != (want == "") {
			t.Errorf("%q: got %q, missing %q, want %q", shown, got, missing, want)
		}
		if got != "" && differs(got, out) != "" {
			t.Errorf("%q is not a quotation", got)
		}
	}
}

// TestLinks holds links between documents to files that exist.
func TestLinks(t *testing.T) {
	for _, name := range documents {
		for _, m := range link.FindAllStringSubmatch(readDoc(t, name), -1) {
			if u, err := url.Parse(m[1]); err != nil || u.Scheme != "" {
				continue
			}
			target := filepath.Join(moduleRoot, filepath.Dir(name), m[1])
			if _, err := os.Stat(target); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// topLevel is what may lie in the module's folder, besides dot-files. Wiring,
// units and packages will come into deploy.
var topLevel = []string{
	"cmd", "sensor", "control", "config", "deploy", "testdata",
	"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "SAFETY.md", "LICENSE",
}

// TestTopLevel keeps the module's folder to the list above. A binary that
// "go build" leaves there is ignored.
func TestTopLevel(t *testing.T) {
	entries, err := os.ReadDir(moduleRoot)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		name := e.Name()
		built := name == "kerfwind" || strings.HasSuffix(name, ".test") || strings.HasSuffix(name, ".prof")
		if !slices.Contains(topLevel, name) && !strings.HasPrefix(name, ".") && !built {
			t.Errorf("%s does not belong in the module's folder", name)
		}
	}
}

// TestReadmeNamesEveryCommand: whoever reads the list of commands there finds all.
func TestReadmeNamesEveryCommand(t *testing.T) {
	readme := readDoc(t, "README.md")
	for _, c := range newRoot().Commands() {
		if name := c.Name(); name != "completion" && name != "help" && !strings.Contains(readme, "`kerfwind "+name+"`") {
			t.Errorf("README's list of commands lacks kerfwind %s", name)
		}
	}
}
