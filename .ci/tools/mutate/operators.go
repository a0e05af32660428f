package main

import (
	"fmt"
	"go/ast"
	"go/constant"
	"go/token"
	"go/types"
	"regexp"
	"sort"
	"strings"
	"unicode"
)

// A mutant is one change to the source.
type mutant struct {
	id   int    // its number in this run, from 1
	file string // below the repository's root, with slashes
	line int
	col  int
	fn   string // the function it is in, or "var NAME"
	op   string // the operator that made it
	old  string // what is replaced
	new  string // what replaces it
	text string // the line it is in, without the space around it
}

func (m *mutant) name() string { return fmt.Sprintf("%s:%d:%d %s", m.file, m.line, m.col, m.op) }

// change is the difference in one line.
func (m *mutant) change() string { return squeeze(m.old) + " => " + squeeze(m.new) }

// squeeze writes text of several lines in one.
func squeeze(s string) string { return strings.Join(strings.Fields(s), " ") }

// A site is a piece of source with everything that can stand in its place. Only
// one mutant is on at a time, so an alternative is written with the source as it
// was, and only the original is written with the sites inside it.
type site struct {
	from, to int    // in the file, bytes
	stmt     bool   // a statement or several; else an expression
	typ      string // of an expression that is no bool: its type, as this file writes it
	alts     []*mutant
}

// generator makes the mutants of one file.
type generator struct {
	src   []byte
	fset  *token.FileSet
	info  *types.Info
	pkg   *types.Package
	file  string
	names map[string]string // import path -> the name this file gives it

	not   *regexp.Regexp // functions to leave alone
	fn    string
	sites map[[2]int][2]*site // by extent: the statement and the expression
	ends  []int               // closing braces of functions with results
	last  map[ast.Stmt]bool   // the last statement of a function: to drop it would not compile, or panic at once
}

func (g *generator) offset(p token.Pos) int { return g.fset.Position(p).Offset }

func (g *generator) text(n ast.Node) string {
	return string(g.src[g.offset(n.Pos()):g.offset(n.End())])
}

// put adds a mutant that writes new in the place of the source from..to.
func (g *generator) put(from, to token.Pos, stmt bool, typ, op, new string) {
	a, b := g.offset(from), g.offset(to)
	old := string(g.src[a:b])
	if squeeze(old) == squeeze(new) {
		return
	}
	pair := g.sites[[2]int{a, b}]
	k := 1
	if stmt {
		k = 0
	}
	if pair[k] == nil {
		pair[k] = &site{from: a, to: b, stmt: stmt, typ: typ}
		g.sites[[2]int{a, b}] = pair
	}
	s := pair[k]
	for _, m := range s.alts {
		if squeeze(m.new) == squeeze(new) {
			return
		}
	}
	at := g.fset.Position(from)
	lines := strings.SplitAfter(string(g.src), "\n")
	s.alts = append(s.alts, &mutant{file: g.file, line: at.Line, col: at.Column, fn: g.fn, op: op, old: old, new: new, text: strings.TrimSpace(lines[at.Line-1])})
}

// statement replaces a statement; new is empty to drop it.
func (g *generator) statement(s ast.Stmt, op, new string) { g.put(s.Pos(), s.End(), true, "", op, new) }

// expression replaces an expression that has a value of a type that this file can write.
func (g *generator) expression(e ast.Expr, op, new string) {
	t := g.info.TypeOf(e)
	if t == nil || hasCall(e, "recover") {
		return
	}
	if isBool(t) {
		g.put(e.Pos(), e.End(), false, "", op, new)
	} else if name, ok := g.typeName(t); ok {
		g.put(e.Pos(), e.End(), false, name, op, new)
	}
}

func hasCall(n ast.Node, name string) bool {
	found := false
	ast.Inspect(n, func(n ast.Node) bool {
		if c, ok := n.(*ast.CallExpr); ok {
			if f, ok := c.Fun.(*ast.Ident); ok && f.Name == name {
				found = true
			}
		}
		return !found
	})
	return found
}

func isBool(t types.Type) bool {
	b, ok := types.Unalias(t).(*types.Basic)
	return ok && b.Info()&types.IsBoolean != 0
}

