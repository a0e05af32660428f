package main

import (
	"fmt"
	"go/ast"
	"go/build"
	"go/constant"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"math"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// Packages in which nothing may ask for the time: it comes with the data, so
// that a day replays in seconds and twice gives the same bytes.
var clockless = []string{"sensor", "sensor/trace", "control", "control/duct", "control/loop", "control/sim"}

// Packages that start no goroutine: what they do is over when they return.
var singleThreaded = []string{"sensor", "control", "control/duct", "control/loop", "control/sim"}

// Packages between a sample and a command. What they compute must be the same
// to the last bit on every processor, since event files are compared by bytes.
var decisionPath = []string{"sensor", "control", "control/loop"}

// The functions of package time that read the clock or wait for it.
var (
	clockReads = []string{"Now", "Since", "Until"}
	clockWaits = []string{"Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
)

// packageUses calls yield for every use of a name of the imported package.
func packageUses(f *ast.File, imported string, yield func(sel *ast.SelectorExpr)) {
	name := ""
	for _, s := range f.Imports {
		if s.Path.Value != `"`+imported+`"` {
			continue
		}
		name = path.Base(imported)
		if s.Name != nil {
			name = s.Name.Name
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		// An identifier that the parser has resolved is a variable of that name.
		if id, ok := sel.X.(*ast.Ident); ok && id.Name == name && id.Obj == nil {
			yield(sel)
		}
		return true
	})
}

// checkClock returns one message for each call of the clock in a file. In test
// files of any package only waiting is forbidden: a test that sleeps is slow
// on a good day and fails on a bad one; testing/synctest does it better, and a
// file that imports it may wait, since that is how its clock is moved.
func checkClock(fset *token.FileSet, pkg string, test bool, f *ast.File) []string {
	var forbidden []string
	if slices.Contains(clockless, pkg) {
		forbidden = slices.Concat(clockReads, clockWaits)
	}
	if test {
		forbidden = clockWaits
		for _, s := range f.Imports {
			if s.Path.Value == `"testing/synctest"` {
				forbidden = nil
			}
		}
	}
	var bad []string
	for _, s := range f.Imports {
		if s.Path.Value == `"time"` && s.Name != nil && s.Name.Name == "." && len(forbidden) > 0 {
			bad = append(bad, at(fset, s.Pos())+"dot import of time hides uses of the clock")
		}
	}
	ok := map[int]bool{}
	if test {
		ok = accepted(fset, f, clockAccepted)
	}
	packageUses(f, "time", func(sel *ast.SelectorExpr) {
		if slices.Contains(forbidden, sel.Sel.Name) && !ok[fset.Position(sel.Pos()).Line] {
			bad = append(bad, at(fset, sel.Pos())+"time."+sel.Sel.Name+": time comes with the data here")
		}
	})
	return bad
}

// checkGo returns one message for each goroutine that a file starts.
func checkGo(fset *token.FileSet, f *ast.File) []string {
	var bad []string
	ast.Inspect(f, func(n ast.Node) bool {
		if g, ok := n.(*ast.GoStmt); ok {
			bad = append(bad, at(fset, g.Pos())+"go statement: this package is single-threaded")
		}
		return true
	})
	return bad
}

func at(fset *token.FileSet, p token.Pos) string {
	pos := fset.Position(p)
	return fmt.Sprintf("%s:%d: ", pos.Filename, pos.Line)
}

// TestClock and TestSingleThreaded hold the tree to the lists above.
func TestClock(t *testing.T) {
	fset, files := parseModule(t)
	for _, f := range files {
		for _, m := range checkClock(fset, f.pkg, f.test, f.ast) {
			t.Error(m)
		}
	}
}

func TestSingleThreaded(t *testing.T) {
	fset, files := parseModule(t)
	for _, f := range files {
		if f.test || !slices.Contains(singleThreaded, f.pkg) {
			continue
		}
		for _, m := range checkGo(fset, f.ast) {
			t.Error(m)
		}
	}
}

// exactMath lists the functions of package math whose result is the same on
// every processor: exact, or correctly rounded by IEEE 754 (Sqrt). The others
// are polynomials, which arm64 fuses and amd64 has partly in assembly.
var exactMath = []string{
	"Abs", "Ceil", "Copysign", "Float32bits", "Float32frombits", "Float64bits", "Float64frombits",
	"Floor", "Frexp", "Inf", "IsInf", "IsNaN", "Ldexp", "Max", "Min", "Mod", "Modf", "NaN", "Nextafter",
	"Nextafter32", "Remainder", "Round", "RoundToEven", "Signbit", "Sqrt", "Trunc",
}

// Comments that take their line out of a check, with the reason.
var (
	clockAccepted = regexp.MustCompile(`^//clock:ok \S+`) // tests that wait for another program
	fmaAccepted   = regexp.MustCompile(`^//fma:ok \S+`)
)

// accepted lists the lines of a file that carry such a comment.
func accepted(fset *token.FileSet, f *ast.File, comment *regexp.Regexp) map[int]bool {
	ok := map[int]bool{}
	for _, g := range f.Comments {
		for _, c := range g.List {
			if comment.MatchString(c.Text) {
				ok[fset.Position(c.Pos()).Line] = true
			}
		}
	}
	return ok
}

// checkFloats returns one message for each place in a package where a result
// could differ between processors. A compiler may fuse a product and a sum
// into one operation with one rounding, also across statements, unless the
// product is converted explicitly (Go specification, "Floating-point
// operators"); arm64 does, amd64 does not. So every product of floats is
// written float64(x*y), except where it cannot meet a sum: as a factor, in a
// quotient, in a comparison, in a conversion or in a call of package math.
// Products with a power of two are exact. The order of a map is a matter of
// chance, so ranging over one is reported too.
func checkFloats(fset *token.FileSet, files []*ast.File, imp types.Importer) ([]string, error) {
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
	cfg := types.Config{Importer: imp}
	if _, err := cfg.Check(files[0].Name.Name, fset, files, info); err != nil {
		return nil, err
	}
	var bad []string
	for _, f := range files {
		ok := accepted(fset, f, fmaAccepted)
		report := func(p token.Pos, why string) {
			if !ok[fset.Position(p).Line] {
				bad = append(bad, at(fset, p)+why)
			}
		}
		var stack []ast.Node
		ast.Inspect(f, func(n ast.Node) bool {
			if n == nil {
				stack = stack[:len(stack)-1]
				return true
			}
			switch n := n.(type) {
			case *ast.BinaryExpr:
				if n.Op == token.MUL && rounds(info, n, n.X, n.Y) && meetsSum(info, stack) {
					report(n.OpPos, "float product without rounding: write float64(x*y) or float32(x*y)")
				}
			case *ast.AssignStmt:
				if n.Tok == token.MUL_ASSIGN && isFloat(info.TypeOf(n.Lhs[0])) && !powerOfTwo(info, n.Rhs[0]) {
					report(n.TokPos, "float product without rounding: write x = float64(x*y)")
				}
			case *ast.RangeStmt:
				if t := info.TypeOf(n.X); t != nil {
					if _, isMap := t.Underlying().(*types.Map); isMap {
						report(n.For, "the order of a map differs from run to run")
					}
				}
			}
			stack = append(stack, n)
			return true
		})
		packageUses(f, "math", func(sel *ast.SelectorExpr) {
			_, isFunc := info.Uses[sel.Sel].(*types.Func)
			if isFunc && !slices.Contains(exactMath, sel.Sel.Name) {
				report(sel.Pos(), "math."+sel.Sel.Name+" differs between processors")
			}
		})
	}
	return bad, nil
}

// rounds reports whether the product n of x and y is a float that is computed
// at run time and may have to be rounded.
func rounds(info *types.Info, n, x, y ast.Expr) bool {
	tv := info.Types[n]
	return tv.Value == nil && isFloat(tv.Type) && !powerOfTwo(info, x) && !powerOfTwo(info, y)
}

func isFloat(t types.Type) bool {
	if t == nil {
		return false
	}
	b, ok := t.Underlying().(*types.Basic)
	return ok && b.Info()&types.IsFloat != 0
}

func powerOfTwo(info *types.Info, e ast.Expr) bool {
	v := info.Types[e].Value
	if v == nil {
		return false
	}
	f, _ := constant.Float64Val(constant.ToFloat(v))
	m, _ := math.Frexp(math.Abs(f))
	return m == 0.5
}

// meetsSum reports whether the value of an expression whose ancestors are in
// stack may become an operand of a sum without being rounded first.
func meetsSum(info *types.Info, stack []ast.Node) bool {
	for i := len(stack) - 1; i >= 0; i-- {
		switch p := stack[i].(type) {
		case *ast.ParenExpr, *ast.UnaryExpr:
			continue // the sign and brackets round nothing
		case *ast.BinaryExpr:
			return p.Op == token.ADD || p.Op == token.SUB
		case *ast.CallExpr:
			if info.Types[p.Fun].IsType() {
				return false // a conversion rounds
			}
			sel, ok := p.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			f, ok := info.Uses[sel.Sel].(*types.Func)
			return !ok || f.Pkg() == nil || f.Pkg().Path() != "math"
		case *ast.IndexExpr, *ast.SliceExpr:
			return false
		default:
			return true
		}
	}
	return true
}

// ourImporter imports the standard library from compiled export data and the
// packages of this module from source.
type ourImporter struct {
	fset *token.FileSet
	std  types.Importer
	ours map[string]*types.Package
}

func newImporter(fset *token.FileSet) *ourImporter {
	return &ourImporter{fset, importer.Default(), map[string]*types.Package{}}
}

func (im *ourImporter) Import(p string) (*types.Package, error) {
	if !below(p, module) {
		return im.std.Import(p)
	}
	if pkg := im.ours[p]; pkg != nil {
		return pkg, nil
	}
	files, err := parsePackage(im.fset, strings.TrimPrefix(p, module+"/"))
	if err != nil {
		return nil, err
	}
	cfg := types.Config{Importer: im}
	pkg, err := cfg.Check(p, im.fset, files, nil)
	im.ours[p] = pkg
	return pkg, err
}

// parsePackage parses the shipped files of a package as built here.
func parsePackage(fset *token.FileSet, pkg string) ([]*ast.File, error) {
	dir := filepath.Join(moduleRoot, filepath.FromSlash(pkg))
	b, err := build.ImportDir(dir, 0)
	if err != nil {
		return nil, err
	}
	var files []*ast.File
	for _, name := range b.GoFiles {
		f, err := parser.ParseFile(fset, filepath.Join(dir, name), nil, parser.ParseComments)
		if err != nil {
			return nil, err
		}
		files = append(files, f)
	}
	return files, nil
}

// TestSameOnEveryProcessor holds the decision path to arithmetic that every
// processor does alike.
func TestSameOnEveryProcessor(t *testing.T) {
	fset := token.NewFileSet()
	imp := newImporter(fset)
	for _, pkg := range decisionPath {
		files, err := parsePackage(fset, pkg)
		if err != nil {
			t.Fatal(err)
		}
		bad, err := checkFloats(fset, files, imp)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range bad {
			t.Error(strings.TrimPrefix(m, moduleRoot+"/"))
		}
	}
}

// TestPurityCatch shows that each check above can fail, and that it leaves
// right code alone: a line with the comment "bad" must be reported, and no
// other.
func TestPurityCatch(t *testing.T) {
	const clock = `package p
import clk "time"
type s struct{}
func (s) Now() {}
func a(d clk.Duration) clk.Duration { return d + 2*clk.Second }
func b() { _ = clk.Now() } // bad
func c() { var clk s; clk.Now() }
func d() { f := clk.Since; _ = f } // bad
func e() { clk.Sleep(1) } // bad
func f() { <-clk.After(1) } // bad
func g() { go a(1) }
`
	const threads = `package p
func a() {}
func b() { a(); defer a() }
func c() { go a() } // bad
func d() { go func() {}() } // bad
`
	const floats = `package p
import ("math"; "time")
type amps float32
const gain = 3.5
func a(x, y, z float64) float64 { return x*y + z } // bad
func b(x, y, z float64) float64 { return float64(x*y) + z }
func c(x, y, z float64) float64 { return z - (-(x*y)) } // bad
func d(x, y, z float64) float64 { z += x*y; return z } // bad
func e(x, y, z float64) float64 { z += float64(x*y); return z }
func f(x, y, z float64) float64 { t := x*y; return t + z } // bad
func g(x, y, z float32) amps { return amps(x*y) + amps(z) }
func h(x, y, z float64) float64 { z *= x; return z + y } // bad
func i(x, y time.Duration, n int) time.Duration { return x*y + time.Duration(n*n) }
func j(x, y, z float64) bool { return x*y < z*z }
func k(x, y, z float64) float64 { return math.Sqrt(x*y) + x*y/z + gain*gain }
func l(x, y float64) float64 { return 2*x + 0.25*y }
func m(x, y float64) float64 { return 3*x + y } // bad
func n(x float64) float64 { return math.Exp(x) } // bad
func o(x float64) float64 { f := math.Sin; return f(x) } // bad
func p(x float64) float64 { return math.Floor(x) + math.Pi }
func q(x, y, z float64) float64 { return math.FMA(x, y, z) } // bad
func r(x, y, z float64) float64 { return x*y + z } //fma:ok only printed
func s(x, y, z amps) amps { return keep(x*y) + z } // bad
func keep(x amps) amps { return x }
func u(m map[int]int) (n int) { for k := range m { n += k }; return n } // bad
func v(m []int) (n int) { for k := range m { n += k }; return n }
func w(x, y []float64) int { return int(x[0]*y[0]) }
func x(a, b, c float64) float64 { return float64(a*b*c) + float64(float64(a*b)+c) }
`
	tests := []struct {
		name, src string
		check     func(*token.FileSet, *ast.File) ([]string, error)
	}{
		{"clock.go", clock, func(fset *token.FileSet, f *ast.File) ([]string, error) {
			return checkClock(fset, "control", false, f), nil
		}},
		{"threads.go", threads, func(fset *token.FileSet, f *ast.File) ([]string, error) {
			return checkGo(fset, f), nil
		}},
		{"floats.go", floats, func(fset *token.FileSet, f *ast.File) ([]string, error) {
			return checkFloats(fset, []*ast.File{f}, newImporter(fset))
		}},
	}
	for _, tt := range tests {
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, tt.name, tt.src, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		got, err := tt.check(fset, f)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(tt.src, "\n") {
			prefix := fmt.Sprintf("%s:%d: ", tt.name, i+1)
			found := slices.ContainsFunc(got, func(m string) bool { return strings.HasPrefix(m, prefix) })
			if want := strings.HasSuffix(line, "// bad"); found != want {
				t.Errorf("%s%s\nreported: %v, want %v", prefix, line, found, want)
			}
		}
	}
}

// TestClockCatchTests shows that a test that sleeps is caught in any package,
// and that the clock is free outside the lists.
func TestClockCatchTests(t *testing.T) {
	const src = "package p\nimport \"time\"\nvar a = time.Now()\nfunc f() { time.Sleep(1) }\n"
	const bubble = "package p\nimport (\"testing/synctest\"; \"time\")\nfunc f() { time.Sleep(1); synctest.Wait() }\n"
	const waits = "package p\nimport \"time\"\nfunc f() { time.Sleep(1) } //clock:ok waits for another program\n"
	const dot = "package p\nimport . \"time\"\nvar a = Now()\n"
	for _, tt := range []struct {
		pkg  string
		test bool
		src  string
		want int
	}{
		{"cmd/kerfwind", false, src, 0},
		{"cmd/kerfwind", true, src, 1},
		{"control", true, src, 1},
		{"control", false, src, 2},
		{"control", true, bubble, 0},
		{"control", true, waits, 0},
		{"control", false, waits, 1},
		{"control", false, bubble, 1},
		{"control", false, dot, 1},
	} {
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, "x.go", tt.src, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		if got := checkClock(fset, tt.pkg, tt.test, f); len(got) != tt.want {
			t.Errorf("%s, test %v: %d reported, want %d: %q", tt.pkg, tt.test, len(got), tt.want, got)
		}
	}
}
