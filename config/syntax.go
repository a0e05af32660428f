package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

// What is wrong with a file before its keys are looked at.

// mostSyntax bounds how many lines with wrong syntax are reported: our own choice.
const mostSyntax = 30

// notText reports what is not plain UTF-8 text.
func notText(name string, data []byte) Errors {
	at := func(line int, message, remedy string) Errors {
		return Errors{{File: name, Line: line, Column: 1, Message: message, Remedy: remedy}}
	}
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		return at(1, "the file is saved as UTF-16", "save it as UTF-8: the editor's \"save as\" asks for the encoding")
	case bytes.HasPrefix(data, []byte("\ufeff")):
		return at(1, "the file begins with a byte-order mark, which cannot be seen", "save it as UTF-8 without a byte-order mark (BOM)")
	case !utf8.Valid(data):
		line := 1
		for d := data; len(d) > 0; {
			r, n := utf8.DecodeRune(d)
			if r == utf8.RuneError && n == 1 {
				break
			}
			if r == '\n' {
				line++
			}
			d = d[n:]
		}
		return at(line, "not a text in UTF-8", "save the file as UTF-8")
	}
	return nil
}

// statement is how a line begins that is not the middle of something.
var statement = regexp.MustCompile(`^\s*([A-Za-z0-9_."-]+\s*=|\[)`)

