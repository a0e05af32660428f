package panel

import (
	"net/http"
	"net/url"
)

// Part is a part of the page.
type Part struct {
	Path  string // where it is: "/", "/air"
	Title string // in the list of parts
	Role  Role   // that may see it
	File  string // its template in the folder web, which defines "main"
	Aside bool   // not in the list of parts: another one links to it
	Whole bool   // its template is the whole page, without head and list of parts

	Fields []string // all that the address may have behind a "?", each once

	// Data makes what the template shows as .Main.
	Data func(*Visit) (any, error)

	// Routes lists what else it serves.
	Routes []Route
}

// Route is one more address of a part.
type Route struct {
	Method string // GET, or POST for what changes something
	Path   string // below the part's: "/hold"
	Role   Role   // that may do it; of a POST at least Operate

	// Fields are all that the form of a POST may have, or the query of a GET,
	// each once. Others are refused.
	Fields []string

	// Stream is set of a GET that goes on: there may be only so many.
	Stream bool

	// Do carries it out. A GET writes its answer to v.W. A POST does not: it
	// says what was done with v.Said, and the page is shown again (303), or the
	// answer is JSON where the request asks for that. An error of type *Mistake
	// is the visitor's (400), a *Refusal would break what must hold (409),
	// any other is told as a failure (500).
	Do func(v *Visit) error
}

// parts is the page, in the order of its list.
var parts = []*Part{&nowPart, &airPart, &runsPart, &upkeepPart, &signalsPart, &moveInPart, &shopsPart, &changesPart, &handsPart, &thingPart, &wallPart}

// Visit is one request of somebody to a part.
type Visit struct {
	W    http.ResponseWriter
	R    *http.Request
	Part *Part
	Shop *Shop // never nil
	Role Role  // of the visitor

	fields url.Values
	said   string
	s      *Server
	who    who
}

// Mistake is the error of a form that cannot be used: Text says why, in words
// for people.
type Mistake struct{ Text string }

func (m *Mistake) Error() string { return m.Text }

// Field is the value of a field of the form or query, "" if it is missing.
func (v *Visit) Field(name string) string { return v.fields.Get(name) }

// Said tells what was done, for the visitor and the record of changes.
func (v *Visit) Said(text string) { v.said = text }

// May reports whether the visitor has a role.
func (v *Visit) May(r Role) bool { return v.Role >= r }

// Still reports whether the visitor may still look: a stream asks from time to
// time, since a session may have ended.
func (v *Visit) Still() bool { return v.s.access.still(v.who) >= v.Part.Role }