// typeName writes a type as this file would, if it can.
func (g *generator) typeName(t types.Type) (string, bool) {
	b, basic := types.Unalias(t).(*types.Basic)
	if basic && b.Info()&types.IsUntyped != 0 {
		t = types.Default(t)
	}
	if basic && (b.Kind() == types.UntypedNil || b.Kind() == types.Invalid) {
		return "", false
	}
	if _, tuple := t.(*types.Tuple); tuple {
		return "", false
	}
	ok := true
	name := types.TypeString(t, func(p *types.Package) string {
		if p == g.pkg {
			return "\x00" // no name: a type of this package, or of a function in it
		}
		n, known := g.names[p.Path()]
		ok = ok && known
		return n
	})
	parts := strings.Split(name, "\x00.")
	for i := 1; i < len(parts); i++ {
		if plainType(g.pkg.Scope().Lookup(wordAt(parts[i]))) {
			parts[i] = alias + parts[i] // a variable may hide the type's own name
		}
	}
	return strings.Join(parts, ""), ok
}

// alias begins the second names that the helper file gives to the package's types.
const alias = "mutantType_"

func plainType(o types.Object) bool {
	t, ok := o.(*types.TypeName)
	if !ok {
		return false
	}
	n, ok := t.Type().(*types.Named)
	return ok && n.TypeParams().Len() == 0
}

func wordAt(s string) string {
	for i, r := range s {
		if r != '_' && !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			return s[:i]
		}
	}
	return s
}

// --- statements -------------------------------------------------------------

func (g *generator) decl(d ast.Decl) {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Body == nil {
			return
		}
		g.fn = d.Name.Name
		if d.Recv != nil && len(d.Recv.List) > 0 {
			t := d.Recv.List[0].Type
			if s, ok := t.(*ast.StarExpr); ok {
				t = s.X
			}
			g.fn = g.text(t) + "." + g.fn
		}
		if !g.not.MatchString(g.fn) {
			g.body(d.Type, d.Body)
		}
	case *ast.GenDecl:
		if d.Tok != token.VAR {
			return
		}
		for _, s := range d.Specs {
			v := s.(*ast.ValueSpec)
			g.fn = "var " + v.Names[0].Name
			for _, e := range v.Values {
				g.expr(e)
			}
		}
	}
}

// body goes through a function. What falls off the end of one with results
// panics: so every statement can be dropped and the package still compiles.
func (g *generator) body(t *ast.FuncType, b *ast.BlockStmt) {
	if t.Results != nil && len(t.Results.List) > 0 {
		g.ends = append(g.ends, g.offset(b.Rbrace))
		if n := len(b.List); n > 0 {
			g.last[b.List[n-1]] = true
		}
	}
	g.list(b.List)
}

func (g *generator) list(list []ast.Stmt) {
	for _, s := range list {
		g.stmt(s)
	}
}

// empty empties the body of a case, branch or loop of several statements; one of a
// single statement is emptied by dropping that.
func (g *generator) empty(list []ast.Stmt) {
	if len(list) < 2 {
		return
	}
	if b, ok := list[len(list)-1].(*ast.BranchStmt); ok && b.Tok == token.FALLTHROUGH {
		return
	}
	g.put(list[0].Pos(), list[len(list)-1].End(), true, "", "empty", "")
}

