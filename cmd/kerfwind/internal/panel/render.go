package panel

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"path"
	"strings"
)

//go:embed web
var web embed.FS

// Frame holds what a template sees.
type Frame struct {
	Title, Shop, Version string
	Parts                []Link
	Simulated            bool
	Part                 *Part
	Role                 Role
	SignedIn             bool   // by a password
	Closed               bool   // no password is set yet: the page is for this computer, and to look at
	Roles                []Role // for which there is a password
	Said                 string // what was just done
	Wrong                string // why it was not
	Head                 *head  // nil: no shop to show
	Main                 any    // the part's own

	sent url.Values // of the form that was not taken
}

// Was is what somebody wrote into a field of a form that was not taken, so that he need not
// write it again.
func (f *Frame) Was(field string) string { return f.sent.Get(field) }

// Link is an entry of the list of parts.
type Link struct {
	Path, Title string
	Here        bool
}

// funcs lists the functions that templates may call. asset is the address of a file that is
// served as it is: it changes with the file, so that a browser may keep it.
var funcs = template.FuncMap{"asset": func(name string) string { return "/" + name + "?v=" + stamp(name) }}

// content is that of an asset, or of a template.
func content(name string) []byte {
	if a, ok := assets[name]; ok {
		return a.text()
	}
	return file(name)()
}

// stamp tells one state of a file from another; the pictures are those of icon.svg.
func stamp(name string) string {
	if strings.HasSuffix(name, ".png") {
		name = "icon.svg" // so that a page need not wait until they are drawn
	}
	sum := sha256.Sum256(content(name))
	return hex.EncodeToString(sum[:6])
}

// templates are those of every part, the signing in and what is wrong, by the
// names of their files.
var templates map[string]*template.Template

func init() { templates = parse() } // not with the variable: parts may refer to it

func parse() map[string]*template.Template {
	out := map[string]*template.Template{}
	add := func(layout, file string) {
		out[file] = template.Must(template.New(layout).Funcs(funcs).ParseFS(web, "web/"+layout, "web/picture.html", "web/"+file))
	}
	add("layout.html", "signin.html")
	add("layout.html", "wrong.html")
	for _, p := range parts {
		layout := "layout.html"
		if p.Whole {
			layout = p.File
		}
		add(layout, p.File)
	}
	return out
}

// render shows a frame.
func (s *Server) render(w http.ResponseWriter, status int, file string, f *Frame) {
	var b bytes.Buffer
	if err := templates[file].Execute(&b, f); err != nil {
		s.o.Notice(err)
		bare(w, http.StatusInternalServerError, "This page cannot be shown: a fault in the program.")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the visitor may be gone
}

// bare is a page for where nothing else may be shown: in the page's dress, with a way back.
func bare(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = fmt.Fprintf(w, `<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>kerfwind</title>`+
		`<link rel="stylesheet" href="/style.css"><main><h1>kerfwind</h1><p class="wrong" role="alert">%s</p><p><a class="button" href="/">Back to the page</a></p></main></html>`,
		template.HTMLEscapeString(text)) // the visitor may be gone
}

// asset serves a file as it is.
func asset(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(path.Clean(r.URL.Path), "/")
	w.Header().Set("Content-Type", assets[name].kind)
	w.Header().Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == stamp(name) {
		w.Header().Set("Cache-Control", "max-age=31536000, immutable")
	}
	_, _ = w.Write(assets[name].text())
}
