package config_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"kerfwind/config"
)

// TestHidden: a name in a file has no character that a reader cannot see, and
// what comes from elsewhere loses them.
func TestHidden(t *testing.T) {
	for text, want := range map[string]string{
		"pla\u202ener": "pla ner", "\x1b[2Jplaner": "[2Jplaner", "a\u2028b": "a b", "a\u0085b": "a b", "a\ufeffb": "a b", "a\u00adb": "a b", "a\ue000b": "a b", "a\xffb": "a b",
		"a\r\n\tb": "a b", "Säge": "Säge", "بند\u200cساز": "بند\u200cساز", "鉋": "鉋",
	} {
		if got := config.OneLine(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
		if !utf8.ValidString(text) || !strings.ContainsFunc(text, config.Hidden) {
			continue
		}
		var quoted strings.Builder
		for _, r := range text {
			quoted.WriteString(`\U` + strings.Repeat("0", 8-len(hex(r))) + hex(r))
		}
		_, err := config.ParseRig("rig.toml", []byte("format = 1\nname = \""+quoted.String()+"\"\n"))
		if err == nil || !strings.Contains(err.Error(), "cannot be seen") || strings.ContainsFunc(strings.ReplaceAll(err.Error(), "\n", ""), config.Hidden) {
			t.Errorf("%q as a name: %v", text, err)
		}
	}
}

func hex(r rune) string {
	const digits = "0123456789abcdef"
	out := ""
	for ; r > 0; r /= 16 {
		out = string(digits[r%16]) + out
	}
	return out
}
