package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// module is the path before every package of ours; moduleRoot is its folder,
// seen from this package.
const (
	module     = "kerfwind"
	moduleRoot = "../.."
)

// room says what a package may import. Standard library packages are free
// unless banned; packages and modules of ours and of others must be listed.
type room struct {
	ours   []string // packages of this module, "*" for every one outside cmd
	others []string // modules of others, with all their packages; "*" for any
	bans   []ban
}

// ban forbids an import path and everything below it, and says why.
type ban struct{ path, why string }

// Standard library packages that some rooms must not import.
var (
	bansIO = []ban{
		{"os", "no I/O here: what it needs comes in as a value"},
		{"io/fs", "no I/O here: what it needs comes in as a value"},
		{"io/ioutil", "no I/O here: what it needs comes in as a value"},
		{"net", "no I/O here: what it needs comes in as a value"},
		{"syscall", "no I/O here: what it needs comes in as a value"},
		{"embed", "no files here: what it needs comes in as a value"},
		{"unsafe", "no memory tricks between a sample and a command"},
		{"log", "it returns events and errors; the caller logs"},
		{"context", "its deadlines run on the real clock"},
		{"testing", "the shipped program must not know that it is tested"},
	}
	bansThreads = []ban{
		{"sync", "single-threaded: nobody else holds its state, so there is nothing to lock"}, // but see published
		{"runtime", "what it decides must not depend on the machine it runs on"},
	}
	bansChance = []ban{
		{"math/rand", "the same input must give the same decisions"},
		{"crypto/rand", "the same input must give the same decisions"},
		{"hash/maphash", "its seed differs in every run"},
	}
)

func bans(lists ...[]ban) []ban { return slices.Concat(lists...) }

// paramTypes are the packages whose types observers and the configuration need.
var paramTypes = []string{"sensor", "control", "control/duct"}

// rooms is the whole table: one entry a package, by its path in the module.
var rooms = map[string]room{
	"sensor":        {bans: bans(bansIO, bansThreads, bansChance)},
	"sensor/adc":    {ours: []string{"sensor"}, others: []string{"periph.io/x/conn/v3", "periph.io/x/host/v3", "golang.org/x/sys"}},
	"sensor/trace":  {ours: []string{"sensor"}, others: []string{"github.com/mewkiz/flac"}},
	"sensor/bench":  {ours: []string{"sensor", "sensor/trace"}},
	"control":       {bans: bans(bansIO, bansThreads, bansChance)},
	"control/duct":  {bans: bans(bansIO, bansThreads, bansChance)},
	"control/loop":  {ours: []string{"sensor", "control"}, bans: bans(bansIO, bansThreads, bansChance)},
	"control/drive": {ours: []string{"control"}, others: []string{"periph.io/x/conn/v3", "periph.io/x/host/v3", "github.com/warthog618/go-gpiocdev", "golang.org/x/sys"}},
	"control/sim":   {ours: []string{"control"}, bans: bans(bansIO, bansThreads)},
	"config":        {ours: append([]string{"control/loop"}, paramTypes...), others: []string{"github.com/pelletier/go-toml/v2"}},
	"cmd/kerfwind":  {ours: []string{"*"}, others: []string{"*"}},
	"testdata":      {},
	"testdata/barn": {ours: []string{"config", "testdata"}},
	"testdata/peers": {bans: []ban{
		{"net", "a peer is a program or a folder on this machine"},
	}},
	"testdata/chips": {others: []string{"periph.io/x/conn/v3"}, bans: []ban{
		{"net", "a modelled chip is registers and bits"},
	}},
	"testdata/guest": {bans: []ban{
		{"net", "the fake hardware is in this machine's /sys"},
	}},

	// What crosses the seam are values: nothing that runs can be handed over.
	"cmd/kerfwind/internal/seam": {ours: append([]string{"config"}, paramTypes...), bans: []ban{
		{"os", "who uses it may be another program: values alone cross"},
		{"net", "the socket carries it; it knows no socket"},
		{"sync", "there is nothing to share, so nothing to lock"},
	}},
	"cmd/kerfwind/internal/seam/seamtest": {ours: []string{"cmd/kerfwind/internal/seam"}},

	// Observers: they see snapshots and events, and post requests. Not the loop
	// and no driver, so that none can delay or give a command; not each other, so
	// that one can be left out; wiringPairs lets the page alone use the values of
	// the history and of the move-in.
	"cmd/kerfwind/internal/journal":  {ours: append([]string{"config"}, paramTypes...), others: []string{"modernc.org/sqlite", "golang.org/x/sys"}},
	"cmd/kerfwind/internal/mqttlink": {ours: append([]string{"config"}, paramTypes...), others: []string{"github.com/eclipse/paho.mqtt.golang", "github.com/mochi-mqtt/server/v2", "golang.org/x/sys"}},
	"cmd/kerfwind/internal/metrics":  {ours: append([]string{"config"}, paramTypes...), others: []string{"github.com/prometheus"}},
	"cmd/kerfwind/internal/notices":  {ours: append([]string{"config"}, paramTypes...)},
	"cmd/kerfwind/internal/panel":    {ours: append([]string{"config"}, paramTypes...), others: []string{"golang.org/x/crypto", "golang.org/x/time"}},
	"cmd/kerfwind/internal/movein":   {ours: append([]string{"config"}, paramTypes...)},

	// What people are shown is worked out from values alone.
	"cmd/kerfwind/internal/scene": {ours: append([]string{"config"}, paramTypes...), bans: bans(bansIO, bansThreads, bansChance)},

	// Reckoning alone: the journal stores what it works on.
	"cmd/kerfwind/internal/upkeep": {bans: bans(bansIO, bansThreads, bansChance)},
}

