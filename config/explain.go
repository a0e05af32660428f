package config

import (
	_ "embed"
	"strings"
)

// explained says of each key what it is, a line each: "shop machine.coast" and its
// sentences. TestManual writes it from the manual pages, where the texts are kept.
//
//go:embed keys.txt
var explained string

// keysOf lists the keys of a kind of file, each with what it is.
func keysOf(kind string) map[string]string {
	out := map[string]string{}
	for line := range strings.Lines(explained) {
		of, rest, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		if key, text, ok := strings.Cut(rest, " "); ok && of == kind {
			out[key] = text
		}
	}
	return out
}

func rigKeys() map[string]string  { return keysOf("rig") }
func shopKeys() map[string]string { return keysOf("shop") }