// syntax reports every line with wrong syntax: it takes each out and looks at the rest
// again. lists are the keys that are lists of tables.
func syntax(name string, data []byte, lists []string) Errors {
	lines := strings.Split(string(data), "\n")
	var out Errors
	for i, line := range lines {
		if m := single.FindStringSubmatch(line); m != nil && slices.Contains(lists, m[1]) {
			out = append(out, Problem{File: name, Line: i + 1, Column: 1 + strings.Index(line, "["), Message: fmt.Sprintf("[%[1]s] must be [[%[1]s]]: there may be several", m[1]),
				Remedy: fmt.Sprintf("write [[%s]] above each", m[1])})
			lines[i] = "[[" + m[1] + "]]"
		}
	}
	for len(out) < mostSyntax {
		text := strings.Join(lines, "\n")
		var tree map[string]any
		err := toml.Unmarshal([]byte(text), &tree)
		if err == nil {
			break
		}
		p := syntaxProblem(name, err)
		if p.Line < 1 || p.Line > len(lines) {
			return append(out, p)
		}
		bad := lines[p.Line-1]
		if strings.TrimSpace(bad) == "" { // it follows from a line already reported, or from the end
			if len(out) == 0 {
				out = append(out, p)
			}
			break
		}
		if open := left(lines, p); open > 0 {
			p.Line, p.Column = open, 1
			p.Message, p.Remedy = "a bracket or a brace is missing", "close each [ with ] and each { with }, and put commas between what is inside"
			bad = lines[open-1]
		} else {
			p.improve(bad)
		}
		out = append(out, p)
		lines[p.Line-1] = ""
		if m := half.FindStringSubmatch(bad); m != nil && opens(bad) > 0 {
			lines[p.Line-1] = "[" + m[1] + "]"
			if slices.Contains(lists, m[1]) {
				lines[p.Line-1] = "[[" + m[1] + "]]"
			}
			continue
		}
		if !statement.MatchString(bad) || opens(bad) <= 0 {
			continue
		}
		depth := opens(bad) // the rest of what began there goes too
		for i := p.Line; i < len(lines) && depth > 0 && !statement.MatchString(lines[i]); i++ {
			depth += opens(lines[i])
			lines[i] = ""
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out.sorted()
}

var (
	single = regexp.MustCompile(`^\s*\[\s*([a-z_]+)\s*\]\s*(?:#.*)?$`)
	half   = regexp.MustCompile(`^\s*\[\[?\s*([a-z_]+)\s*\]?\s*(?:#.*)?$`)
)

// left is the line whose bracket or brace was left open where a problem is at the
// beginning of a line below it; 0: there is none.
func left(lines []string, p Problem) int {
	if !strings.Contains(p.Message, "after array value") && !strings.Contains(p.Message, "after inline table") {
		return 0
	}
	if here := lines[p.Line-1]; p.Column > utf8.RuneCountInString(here)-utf8.RuneCountInString(strings.TrimLeft(here, " \t"))+1 {
		return 0
	}
	for i := p.Line - 1; i > 0; i-- {
		text := strings.TrimSpace(lines[i-1])
		if text == "" || text[0] == '#' {
			continue
		}
		if opens(text) > 0 {
			return i
		}
		return 0
	}
	return 0
}

// opens is how many brackets of a line stay open.
func opens(line string) int {
	return strings.Count(line, "[") + strings.Count(line, "{") - strings.Count(line, "]") - strings.Count(line, "}")
}

// syntaxProblem words an error of the TOML library.
func syntaxProblem(name string, err error) Problem {
	p := Problem{File: name, Line: 1, Column: 1, Message: strings.TrimPrefix(err.Error(), "toml: "), Remedy: "compare it with a line like it that works: key = \"text\", or [table]"}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		p.Line, p.Column = de.Position()
	}
	return p
}

// curly are the quotes that word processors make of straight ones.
const curly = "“”„‟‘’‚‛«»"

// improve says what a person most likely did in a line with wrong syntax.
func (p *Problem) improve(line string) {
	key, value, ok := strings.Cut(line, "=")
	key, value = strings.TrimSpace(key), strings.TrimSpace(value)
	if strings.HasPrefix(value, "#") {
		value = ""
	}
	number, rest := cutNumber(value)
	rest, _, _ = strings.Cut(rest, "#")
	rest = strings.TrimSpace(rest)
	table := strings.Trim(strings.TrimSpace(line), "[]")
	switch {
	case strings.ContainsAny(line, curly):
		p.Message = "curly quotes, as a word processor makes them"
		p.Remedy = "write straight ones: " + strings.TrimSpace(strings.NewReplacer("“", `"`, "”", `"`, "„", `"`, "‟", `"`, "«", `"`, "»", `"`, "‘", `"`, "’", `"`, "‚", `"`, "‛", `"`).Replace(line))
	case strings.HasPrefix(strings.TrimSpace(line), "[[") && !ok && strings.Contains(p.Message, "already"):
		p.Message = fmt.Sprintf("[[%s]] does not go with a single [%s]", table, table)
		p.Remedy = fmt.Sprintf("write [%s], or [[%s]] above each", table, table)
	case strings.HasPrefix(strings.TrimSpace(line), "[") && !ok && opens(line) != 0:
		p.Message, p.Remedy = "a bracket is missing", fmt.Sprintf("write [%[1]s] or [[%[1]s]]", table)
	case strings.Contains(p.Message, "already"):
		p.Message = fmt.Sprintf("%q is written a second time", strings.Trim(key, "[] "))
		p.Remedy = "a table has each key once: take one out"
	case ok && number != "" && rest != "" && strings.Count(line, "=") == 1:
		p.Remedy = fmt.Sprintf("a quantity is written in quotes: %s = %q", key, number+" "+rest)
	case !ok && strings.Contains(line, ":"):
		p.Message = "it has a colon where = belongs"
		k, v, _ := strings.Cut(line, ":")
		p.Remedy = fmt.Sprintf("write %s = %s", strings.TrimSpace(k), strings.TrimSpace(v))
	case ok && strings.Count(value, `"`)%2 == 1 || strings.Contains(p.Message, "string"):
		p.Message = "a text has no end"
		p.Remedy = "close the text with a quote on the same line"
	case ok && value == "":
		p.Message = fmt.Sprintf("%q has no value", key)
		p.Remedy = "write one after the =, or take the line out"
	case ok && !strings.ContainsAny(key, "\"'[]{}") && strings.Contains(key, " "):
		p.Message = fmt.Sprintf("%q is no key: it has a blank in it", key)
		p.Remedy = "keys have an underline where a blank would be: " + strings.ReplaceAll(key, " ", "_")
	case ok && opens(value) == 0 && number == "" && !strings.ContainsAny(value[:1], "\"'[{") && value != "true" && value != "false":
		p.Message = fmt.Sprintf("%s has no quotes", value)
		p.Remedy = fmt.Sprintf("a text is written in quotes: %s = %q", key, strings.Trim(value, "\"'"))
	case ok && opens(line) != 0:
		p.Message = "a bracket or a brace is missing"
		p.Remedy = "close each [ with ] and each { with }, and put commas between what is inside"
	case ok && strings.HasPrefix(strings.TrimSpace(line), "{"):
		p.Remedy = "put a comma between two keys, and after the } of each table but the last"
	}
}

// listsOf are the keys of a raw file that are lists of tables.
func listsOf(t reflect.Type) (out []string) {
	for _, f := range reflect.VisibleFields(t) {
		if f.Type.Kind() == reflect.Slice && f.Type.Elem().Kind() == reflect.Struct {
			out = append(out, f.Tag.Get("toml"))
		}
	}
	return out
}

// swapped reports a rig file in the place of a shop file, or a shop file in the place of
// a rig file: it has keys of the other and none of its own.
func swapped(name string, tree map[string]any, t reflect.Type) (Problem, bool) {
	own, other := []string{"adc", "channel", "contact", "actuator"}, []string{"units", "mains", "machine", "gate", "collector", "circuit"}
	is, wanted := "shop", "rig"
	switch t {
	case reflect.TypeFor[rawRig]():
	case reflect.TypeFor[rawShop]():
		own, other, is, wanted = other, own, wanted, is
	default:
		return Problem{}, false
	}
	has := func(keys []string) (n int) {
		for _, k := range keys {
			if _, ok := tree[k]; ok {
				n++
			}
		}
		return n
	}
	if has(own) > 0 || has(other) < 2 {
		return Problem{}, false
	}
	return Problem{File: name, Line: 1, Column: 1, Message: fmt.Sprintf("this is a %s file, and a %s file is wanted here", is, wanted),
		Remedy: "the rig file goes after --rig, the shop file after --shop: exchange the two"}, true
}