// wiring is the rule for every other package below cmd/kerfwind/internal: a
// part of a subcommand, cut off to be tested alone. It may import any package
// outside cmd. Those that use a neighbour are listed here, all by their place in
// cmd/kerfwind/internal.
var (
	wiring      = room{ours: []string{"*"}, others: []string{"*"}}
	wiringPairs = map[string]string{
		"replay": "draw rig state timeline",
		"draw":   "timeline",
		"live":   "scene timeline",
		"scene":  "timeline",
		// Its events have the members of the event lines. The broker within the program
		// is there too.
		"mqttlink": "porter timeline upkeep",
		"rig":      "timeline",
		// Both ends of the messages between computers: one drives a rig as its
		// loop sees it, over a connection of the link's kind.
		"node": "mqttlink rig",
		// The daemon ties the rig's loop to what is kept over a restart and to the
		// service manager, and shows it to others through the seam; the last minutes
		// are in its memory.
		"daemon": "record rig state timeline",
		// One piece bounds the connections of all listeners.
		"metrics": "porter upkeep",
		// A replay, on a terminal too; the daemon in a simulated workshop.
		"demo": "live panel replay rig scene simrig socket state testdata",
		// The questions are pure; the terminal writes the files.
		"begin": "live state wiresheet",
		// People's hands in a simulated workshop, on a terminal and on the page.
		"simrig": "panel timeline",
		// The parts of a running shop, each tied to what looks on or asks: their wiring.
		"parts": "daemon guide journal live metrics mqttlink notices panel record shopfiles timeline upkeep",
		// It carries the seam, and says the state in words.
		"socket": "timeline",
		// A made shop, for tests of the move-in.
		"movein/moveintest": "movein testdata",
		// It carries out what the pure sessions of a move-in and a lesson ask for, for
		// terminal and page, on a rig of its own or through the seam.
		"guide": "ductview live movein panel record replay rig state timeline",
		// What commands look at is the rig, a running kerfwind, or a recording.
		"record": "live replay rig socket timeline",
		// A made history, for tests.
		"journal/journaltest": "journal",
		// New shop files lie in the state folder; terminal and page swap by one piece. A
		// backup holds the history, whose lock a restore takes.
		"shopfiles": "journal live panel state wiresheet",
		// The reckoning is pure; the journal keeps what it works on.
		"journal": "upkeep",
		// The page says things in the words of the timeline, shows the same pictures
		// and lists as the commands, and takes the history's and the move-in's own
		// values: copies of them kept nothing apart.
		"panel": "ductview journal movein porter scene state timeline upkeep",
	}
)

