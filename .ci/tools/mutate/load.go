package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// woven is a package with its mutants.
type woven struct {
	path    string // of import
	dir     string // below the root, with slashes
	name    string
	aliases string            // second names of its types
	mutants []*mutant         // by number, from 1
	files   map[string][]byte // absolute path -> woven source
}

type listed struct {
	ImportPath, Name, Dir, Export string
	GoFiles, CgoFiles             []string
}

// load reads a package of the module at root and makes the mutants of those of
// its files whose names match, without the functions that not matches.
func load(root, dir string, files, not *regexp.Regexp) (*woven, error) {
	cmd := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Name,Dir,Export,GoFiles,CgoFiles", "./"+dir)
	cmd.Dir = root
	cmd.Stderr = os.Stderr
	text, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go list ./%s: %w", dir, err)
	}
	exports := map[string]string{}
	var own listed
	for d := json.NewDecoder(bytes.NewReader(text)); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
		exports[p.ImportPath] = p.Export
		own = p // the package itself comes last
	}
	fset := token.NewFileSet()
	conf := types.Config{Importer: importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })}
	var parsed []*ast.File
	sources := map[*ast.File][]byte{}
	for _, name := range own.GoFiles {
		src, err := os.ReadFile(filepath.Join(own.Dir, name))
		if err != nil {
			return nil, err
		}
		f, err := parser.ParseFile(fset, filepath.Join(own.Dir, name), src, parser.SkipObjectResolution)
		if err != nil {
			return nil, err
		}
		parsed = append(parsed, f)
		sources[f] = src
	}
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}, Defs: map[*ast.Ident]types.Object{},
		Selections: map[*ast.SelectorExpr]*types.Selection{}}
	pkg, err := conf.Check(own.ImportPath, fset, parsed, info)
	if err != nil {
		return nil, err
	}
	var types strings.Builder
	for _, n := range pkg.Scope().Names() {
		if plainType(pkg.Scope().Lookup(n)) {
			fmt.Fprintf(&types, "type %s%s = %s\n", alias, n, n)
		}
	}
	w := &woven{aliases: types.String(), path: own.ImportPath, dir: filepath.ToSlash(dir), name: own.Name, files: map[string][]byte{}}
	for _, f := range parsed {
		full := fset.Position(f.Pos()).Filename
		if base := filepath.Base(full); !files.MatchString(base) {
			continue
		}
		g := &generator{src: sources[f], fset: fset, info: info, pkg: pkg, file: w.dir + "/" + filepath.Base(full),
			names: map[string]string{}, sites: map[[2]int][2]*site{}, last: map[ast.Stmt]bool{}}
		for _, i := range f.Imports {
			path := strings.Trim(i.Path.Value, `"`)
			for _, p := range pkg.Imports() {
				if p.Path() == path {
					g.names[path] = p.Name()
				}
			}
			if i.Name != nil {
				g.names[path] = i.Name.Name
			}
		}
		g.not = not
		for _, d := range f.Decls {
			g.decl(d)
		}
		var sites []*site
		for _, pair := range g.sites {
			for _, s := range pair {
				if s != nil {
					sites = append(sites, s)
				}
			}
		}
		var all []*mutant
		for _, s := range sites {
			all = append(all, s.alts...)
		}
		slices.SortFunc(all, func(a, b *mutant) int {
			if a.line != b.line {
				return a.line - b.line
			}
			if a.col != b.col {
				return a.col - b.col
			}
			return strings.Compare(a.op+a.new+a.old, b.op+b.new+b.old)
		})
		for _, m := range all {
			w.mutants = append(w.mutants, m)
			m.id = len(w.mutants)
		}
		w.files[full] = weave(g.src, sites, g.ends)
	}
	return w, nil
}

// overlay writes the woven files and one of the helpers to a folder of their own and returns the
// file that tells the compiler of them.
func (w *woven) overlay(root, folder, helper string) (string, error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return "", err
	}
	replace := map[string]string{}
	add := func(as string, text []byte) error {
		at := filepath.Join(folder, filepath.Base(as))
		replace[as] = at
		return os.WriteFile(at, text, 0o600)
	}
	for as, text := range w.files {
		if err := add(as, text); err != nil {
			return "", err
		}
	}
	if err := add(filepath.Join(root, filepath.FromSlash(w.dir), "mutants_of_ci.go"), []byte(helper+"\n"+w.aliases)); err != nil {
		return "", err
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	at := filepath.Join(folder, "overlay.json")
	return at, os.WriteFile(at, text, 0o600)
}
