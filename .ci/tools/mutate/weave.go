package main

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
)

// weave writes a file with all its mutants in it, each behind a test whether it
// is on. The sites lie within each other or apart.
func weave(src []byte, sites []*site, ends []int) []byte {
	slices.SortFunc(sites, func(a, b *site) int {
		if a.from != b.from {
			return a.from - b.from
		}
		if a.to != b.to {
			return b.to - a.to
		}
		if a.stmt == b.stmt {
			return 0
		}
		if a.stmt {
			return -1
		}
		return 1
	})
	slices.Sort(ends)
	w := weaver{src: src, sites: sites, ends: ends}
	w.piece(0, len(src))
	return w.out.Bytes()
}

type weaver struct {
	src   []byte
	sites []*site
	ends  []int
	out   bytes.Buffer
}

// copy copies the source as it is, with a panic before each end of a function.
func (w *weaver) copy(from, to int) {
	for len(w.ends) > 0 && w.ends[0] < to {
		w.out.Write(w.src[from:w.ends[0]])
		w.out.WriteString(`; panic("the mutant returns nothing") `)
		from, w.ends = w.ends[0], w.ends[1:]
	}
	w.out.Write(w.src[from:to])
}

// piece writes from..to with the sites that begin in it.
func (w *weaver) piece(from, to int) {
	for len(w.sites) > 0 && w.sites[0].from < to {
		s := w.sites[0]
		w.sites = w.sites[1:]
		w.copy(from, s.from)
		w.site(s)
		from = s.to
	}
	w.copy(from, to)
}

func (w *weaver) site(s *site) {
	switch {
	case s.stmt:
		for _, m := range s.alts {
			fmt.Fprintf(&w.out, "if mutantOn(%d) { %s } else ", m.id, m.new)
		}
		w.out.WriteString("{ ")
		w.piece(s.from, s.to)
		w.out.WriteString(" }")
	case s.typ == "":
		var none []string
		w.out.WriteString("(")
		for _, m := range s.alts {
			fmt.Fprintf(&w.out, "mutantOn(%d) && (%s) || ", m.id, m.new)
			none = append(none, fmt.Sprintf("!mutantOn(%d)", m.id))
		}
		w.out.WriteString(strings.Join(none, " && ") + " && (")
		w.piece(s.from, s.to)
		w.out.WriteString("))")
	default:
		fmt.Fprintf(&w.out, "func() %s { ", s.typ)
		for _, m := range s.alts {
			fmt.Fprintf(&w.out, "if mutantOn(%d) { return %s }; ", m.id, m.new)
		}
		w.out.WriteString("return ")
		w.piece(s.from, s.to)
		w.out.WriteString(" }()")
	}
}

// The switch of the mutants, a file put into the package. Where it records,
// it writes the number of each mutant that is reached, once, and none is on.
const (
	runHelper = `package %s

import (
	"os"
	"strconv"
)

var mutantActive, _ = strconv.Atoi(os.Getenv("KERFWIND_MUTANT"))

func mutantOn(n int) bool { return n == mutantActive }
`
	recordHelper = `package %s

import (
	"os"
	"strconv"
	"sync/atomic"
)

var (
	mutantReached [%d]atomic.Bool
	mutantRecord  = func() *os.File {
		f, err := os.OpenFile(os.Getenv("KERFWIND_MUTANT_RECORD"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
		if err != nil {
			panic(err)
		}
		return f
	}()
)

func mutantOn(n int) bool {
	if !mutantReached[n].Load() && !mutantReached[n].Swap(true) {
		mutantRecord.WriteString(strconv.Itoa(n) + "\n")
	}
	return false
}
`
)