// inside is where the parts of subcommands are.
const inside = "cmd/kerfwind/internal/"

// paired reports whether wiringPairs lists an import.
func paired(pkg, imp string) bool {
	list, ok := wiringPairs[strings.TrimPrefix(pkg, inside)]
	return ok && slices.Contains(strings.Fields(list), strings.TrimPrefix(imp, inside))
}

// published is how an immutable snapshot is handed over: by a pointer swap.
const published = "sync/atomic"

// below reports whether an import path is p or lies below it.
func below(imp, p string) bool { return imp == p || strings.HasPrefix(imp, p+"/") }

// checkImports returns one message for each import that the room of pkg (a
// path in the module) does not allow.
func checkImports(pkg string, imports []string) []string {
	r, ok := rooms[pkg]
	if !ok {
		if !strings.HasPrefix(pkg, inside) {
			return []string{pkg + ": no such room: add it to the table in layers_test.go with what it may import"}
		}
		r = wiring
	}
	var bad []string
	for _, imp := range imports {
		if why := refuse(pkg, r, imp); why != "" {
			bad = append(bad, fmt.Sprintf("%s imports %s: %s", pkg, imp, why))
		}
	}
	return bad
}

// refuse says why a package of room r may not import imp, or nothing.
func refuse(pkg string, r room, imp string) string {
	for _, b := range r.bans {
		if below(imp, b.path) && imp != published {
			return b.why
		}
	}
	switch {
	case imp == "periph.io/x/host/v3":
		return "it starts every driver that it knows; import host/v3/sysfs or host/v3/gpioioctl"
	case imp == module+"/testdata/peers", imp == module+"/testdata/guest", imp == module+"/testdata/chips", imp == module+"/testdata/barn":
		return "only tests ask for peers"
	case below(imp, module):
		p := strings.TrimPrefix(imp, module+"/")
		switch {
		case paired(pkg, p), slices.Contains(r.ours, p):
			return ""
		case p == "cmd/kerfwind/internal/seam" && slices.Contains(r.ours, "*"): // values alone: it is there to be used
			return ""
		case strings.HasPrefix(p, "cmd/") && pkg != "cmd/kerfwind":
			return "parts of the command do not import each other unless wiringPairs lists it"
		case slices.Contains(r.ours, "*"):
			return ""
		}
		return fmt.Sprintf("of ours it may import only %q", r.ours)
	case strings.Contains(strings.SplitN(imp, "/", 2)[0], "."):
		if slices.Contains(r.others, "*") || slices.ContainsFunc(r.others, func(m string) bool { return below(imp, m) }) {
			return ""
		}
		return fmt.Sprintf("of other modules it may import only %q", r.others)
	}
	return ""
}

// sourceFile is one parsed Go file of the module.
type sourceFile struct {
	pkg  string // path in the module
	name string // path of the file in the module
	test bool
	ast  *ast.File
}

