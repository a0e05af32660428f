package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"
)

// key says which mutant is meant, whatever moves above it in the file.
func (m *mutant) key() string {
	return strings.Join([]string{m.file, m.fn, m.op, m.change(), m.text}, " | ")
}

// entry is a line of the list of survivors.
type entry struct {
	key    string
	why    string
	owed   bool // it changes something: a test is owed
	line   int
	exists bool // such a mutant exists
	ran    bool // one of them was run
	lived  bool // one of them lived
}

// readSurvivors reads the list: a line "why: REASON", then a line for each mutant that changes nothing
// for that reason; or "owed: WHAT", then a line for each mutant that a test is owed to.
func readSurvivors(name string) (map[string]*entry, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	list := map[string]*entry{}
	why, owed := "", false
	s := bufio.NewScanner(f)
	s.Buffer(nil, 1<<20)
	for n := 1; s.Scan(); n++ {
		line := strings.TrimSpace(s.Text())
		switch {
		case line == "" || strings.HasPrefix(line, "#"):
		case strings.HasPrefix(line, "why: "):
			why, owed = strings.TrimPrefix(line, "why: "), false
		case strings.HasPrefix(line, "owed: "):
			why, owed = strings.TrimPrefix(line, "owed: "), true
		case why == "":
			return nil, fmt.Errorf("%s:%d: no reason stands above this mutant: write a line \"why: REASON\" there", name, n)
		case list[line] != nil:
			return nil, fmt.Errorf("%s:%d: this mutant stands in line %d already: take one out", name, n, list[line].line)
		default:
			list[line] = &entry{key: line, why: why, owed: owed, line: n}
		}
	}
	return list, s.Err()
}
