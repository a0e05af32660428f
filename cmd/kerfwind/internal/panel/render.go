package panel

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"net/http"
	"path"
	"strings"
)

//go:embed web
var web embed.FS

// assets are the files that are served as they are, and their types.
var assets = map[string]string{"style.css": "text/css; charset=utf-8", "page.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"}

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
}

// Link is an entry of the list of parts.
type Link struct {
	Path, Title string
	Here        bool
}

// funcs lists the functions that templates may call. asset is the address of a file that is
// served as it is: it changes with the file, so that a browser may keep it.
var funcs = template.FuncMap{"asset": func(name string) string { return "/" + name + "?v=" + stamp(name) }}

// stamp tells one state of a file from another.
func stamp(name string) string {
	b, err := web.ReadFile("web/" + name)
	if err != nil {
		panic(err) // it is embedded: a name that is missing is a fault of the program
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:6])
}

// templates are those of every part, the signing in and what is wrong, by the
// names of their files.
var templates map[string]*template.Template

func init() { templates = parse() } // not with the variable: parts may refer to it

func parse() map[string]*template.Template {
	out := map[string]*template.Template{}
	files := []string{"signin.html", "wrong.html"}
	for _, p := range parts {
		files = append(files, p.File)
	}
	for _, f := range files {
		out[f] = template.Must(template.New("layout.html").Funcs(funcs).ParseFS(web, "web/layout.html", "web/"+f))
	}
	return out
}

// render shows a frame.
func (s *Server) render(w http.ResponseWriter, status int, file string, f *Frame) {
	var b bytes.Buffer
	if err := templates[file].Execute(&b, f); err != nil {
		s.o.Notice(err)
		http.Error(w, "This page cannot be shown: a fault in the program.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the visitor may be gone
}

// asset serves a file as it is.
func asset(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(path.Clean(r.URL.Path), "/")
	b, err := web.ReadFile("web/" + name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", assets[name])
	w.Header().Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == stamp(name) {
		w.Header().Set("Cache-Control", "max-age=31536000, immutable")
	}
	_, _ = w.Write(b)
}