func (g *generator) stmt(s ast.Stmt) {
	drop := func() {
		if !g.last[s] {
			g.statement(s, "drop", "")
		}
	}
	switch s := s.(type) {
	case *ast.ExprStmt:
		if c, ok := s.X.(*ast.CallExpr); ok {
			if f, ok := c.Fun.(*ast.Ident); !ok || f.Name != "panic" {
				drop()
			}
		}
		g.inside(s.X)
	case *ast.AssignStmt:
		g.assign(s)
	case *ast.IncDecStmt:
		drop()
		other := map[token.Token]string{token.INC: "--", token.DEC: "++"}[s.Tok]
		g.statement(s, "arithmetic", g.text(s.X)+other)
		g.inside(s.X)
	case *ast.ReturnStmt:
		drop()
		for _, e := range s.Results {
			g.expr(e)
			if t := g.info.TypeOf(e); t != nil && t.String() == "error" && g.text(e) != "nil" {
				g.expression(e, "error", "nil")
			}
			g.deadline(e)
		}
	case *ast.BranchStmt:
		if s.Tok == token.BREAK || s.Tok == token.CONTINUE {
			drop()
		}
	case *ast.GoStmt:
		drop()
		g.inside(s.Call)
	case *ast.DeferStmt:
		drop()
		g.inside(s.Call)
	case *ast.SendStmt:
		drop()
		g.expr(s.Value)
	case *ast.IfStmt:
		g.sub(s.Init)
		g.cond(s.Cond)
		g.empty(s.Body.List)
		g.list(s.Body.List)
		if b, ok := s.Else.(*ast.BlockStmt); ok {
			g.empty(b.List)
		}
		g.sub(s.Else)
	case *ast.ForStmt:
		g.sub(s.Init)
		if s.Cond != nil {
			g.expr(s.Cond)
		}
		g.sub(s.Post)
		g.list(s.Body.List)
	case *ast.RangeStmt:
		g.inside(s.X)
		g.empty(s.Body.List)
		g.list(s.Body.List)
	case *ast.SwitchStmt:
		g.sub(s.Init)
		if s.Tag != nil {
			g.inside(s.Tag)
		}
		for _, c := range s.Body.List {
			g.clause(c.(*ast.CaseClause), s.Tag != nil)
		}
	case *ast.TypeSwitchStmt:
		g.sub(s.Init)
		for _, c := range s.Body.List {
			b := c.(*ast.CaseClause).Body
			g.empty(b)
			g.list(b)
		}
	case *ast.SelectStmt:
		for _, c := range s.Body.List {
			b := c.(*ast.CommClause).Body
			g.empty(b)
			g.list(b)
		}
	case *ast.BlockStmt:
		g.list(s.List)
	case *ast.LabeledStmt:
		g.sub(s.Stmt)
	case *ast.DeclStmt:
		fn := g.fn
		g.decl(s.Decl)
		g.fn = fn
	}
}

// sub goes into a statement that stands where none can be dropped.
func (g *generator) sub(s ast.Stmt) {
	switch s := s.(type) {
	case nil:
	case *ast.AssignStmt:
		if len(s.Lhs) == len(s.Rhs) {
			for _, e := range s.Rhs {
				g.expr(e)
			}
		} else {
			g.inside(s.Rhs[0])
		}
	case *ast.IncDecStmt, *ast.ExprStmt:
	default:
		g.stmt(s)
	}
}

func (g *generator) clause(c *ast.CaseClause, tagged bool) {
	for i, e := range c.List {
		switch {
		case !tagged:
			g.cond(e)
		case len(c.List) > 1:
			// The value counts no more: its place has a neighbour's.
			g.expression(e, "case", g.text(c.List[(i+1)%len(c.List)]))
		}
	}
	g.empty(c.Body)
	g.list(c.Body)
}

var assignSwap = map[token.Token]string{
	token.ADD_ASSIGN: "-=", token.SUB_ASSIGN: "+=", token.MUL_ASSIGN: "/=", token.QUO_ASSIGN: "*=",
	token.OR_ASSIGN: "&^=", token.AND_ASSIGN: "|=", token.AND_NOT_ASSIGN: "&=", token.XOR_ASSIGN: "|=",
	token.SHL_ASSIGN: ">>=", token.SHR_ASSIGN: "<<=",
}

func (g *generator) assign(s *ast.AssignStmt) {
	for _, e := range s.Lhs {
		if s.Tok != token.DEFINE {
			g.inside(e)
		}
	}
	if len(s.Lhs) != len(s.Rhs) {
		g.inside(s.Rhs[0])
		if s.Tok == token.ASSIGN {
			g.statement(s, "drop", "")
		}
		return
	}
	for i, e := range s.Rhs {
		g.expr(e)
		if id, ok := s.Lhs[i].(*ast.Ident); !ok || id.Name != "_" {
			g.deadline(e)
		}
	}
	if s.Tok == token.DEFINE {
		return
	}
	if id, ok := s.Lhs[0].(*ast.Ident); ok && id.Name == "_" {
		return
	}
	g.statement(s, "drop", "")
	if other := assignSwap[s.Tok]; other != "" && isNumber(g.info.TypeOf(s.Lhs[0])) {
		g.statement(s, "arithmetic", g.text(s.Lhs[0])+" "+other+" "+g.text(s.Rhs[0]))
	}
	if len(s.Lhs) > 1 {
		for i := range s.Lhs { // all but the i-th
			var l, r []string
			for k := range s.Lhs {
				if k != i {
					l, r = append(l, g.text(s.Lhs[k])), append(r, g.text(s.Rhs[k]))
				}
			}
			g.statement(s, "drop one", strings.Join(l, ", ")+" = "+strings.Join(r, ", "))
		}
	}
}

