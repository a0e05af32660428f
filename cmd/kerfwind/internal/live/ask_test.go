package live

import (
	"errors"
	"io"
	"strings"
	"testing"
)

// What is no terminal is read up to the end of its first line.
func TestFirstLine(t *testing.T) {
	for in, want := range map[string]string{"": "", "barn": "barn", " a b \r\nnext": " a b ", "\n": "", strings.Repeat("x", 2*mostLine): strings.Repeat("x", mostLine)} {
		if got, err := FirstLine(strings.NewReader(in)); got != want || err != nil {
			t.Errorf("%.20q: %.20q, %v", in, got, err)
		}
		if got, err := Secret(strings.NewReader(in), io.Discard, "?"); got != want || err != nil {
			t.Errorf("secret of %.20q: %.20q, %v", in, got, err)
		}
	}
}

// Nobody confirms through a pipe.
func TestConfirmNobody(t *testing.T) {
	var out strings.Builder
	if yes, err := Confirm(strings.NewReader("yes\n"), &out, "Move?"); yes || !errors.Is(err, ErrNobody) || out.Len() > 0 {
		t.Errorf("%v, %v, %q", yes, err, out.String())
	}
}
