package live

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// ErrNobody says that the input is no terminal, so nobody can answer.
var ErrNobody = errors.New("nobody is there to ask")

// mostLine bounds a line that a person types, bytes.
const mostLine = 4096

// FirstLine reads the first line of what a person types, without its end.
func FirstLine(in io.Reader) (string, error) {
	line, err := bufio.NewReader(io.LimitReader(in, mostLine)).ReadString('\n')
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return strings.TrimRight(line, "\r\n"), err
}

// terminal is the file of an input that a person types into.
func terminal(in io.Reader) (fd int, ok bool) {
	file, ok := in.(*os.File)
	if !ok {
		return 0, false
	}
	return int(file.Fd()), term.IsTerminal(int(file.Fd()))
}

// Confirm reports whether a person at a terminal types yes after a question.
// Where there is no terminal the error is ErrNobody.
func Confirm(in io.Reader, out io.Writer, question string) (bool, error) {
	if _, ok := terminal(in); !ok {
		return false, ErrNobody
	}
	fmt.Fprint(out, question+" Type yes: ")
	answer, err := FirstLine(in)
	return strings.TrimSpace(answer) == "yes", err
}

// Secret reads a secret: from a terminal twice and unseen, else one line.
func Secret(in io.Reader, out io.Writer, prompt string) (string, error) {
	fd, ok := terminal(in)
	if !ok {
		return FirstLine(in)
	}
	var words [2]string
	for i, p := range []string{prompt, "Once more: "} {
		fmt.Fprint(out, p)
		b, err := term.ReadPassword(fd)
		fmt.Fprintln(out)
		if err != nil {
			return "", err
		}
		words[i] = string(b)
	}
	if words[0] != words[1] {
		return "", errors.New("the two are not the same: nothing was changed")
	}
	return words[0], nil
}
