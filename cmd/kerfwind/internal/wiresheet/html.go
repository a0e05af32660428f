package wiresheet

import (
	_ "embed" // the template
	"html/template"
	"io"
	"strings"
)

//go:embed sheet.html
var page string

// sheetPage is the layout for paper.
var sheetPage = template.Must(template.New("sheet").Funcs(template.FuncMap{
	"inc":  func(i int) int { return i + 1 },
	"kind": func(k Kind) string { return kindNames[k] },
	"free": func(cell string) bool { return !strings.Contains(cell, ":") },
}).Parse(page))

var kindNames = map[Kind]string{Para: "para", Caution: "caution", List: "list", Table: "table", Header: "header", Code: "code", Steps: "steps", Picture: "figure"}

// WriteHTML writes the sheet as one HTML file without anything outside it.
func (s *Sheet) WriteHTML(w io.Writer) error { return sheetPage.Execute(w, s) }