// deadline makes a time that is stored pass at once or never.
func (g *generator) deadline(e ast.Expr) {
	never := g.pkg.Scope().Lookup("never")
	if t := g.info.TypeOf(e); never == nil || t == nil || t.String() != "time.Duration" {
		return
	}
	if g.text(e) == "never" {
		g.expression(e, "deadline", "0")
	} else if g.info.Types[e].Value == nil {
		g.expression(e, "deadline", "never")
	}
}

// --- expressions ------------------------------------------------------------

// cond is the condition of a branch: also one that always holds.
func (g *generator) cond(e ast.Expr) {
	g.expr(e)
	for {
		p, ok := e.(*ast.ParenExpr)
		if !ok {
			break
		}
		e = p.X
	}
	if b, ok := e.(*ast.BinaryExpr); ok && (b.Op == token.LAND || b.Op == token.LOR) {
		return
	}
	g.expression(e, "conjunct", "true")
}

var (
	boundary = map[token.Token]token.Token{token.LSS: token.LEQ, token.LEQ: token.LSS, token.GTR: token.GEQ, token.GEQ: token.GTR}
	negation = map[token.Token]token.Token{token.LSS: token.GEQ, token.LEQ: token.GTR, token.GTR: token.LEQ, token.GEQ: token.LSS,
		token.EQL: token.NEQ, token.NEQ: token.EQL}
	swap = map[token.Token]token.Token{token.ADD: token.SUB, token.SUB: token.ADD, token.MUL: token.QUO, token.QUO: token.MUL, token.REM: token.MUL,
		token.AND: token.OR, token.OR: token.AND, token.XOR: token.AND, token.AND_NOT: token.AND, token.SHL: token.SHR, token.SHR: token.SHL}
)

func isNumber(t types.Type) bool {
	if t == nil {
		return false
	}
	b, ok := t.Underlying().(*types.Basic)
	return ok && b.Info()&types.IsNumeric != 0
}

// expr goes through an expression whose value is used.
func (g *generator) expr(e ast.Expr) {
	tv, known := g.info.Types[e]
	if !known || tv.IsType() || tv.IsBuiltin() {
		if id, ok := e.(*ast.Ident); ok {
			g.ident(id)
		}
		return
	}
	switch e := e.(type) {
	case *ast.ParenExpr:
		g.expr(e.X)
	case *ast.BinaryExpr:
		g.binary(e)
	case *ast.UnaryExpr:
		switch e.Op {
		case token.NOT:
			g.expression(e, "negate", g.text(e.X))
			g.inside(e.X)
		case token.SUB, token.XOR:
			if tv.Value == nil {
				g.expression(e, "arithmetic", g.text(e.X))
			}
			g.expr(e.X)
		default:
			g.inside(e.X)
		}
	case *ast.BasicLit:
		g.literal(e)
	case *ast.Ident:
		g.ident(e)
		g.leaf(e)
	case *ast.SelectorExpr:
		g.ident(e.Sel)
		g.field(e)
		g.leaf(e)
		g.inside(e)
	case *ast.CompositeLit:
		g.inside(e)
	default:
		g.leaf(e)
		g.inside(e)
	}
}

// leaf negates a bool that is neither compared nor composed.
func (g *generator) leaf(e ast.Expr) {
	if tv := g.info.Types[e]; tv.Value == nil && tv.Type != nil && isBool(tv.Type) {
		g.expression(e, "negate", "!"+paren(g.text(e)))
	}
}

func paren(s string) string {
	if strings.ContainsAny(s, " \n") {
		return "(" + s + ")"
	}
	return s
}

