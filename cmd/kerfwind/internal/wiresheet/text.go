package wiresheet

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// columns is the width of the text form: it prints on A4 and letter paper.
const columns = 96

// WriteText writes the sheet as plain text.
func (s *Sheet) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n%s\n", s.Title, strings.Repeat("=", utf8.RuneCountInString(s.Title)), wrap("("+s.From+")", "", " ", columns))
	for i := range s.Sections {
		sec := &s.Sections[i]
		head := fmt.Sprintf("%d  %s", i+1, sec.Title)
		fmt.Fprintf(&b, "\n%s\n%s\n", head, strings.Repeat("-", utf8.RuneCountInString(head)))
		for j := range sec.Blocks {
			sec.Blocks[j].text(&b)
		}
	}
	_, err := plain.WriteString(w, b.String())
	return err
}

// plain takes out what only paper needs.
var plain = strings.NewReplacer("\u00a0", " ", "\u2011", "-")

func (k *Block) text(b *strings.Builder) {
	switch k.Kind {
	case Para:
		fmt.Fprintf(b, "\n%s\n", wrap(k.Text, "", "", columns))
	case Caution:
		fmt.Fprintf(b, "\n%s\n", wrap(k.Text, "  !  ", "  !  ", columns))
	case List:
		b.WriteString("\n")
		for _, item := range k.Items {
			fmt.Fprintf(b, "%s\n", wrap(item, "  -  ", "     ", columns))
		}
	case Code:
		b.WriteString("\n")
		for _, item := range k.Items {
			fmt.Fprintf(b, "    %s\n", strings.ReplaceAll(item, "\n", "\n    "))
		}
	case Table, Header:
		b.WriteString("\n")
		grid(b, k.Head, k.Rows)
	case Steps:
		for i, r := range k.Rows {
			fmt.Fprintf(b, "\n%s\n%s\n%s\n", wrap(r[0], fmt.Sprintf("[ ] %2d  ", i+1), "        ", columns),
				wrap(r[1], "        expect: ", "                ", columns), "        read:   ______________________")
		}
	case Picture:
		k.Figure.text(b)
	default:
		panic("wiresheet: block without a kind")
	}
}

// text draws the circuit in characters.
func (f *Figure) text(b *strings.Builder) {
	burden := "burden inside"
	if f.Burden != "" {
		burden = f.Burden + " across it"
	}
	left := "      +---------+--- bias " + f.Bias + " --- "
	mid := "transformer " + f.Ratio + " --- 470 ohm ---"
	under := fmt.Sprintf("      |         |%s%s", strings.Repeat(" ", len(left)-17), burden)
	node := len(left) + len(mid)
	at := func(line, word string) { fmt.Fprintf(b, "%-*s%s\n", node, line, word) }
	b.WriteString("\n")
	for _, l := range []string{"    " + f.Top, "      |", "    " + f.Upper, "      |"} {
		fmt.Fprintln(b, l)
	}
	at(left+mid, "+--- input")
	at(under, "|")
	at(fmt.Sprintf("    %-10s10 uF", f.Lower), "diodes to")
	at("      |         |", "ground and")
	at("    ground    ground", "supply")
}

// wrap breaks words into lines of at most width characters.
func wrap(text, first, rest string, width int) string {
	var lines []string
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			lines = append(lines, line)
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	return strings.Join(append(lines, line), "\n")
}

// grid lays out a table; the widest column gives way and wraps.
func grid(b *strings.Builder, head []string, rows [][]string) {
	widths := make([]int, len(head))
	all := append([][]string{head}, rows...)
	for _, r := range all {
		for c, cell := range r {
			widths[c] = max(widths[c], utf8.RuneCountInString(cell))
		}
	}
	for {
		total, widest := 2*len(widths), 0
		for c, w := range widths {
			total += w
			if w > widths[widest] {
				widest = c
			}
		}
		if total <= columns || widths[widest] <= 8 {
			break
		}
		widths[widest]--
	}
	for n, r := range all {
		cells := make([][]string, len(r))
		height := 1
		for c, cell := range r {
			cells[c] = strings.Split(wrap(cell, "", "", widths[c]), "\n")
			height = max(height, len(cells[c]))
		}
		for line := range height {
			out := " "
			for c := range r {
				cell := ""
				if line < len(cells[c]) {
					cell = cells[c][line]
				}
				out += " " + cell + strings.Repeat(" ", max(0, widths[c]-utf8.RuneCountInString(cell))) + " "
			}
			b.WriteString(strings.TrimRight(out, " ") + "\n")
		}
		if n == 0 {
			line := " "
			for _, w := range widths {
				line += " " + strings.Repeat("-", w) + " "
			}
			b.WriteString(strings.TrimRight(line, " ") + "\n")
		}
	}
}
