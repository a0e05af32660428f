package live

import "strings"

// wrapWidth is that of a narrow terminal, or a phone's.
const wrapWidth = 60

// Wrap breaks a text into lines, the first after mark, the others after hang.
func Wrap(text, mark, hang string) string {
	var b strings.Builder
	line, n := mark, 0
	for _, w := range strings.Fields(text) {
		if n > 0 && len([]rune(line))+1+len([]rune(w)) > wrapWidth {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, n = hang, 0
		}
		if n > 0 {
			line += " "
		}
		line += w
		n++
	}
	return b.String() + strings.TrimRight(line, " ")
}
