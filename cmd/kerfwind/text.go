package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"

	"kerfwind/cmd/kerfwind/internal/live"
)

// wrapText breaks a text into lines, the first after mark, the others after hang.
func wrapText(text, mark, hang string) string { return live.Wrap(text, mark, hang) }

// shellWord quotes a word for a shell if need be.
func shellWord(s string) string {
	if strings.ContainsAny(s, " '\"\\$*?[]();&|<>") {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}

func bullets(w io.Writer, list []string) {
	for _, x := range list {
		fmt.Fprintln(w, wrapText(x, "- ", "  "))
	}
}

// firstLine reads the first line of what a person types, without its end.
func firstLine(r io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(r, 4096)).ReadString('\n')
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return strings.TrimSpace(line), err
}
