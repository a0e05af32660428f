package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing that is wrong, or doubtful, in a file.
type Problem struct {
	File    string `json:"file"`
	Line    int    `json:"line"`   // from 1; 0 = the file as a whole
	Column  int    `json:"column"` // in characters, from 1
	Message string `json:"message"`
	Remedy  string `json:"remedy"`
}

// String is "file:line:column: message; remedy" on two lines.
func (p Problem) String() string {
	where := p.File
	if p.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
	}
	s := where + ": " + p.Message
	if p.Remedy != "" {
		s += "\n    " + p.Remedy
	}
	return s
}

// Errors is everything that is wrong in a rig or a shop file, in the order of
// its lines.
type Errors []Problem

// Error lists the problems, one below the other.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, p := range e {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// sorted puts the problems in the order of the file and drops repetitions.
func (e Errors) sorted() Errors {
	slices.SortStableFunc(e, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return slices.Compact(e)
}

// didYouMean offers the nearest of the names, or lists them when there are few.
func didYouMean(word string, names []string) string {
	best, at := 3, ""
	if n := len([]rune(word)); n < 4 {
		best = 2
	}
	for _, n := range names {
		if d := distance(strings.ToLower(word), strings.ToLower(n)); d < best && d < len([]rune(n)) {
			best, at = d, n
		}
	}
	switch {
	case at != "":
		return fmt.Sprintf("did you mean %q?", at)
	case len(names) == 0:
		return ""
	case len(names) <= 16:
		return "known here: " + quoted(slices.Compact(slices.Clone(names)))
	}
	return ""
}

// quoted lists names as "a", "b" and "c".
func quoted(names []string) string {
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = fmt.Sprintf("%q", n)
	}
	return list(q)
}

// list joins words as in "a, b and c".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// distance is the number of letters to insert, delete, replace or swap with
// the next to make one word of the other (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 40 || len(y) > 40 {
		return 40
	}
	var rows [3][]int
	for i := range rows {
		rows[i] = make([]int, len(y)+1)
	}
	for j := range rows[1] {
		rows[1][j] = j
	}
	for i := 1; i <= len(x); i++ {
		rows[2][0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			d := min(rows[1][j]+1, rows[2][j-1]+1, rows[1][j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				d = min(d, rows[0][j-2]+1)
			}
			rows[2][j] = d
		}
		rows[0], rows[1], rows[2] = rows[1], rows[2], rows[0]
	}
	return rows[1][len(y)]
}
