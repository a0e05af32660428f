package config

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Hidden reports whether a character must not reach a terminal or a page: a
// control character, one that turns the direction of writing or cannot be seen,
// or what is no text. The joiners that some scripts need are none of these.
func Hidden(r rune) bool {
	switch r {
	case '\u200c', '\u200d': // zero width non-joiner and joiner
		return false
	case utf8.RuneError:
		return true
	}
	return unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co)
}

// OneLine makes a text from elsewhere fit for one line of a terminal or a page:
// hidden characters become blanks, and blanks in a row become one.
func OneLine(text string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if Hidden(r) {
			return ' '
		}
		return r
	}, text)), " ")
}