func (g *generator) binary(e *ast.BinaryExpr) {
	x, y := g.text(e.X), g.text(e.Y)
	switch e.Op {
	case token.LAND, token.LOR:
		if b, ok := e.X.(*ast.BinaryExpr); !ok || b.Op != e.Op {
			g.expression(e, "conjunct", y)
		}
		g.expression(e, "conjunct", x)
		g.expr(e.X)
		g.expr(e.Y)
		return
	}
	tv := g.info.Types[e]
	switch {
	case negation[e.Op] != 0:
		if other := boundary[e.Op]; other != 0 {
			g.expression(e, "boundary", x+" "+other.String()+" "+y)
		}
		g.expression(e, "negate", x+" "+negation[e.Op].String()+" "+y)
	case swap[e.Op] != 0 && isNumber(tv.Type) && tv.Value == nil:
		if t := tv.Type.String(); t == "time.Duration" && e.Op == token.ADD {
			g.expression(e, "deadline", x)
		} else if e.Op != token.MUL || g.info.Types[e.Y].Value == nil || constant.Sign(g.info.Types[e.Y].Value) != 0 {
			if !integerOnly(swap[e.Op]) || isInteger(tv.Type) {
				g.expression(e, "arithmetic", x+" "+swap[e.Op].String()+" "+y)
			}
		}
	}
	g.expr(e.X)
	g.expr(e.Y)
}

func integerOnly(t token.Token) bool {
	return t != token.ADD && t != token.SUB && t != token.MUL && t != token.QUO
}

func isInteger(t types.Type) bool {
	b, ok := t.Underlying().(*types.Basic)
	return ok && b.Info()&types.IsInteger != 0
}

// literal puts a number's neighbour in its place.
func (g *generator) literal(e *ast.BasicLit) {
	tv := g.info.Types[e]
	if e.Kind != token.INT && e.Kind != token.FLOAT || tv.Value == nil {
		return
	}
	one := constant.MakeInt64(1)
	next := constant.BinaryOp(tv.Value, token.ADD, one)
	if b, ok := tv.Type.Underlying().(*types.Basic); ok && b.Info()&types.IsInteger != 0 {
		if v, exact := constant.Int64Val(constant.ToInt(next)); exact && tooBig(b.Kind(), v) {
			next = constant.BinaryOp(tv.Value, token.SUB, one)
		}
	}
	g.expression(e, "constant", next.ExactString())
}

func tooBig(k types.BasicKind, v int64) bool {
	most := map[types.BasicKind]int64{types.Uint8: 255, types.Int8: 127, types.Uint16: 65535, types.Int16: 32767, types.Int32: 1<<31 - 1, types.Uint32: 1<<32 - 1}
	m, ok := most[k]
	return ok && v > m
}

// ident puts the other truth, or the neighbour in its enumeration, in the
// place of a constant's name.
func (g *generator) ident(id *ast.Ident) {
	c, ok := g.info.Uses[id].(*types.Const)
	if !ok {
		return
	}
	if c.Parent() == types.Universe {
		switch id.Name {
		case "true":
			g.put(id.Pos(), id.End(), false, "", "constant", "false")
		case "false":
			g.put(id.Pos(), id.End(), false, "", "constant", "true")
		}
		return
	}
	n, ok := types.Unalias(c.Type()).(*types.Named)
	if !ok || n.Obj().Pkg() == nil || c.Pkg() == nil || c.Val().Kind() != constant.Int || n.Obj().Pkg().Path() == "time" {
		return
	}
	// The next of its type in the package that declares it, in order of value.
	var all []*types.Const
	for _, name := range c.Pkg().Scope().Names() {
		o, ok := c.Pkg().Scope().Lookup(name).(*types.Const)
		if ok && types.Identical(o.Type(), n) && (c.Pkg() == g.pkg || o.Exported()) {
			all = append(all, o)
		}
	}
	sort.SliceStable(all, func(i, k int) bool { return constant.Compare(all[i].Val(), token.LSS, all[k].Val()) })
	for i, o := range all {
		if o != c {
			continue
		}
		other := all[(i+1)%len(all)]
		if constant.Compare(other.Val(), token.EQL, c.Val()) {
			return
		}
		name := other.Name()
		from := id.Pos()
		if c.Pkg() != g.pkg {
			q, ok := g.names[c.Pkg().Path()]
			if !ok {
				return
			}
			name = q + "." + name
			from -= token.Pos(len(q) + 1) // the selector
		}
		if t, ok := g.typeName(n); ok {
			g.put(from, id.End(), false, t, "constant", name)
		}
		return
	}
}

