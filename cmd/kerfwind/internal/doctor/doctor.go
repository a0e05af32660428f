// Package doctor looks at the computer that a rig is plugged into: devices and
// who may open them, chips and whether they answer, lines and who holds them,
// disk, clock, supply. Nothing moves: no line is requested, converters are read,
// servo chips are only asked for an answer; and no chip is spoken to while a
// kerfwind runs.
package doctor

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"kerfwind/config"
)

// Level says how a finding is to be taken. The zero value is invalid.
type Level uint8

// The levels.
const (
	OK   Level = iota + 1
	Warn       // it runs; something should be better
	Bad        // it will not run, or not safely
)

var levelNames = [...]string{OK: "ok", Warn: "warn", Bad: "BAD"}

// String is the level's word in the report.
func (l Level) String() string {
	if int(l) < len(levelNames) && levelNames[l] != "" {
		return levelNames[l]
	}
	return "invalid"
}

// MarshalText is the level's word in JSON.
func (l Level) MarshalText() ([]byte, error) { return []byte(strings.ToLower(l.String())), nil }

// Finding is one thing that was looked at.
type Finding struct {
	Level Level  `json:"level"`
	About string `json:"about"`        // what was looked at
	Says  string `json:"says"`         // how it is and what that means
	Do    string `json:"do,omitempty"` // what to do about it
}

// Options say what to look at.
type Options struct {
	Rig     *config.Rig
	Shop    *config.Shop // nil: the rig alone
	State   string       // the state folder
	Runtime string       // the folder of the rig's lock
	System  System

	// Scan reads one scan of a converter by its driver; Ask waits for an answer of
	// the servo chip at an address. nil: the chips are not spoken to.
	Scan func(adc int) error
	Ask  func(bus string, address int) error

	// Place says where a file lies that the rig file names; nil takes the name
	// as it is.
	Place func(name string) string

	// Echo sends a message to the broker of the rig file and waits for it to come
	// back. nil: the broker is not looked at.
	Echo func() (took time.Duration, err error)

	// Passwords tells what is wrong with the content of the file of passwords.
	Passwords func([]byte) error
}

// exam collects findings.
type exam struct {
	Options
	found []Finding
	busy  bool // a kerfwind runs, or may run
}

func (e *exam) ok(about, format string, a ...any) {
	e.found = append(e.found, Finding{OK, about, fmt.Sprintf(format, a...), ""})
}

func (e *exam) warn(about, says, do string) {
	e.found = append(e.found, Finding{Warn, about, says, do})
}

func (e *exam) bad(about, says, do string) {
	e.found = append(e.found, Finding{Bad, about, says, do})
}

// Examine looks at everything that the rig needs, in a fixed order.
func Examine(o Options) []Finding {
	e := &exam{Options: o}
	e.user()
	e.holder()
	e.converters()
	e.buses()
	e.lines()
	e.persistence()
	e.disk()
	e.memory()
	e.clock()
	e.watchdog()
	e.supply()
	e.heat()
	e.page()
	e.broker()
	e.notices()
	return e.found
}

// Count is how many findings are of a level.
func Count(found []Finding, l Level) int {
	n := 0
	for _, f := range found {
		if f.Level == l {
			n++
		}
	}
	return n
}

// Write prints findings for people.
func Write(w io.Writer, found []Finding) error {
	var b strings.Builder
	for _, f := range found {
		fmt.Fprintf(&b, "%-4s  %s: %s\n", f.Level, f.About, f.Says)
		if f.Do != "" {
			fmt.Fprintf(&b, "      what to do: %s\n", f.Do)
		}
	}
	fmt.Fprintf(&b, "%d ok, %d to look at, %d bad\n", Count(found, OK), Count(found, Warn), Count(found, Bad))
	_, err := io.WriteString(w, b.String())
	return err
}

// printable is text of a file or of the kernel, as it may go to a terminal.
func printable(b []byte) string {
	s := strings.TrimRight(string(b), "\x00\n ")
	if !utf8.ValidString(s) {
		return fmt.Sprintf("%q", s)
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
}
