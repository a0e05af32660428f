package main

import (
	"embed"
	"strings"

	"github.com/spf13/cobra"
)

// helpTexts hold the long help of each command in a file that has its name: of
// "trace make" in help/trace-make.txt. Examples come last.
//
//go:embed help/*.txt
var helpTexts embed.FS

// explain gives a command and those below it their long help. What a command
// has already stays at the end.
func explain(cmd *cobra.Command) {
	for _, c := range cmd.Commands() {
		explain(c)
	}
	_, name, _ := strings.Cut(strings.ReplaceAll(cmd.CommandPath(), " ", "-"), "-")
	file, err := helpTexts.ReadFile("help/" + name + ".txt")
	if err != nil {
		return // its short help says all
	}
	text, examples, _ := strings.Cut(strings.TrimSpace(string(file)), "\n\nExamples:\n")
	cmd.Long, cmd.Example = strings.TrimSpace(text+"\n\n"+cmd.Long), examples
}
