// Package wiresheet makes the sheet from which a rig is wired and brought up: the
// parts, every pin, the values of resistors computed from the rig file, the
// boot settings, and a list of steps with the reading to expect at each. It is
// pure: a rig and a shop go in, text or HTML for paper comes out.
package wiresheet

// Sheet holds what is printed, free of any layout.
type Sheet struct {
	Title    string
	From     string // the files that it was made from
	Sections []Section
	Tight    bool // meant for one page
}

// Section is one numbered part of a sheet.
type Section struct {
	Title  string
	Blocks []Block
}

// Kind says how a block is laid out. The zero value is invalid.
type Kind uint8

// The kinds of blocks.
const (
	Para    Kind = iota + 1 // Text
	Caution                 // Text, not to be overlooked
	List                    // Items
	Table                   // Head, Rows
	Header                  // Rows: the computer's header, two pins a row; Head as for a table
	Code                    // Items: lines to be copied exactly
	Steps                   // Rows: what to do, what to expect
	Picture                 // Figure
)

// Block is one piece of a section.
type Block struct {
	Kind  Kind
	Text  string
	Items []string
	Head  []string
	Rows  [][]string

	Figure Figure
}

// Figure is the circuit of one channel with its values.
type Figure struct {
	Top, Upper, Lower, Bias string
	Ratio                   string
	Burden                  string // empty: inside the transformer
}

func (s *Section) add(b ...Block)       { s.Blocks = append(s.Blocks, b...) }
func (s *Section) say(text string)      { s.add(Block{Kind: Para, Text: text}) }
func (s *Section) caution(text string)  { s.add(Block{Kind: Caution, Text: text}) }
func (s *Section) list(items ...string) { s.add(Block{Kind: List, Items: items}) }

func (s *Section) table(head []string, rows [][]string) {
	if len(rows) > 0 {
		s.add(Block{Kind: Table, Head: head, Rows: rows})
	}
}
