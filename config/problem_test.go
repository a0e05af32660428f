package config

import "testing"

func TestDidYouMean(t *testing.T) {
	for _, c := range []struct {
		word  string
		known []string
		want  string
	}{
		{"plainer", []string{"saw", "planer"}, `did you mean "planer"?`},
		{"Planer", []string{"saw", "planer"}, `did you mean "planer"?`},
		{"chanels", []string{"channels", "contacts"}, `did you mean "channels"?`},
		{"swa", []string{"saw", "planer"}, `did you mean "saw"?`},
		{"lathe", []string{"saw", "planer"}, `known here: "saw" and "planer"`},
		{"x", nil, ""},
		{"zz", []string{"a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l", "m", "n", "o", "p", "q"}, ""},
	} {
		if got := didYouMean(c.word, c.known); got != c.want {
			t.Errorf("didYouMean(%q) = %q, want %q", c.word, got, c.want)
		}
	}
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"", "abc", 3}, {"abc", "", 3}, {"abc", "abc", 0}, {"abc", "acb", 1}, {"abc", "ab", 1}, {"abc", "xbc", 1},
		{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"Ω", "o", 1},
	} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("distance(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

// Places are right for every way to write a table.
func TestIndex(t *testing.T) {
	got := index([]byte(`a = 1
list = [ { x = 1 }, { "é" = 2, y = { z = 3 } } ]
[t]
k.l = "v"
[[w]]
n = 1
[[w]]
n = 2
[w.in]
m = 3
[[w.deep]]
o = 4
[[w.deep]]
o = 5
`))
	for path, want := range map[string]position{
		"a": {1, 1}, "list": {2, 1}, "list[0]": {2, 10}, "list[0].x": {2, 12}, "list[1].é": {2, 23}, "list[1].y": {2, 32}, "list[1].y.z": {2, 38},
		"t": {3, 2}, "t.k": {4, 1}, "t.k.l": {4, 3}, "w[0]": {5, 3}, "w[0].n": {6, 1}, "w[1].n": {8, 1}, "w[1].in": {9, 4}, "w[1].in.m": {10, 1},
		"w[1].deep[0].o": {12, 1}, "w[1].deep[1].o": {14, 1},
	} {
		if got[path] != want {
			t.Errorf("%s is at %v, want %v", path, got[path], want)
		}
	}
}