// parseModule parses every Go file of the module, whatever system or
// architecture it is for. Fuzz corpora and the tools' module are left out.
func parseModule(t *testing.T) (*token.FileSet, []sourceFile) {
	t.Helper()
	fset := token.NewFileSet()
	var files []sourceFile
	err := filepath.WalkDir(moduleRoot, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(moduleRoot, name)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.IsDir() {
			if rel != "." && strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata" && rel != "testdata" {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(rel, ".go") {
			return nil
		}
		src, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(fset, rel, src, parser.ParseComments)
		if err != nil {
			return err
		}
		files = append(files, sourceFile{pkg: path.Dir(rel), name: rel, test: strings.HasSuffix(rel, "_test.go"), ast: f})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return fset, files
}

// importsOf lists the import paths of a file.
func importsOf(f *ast.File) []string {
	var list []string
	for _, s := range f.Imports {
		p, err := strconv.Unquote(s.Path.Value)
		if err != nil {
			p = s.Path.Value
		}
		list = append(list, p)
	}
	return list
}

// TestRooms holds the direct imports of every package to its room, and each
// entry of wiringPairs to an import that needs it.
func TestRooms(t *testing.T) {
	_, files := parseModule(t)
	seen, used := map[string]bool{}, map[[2]string]bool{}
	for _, f := range files {
		if f.test {
			continue // tests may look at the whole module
		}
		seen[f.pkg] = true
		for _, imp := range importsOf(f.ast) {
			used[[2]string{strings.TrimPrefix(f.pkg, inside), strings.TrimPrefix(strings.TrimPrefix(imp, module+"/"), inside)}] = true
		}
		for _, m := range checkImports(f.pkg, importsOf(f.ast)) {
			t.Errorf("%s: %s", f.name, m)
		}
	}
	for pkg, list := range wiringPairs {
		for _, imp := range strings.Fields(list) {
			if !used[[2]string{pkg, imp}] {
				t.Errorf("wiringPairs lets %s import %s, and it does not: take that out", pkg, imp)
			}
		}
	}
	for _, p := range []string{"sensor", "control", "cmd/kerfwind"} {
		if !seen[p] {
			t.Errorf("found no package %s: is %s still the module's folder?", p, moduleRoot)
		}
	}
}

// TestRoomsCatch shows that each kind of wrong import is caught, and that the
// right ones are not.
func TestRoomsCatch(t *testing.T) {
	tests := []struct {
		pkg, imp string
		want     string // part of the message; empty where the import is fine
	}{
		{"sensor", "math", ""},
		{"sensor", "os", "no I/O here"},
		{"sensor", "net/http", "no I/O here"},
		{"sensor", "sync", "single-threaded"},
		{"sensor", "unsafe", "no memory tricks"},
		{"sensor", "kerfwind/control", "of ours it may import only []"},
		{"sensor", "github.com/mewkiz/flac", "of other modules it may import only []"},
		{"sensor/trace", "kerfwind/sensor", ""},
		{"sensor/trace", "github.com/mewkiz/flac/frame", ""},
		{"sensor/trace", "os", ""},
		{"sensor/trace", "kerfwind/config", "of ours it may import only"},
		{"sensor/adc", "periph.io/x/host/v3", "starts every driver"},
		{"sensor/adc", "periph.io/x/host/v3/sysfs", ""},
		{"sensor/adc", "kerfwind/control", "of ours it may import only"},
		{"control", "kerfwind/sensor", "of ours it may import only []"},
		{"control", "math/rand/v2", "same decisions"},
		{"control", "sync/atomic", ""},
		{"control/duct", "kerfwind/control", "of ours it may import only []"},
		{"control/loop", "kerfwind/config", "of ours it may import only"},
		{"control/loop", "kerfwind/control/sim", "of ours it may import only"},
		{"control/loop", "kerfwind/sensor", ""},
		{"control/drive", "kerfwind/sensor", "of ours it may import only"},
		{"control/sim", "periph.io/x/conn/v3/gpio", "of other modules it may import only []"},
		{"config", "kerfwind/control/duct", ""},
		{"config", "kerfwind/sensor/adc", "of ours it may import only"},
		{"config", "kerfwind/cmd/kerfwind/internal/panel", "parts of the command"},
		{"config", "kerfwind/testdata/peers", "only tests"},
		{"cmd/kerfwind", "kerfwind/cmd/kerfwind/internal/timeline", ""},
		{"cmd/kerfwind", "kerfwind/sensor/adc", ""},
		{"cmd/kerfwind/internal/panel", "kerfwind/control", ""},
		{"cmd/kerfwind/internal/panel", "kerfwind/control/loop", "of ours it may import only"},
		{"cmd/kerfwind/internal/panel", "kerfwind/cmd/kerfwind/internal/mqttlink", "parts of the command"},
		{"cmd/kerfwind/internal/replay", "kerfwind/cmd/kerfwind/internal/timeline", ""},
		{"cmd/kerfwind/internal/timeline", "kerfwind/cmd/kerfwind/internal/replay", "parts of the command"},
		{"cmd/kerfwind/internal/timeline", "kerfwind/control", ""},
		{"gadgets", "fmt", "no such room"},
	}
	for _, tt := range tests {
		got := strings.Join(checkImports(tt.pkg, []string{tt.imp}), "\n")
		if tt.want == "" && got != "" || !strings.Contains(got, tt.want) {
			t.Errorf("%s importing %s: got %q, want %q", tt.pkg, tt.imp, got, tt.want)
		}
	}
}
