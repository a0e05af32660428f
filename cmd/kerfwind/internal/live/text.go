package live

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"kerfwind/config"
)

// clean makes any text safe for a terminal: no control characters, no marks
// that turn the direction of writing, nothing that is not text.
func clean(s string, utf bool) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case config.Hidden(r):
			b.WriteByte('?')
		case !utf && r >= utf8.RuneSelf:
			b.WriteString(plain(r))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// plain is a character in ASCII.
func plain(r rune) string {
	switch r {
	case '…':
		return "..."
	case '×':
		return "x"
	case '·':
		return "-"
	}
	return "?"
}

// cells is how many columns a character takes on a terminal.
func cells(r rune) int {
	switch {
	case unicode.Is(unicode.Mn, r) || unicode.Is(unicode.Me, r):
		return 0
	case r < 0x1100:
		return 1
	case r <= 0x115F, // Hangul Jamo
		r >= 0x2E80 && r <= 0x303E, r >= 0x3041 && r <= 0xA4CF, // CJK, kana
		r >= 0xAC00 && r <= 0xD7A3, r >= 0xF900 && r <= 0xFAFF,
		r >= 0xFE30 && r <= 0xFE6F, r >= 0xFF00 && r <= 0xFF60, r >= 0xFFE0 && r <= 0xFFE6,
		r >= 0x1F300 && r <= 0x1FAFF, r >= 0x20000 && r <= 0x3FFFD:
		return 2
	}
	return 1
}

// width is how many columns text takes. It holds no escape sequences.
func width(s string) int {
	n := 0
	for _, r := range s {
		n += cells(r)
	}
	return n
}

// cut shortens text to at most w columns.
func cut(s string, w int, utf bool) string {
	if width(s) <= w {
		return s
	}
	mark := "~"
	if utf {
		mark = "…"
	}
	n := 0
	for i, r := range s {
		if n += cells(r); n > w-1 {
			if w < 1 {
				return ""
			}
			return s[:i] + mark
		}
	}
	return s
}

// pad makes text exactly w columns wide: cut or filled with blanks.
func pad(s string, w int, utf bool) string {
	s = cut(s, w, utf)
	return s + strings.Repeat(" ", max(0, w-width(s)))
}