// field reads the next length of time of the same struct in the place of this one.
func (g *generator) field(e *ast.SelectorExpr) {
	sel := g.info.Selections[e]
	if sel == nil || sel.Kind() != types.FieldVal || sel.Type().String() != "time.Duration" {
		return
	}
	t := sel.Recv()
	if p, ok := t.Underlying().(*types.Pointer); ok {
		t = p.Elem()
	}
	st, ok := t.Underlying().(*types.Struct)
	if !ok || len(sel.Index()) != 1 {
		return
	}
	for k := 1; k < st.NumFields(); k++ {
		f := st.Field((sel.Index()[0] + k) % st.NumFields())
		if f.Type().String() == "time.Duration" && (f.Exported() || f.Pkg() == g.pkg) {
			g.expression(e, "deadline", g.text(e.X)+"."+f.Name())
			return
		}
	}
}

// inside goes into the parts of an expression that must itself stay as it is: it
// is assigned to, called, or its address is taken.
func (g *generator) inside(e ast.Expr) {
	switch e := e.(type) {
	case *ast.ParenExpr:
		g.inside(e.X)
	case *ast.SelectorExpr:
		g.inside(e.X)
	case *ast.StarExpr:
		g.inside(e.X)
	case *ast.IndexExpr:
		g.inside(e.X)
		if !g.info.Types[e.Index].IsType() {
			g.expr(e.Index)
		}
	case *ast.SliceExpr:
		g.inside(e.X)
		for _, i := range []ast.Expr{e.Low, e.High, e.Max} {
			if i != nil {
				g.expr(i)
			}
		}
	case *ast.TypeAssertExpr:
		g.inside(e.X)
	case *ast.UnaryExpr:
		g.inside(e.X)
	case *ast.BinaryExpr:
		g.expr(e.X)
		g.expr(e.Y)
	case *ast.FuncLit:
		g.body(e.Type, e.Body)
	case *ast.CallExpr:
		g.call(e)
	case *ast.CompositeLit:
		g.composite(e)
	}
}

func (g *generator) call(e *ast.CallExpr) {
	g.inside(e.Fun)
	if id, ok := e.Fun.(*ast.Ident); ok && g.info.Types[e.Fun].IsBuiltin() {
		switch id.Name {
		case "len", "cap", "delete", "clear", "panic", "recover":
			return
		case "min", "max":
			if g.info.Types[e].Value == nil && e.Ellipsis == token.NoPos {
				g.extreme(e, id.Name)
			}
		}
	}
	for i, a := range e.Args {
		if _, tuple := g.info.TypeOf(a).(*types.Tuple); tuple {
			g.inside(a)
		} else if e.Ellipsis != token.NoPos && i == len(e.Args)-1 {
			g.inside(a)
		} else {
			g.expr(a)
		}
	}
}

// extreme takes the greatest for the least, or leaves one of them out.
func (g *generator) extreme(e *ast.CallExpr, name string) {
	args := make([]string, len(e.Args))
	for i, a := range e.Args {
		args[i] = g.text(a)
	}
	other := map[string]string{"min": "max", "max": "min"}[name]
	g.expression(e, "arithmetic", other+"("+strings.Join(args, ", ")+")")
	for i := range args {
		rest := append(append([]string(nil), args[:i]...), args[i+1:]...)
		if len(rest) > 0 {
			g.expression(e, "conjunct", name+"("+strings.Join(rest, ", ")+")")
		}
	}
}

func (g *generator) composite(e *ast.CompositeLit) {
	t := g.info.TypeOf(e)
	if p, ok := t.Underlying().(*types.Pointer); ok {
		t = p.Elem()
	}
	st, isStruct := t.Underlying().(*types.Struct)
	for _, el := range e.Elts {
		kv, ok := el.(*ast.KeyValueExpr)
		if !ok {
			g.expr(el)
			continue
		}
		g.expr(kv.Value)
		key, named := kv.Key.(*ast.Ident)
		if !isStruct || !named {
			continue
		}
		for f := range st.Fields() {
			if name, ok := g.typeName(f.Type()); ok && f.Name() == key.Name {
				switch g.text(kv.Value) {
				case "0", "nil", "false", `""`:
				default:
					old := g.text(kv.Value)
					if isBool(f.Type()) {
						g.expression(kv.Value, "field", "false")
					} else if tt := g.info.TypeOf(kv.Value); tt != nil && types.Identical(types.Default(tt), f.Type()) && old != "*new("+name+")" {
						g.put(kv.Value.Pos(), kv.Value.End(), false, name, "field", "*new("+name+")")
					}
				}
			}
		}
	}
}
