package panel

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// fakeLearner notes what it is asked.
type fakeLearner struct {
	state *LearnState
	asked string
	err   error
}

func (l *fakeLearner) Machines() []string   { return []string{"band saw", "planer"} }
func (l *fakeLearner) State() *LearnState   { return l.state }
func (l *fakeLearner) Begin(m string) error { return l.note("begin " + m) }
func (l *fakeLearner) Mark() error          { return l.note("mark") }
func (l *fakeLearner) Skip() error          { return l.note("skip") }
func (l *fakeLearner) End() error           { return l.note("end") }

func (l *fakeLearner) Keep(context.Context) error { return l.note("keep") }

func (l *fakeLearner) note(what string) error {
	l.asked = what
	return l.err
}

// What the part shows of a session, and to whom.
func TestLearnShown(t *testing.T) {
	shop := onPage(demoShop(t), 0)
	shown := func(role Role) string {
		t.Helper()
		v := &Visit{R: httptest.NewRequest(http.MethodGet, "/signals", nil), W: httptest.NewRecorder(), Part: &signalsPart, Shop: shop, Role: role}
		m, err := signals(v)
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		if err := templates[signalsPart.File].ExecuteTemplate(&b, "main", &Frame{Main: m, Role: role}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if strings.Contains(shown(Setup), "Learn again") {
		t.Error("offered where nothing can be learned")
	}
	l := &fakeLearner{}
	shop.Learn = l
	for _, role := range []Role{Look, Operate} {
		if strings.Contains(shown(role), "Learn again") {
			t.Errorf("offered to one who may %s", role.Words())
		}
	}
	for _, c := range []struct {
		state     *LearnState
		want, not []string
	}{
		{nil, []string{"<option>planer</option>", ">Begin<"}, []string{"learn/mark"}},
		{&LearnState{Machine: "planer", Text: "Switch the planer on.", Mark: "It runs, but nothing is seen here", Amps: "0.1 A", Other: "c0"},
			[]string{"planer: <strong>Switch the planer on.</strong>", ">It runs, but nothing is seen here<", "0.1 A", "rises on c0 instead", "learn/end"}, []string{">Begin<", "<meter", "learn/skip", "learn/keep"}},
		{&LearnState{Machine: "planer", Text: "Leave it off.", Share: 0.42, Amps: "0 A"}, []string{`<meter value="0.42"`, "42 %"}, []string{"learn/mark", "learn/keep"}},
		{&LearnState{Machine: "planer", Text: "Press.", Mark: "It has stopped", Skip: true}, []string{"learn/skip"}, []string{"learn/keep"}},
		{&LearnState{Machine: "planer", Text: "Done.", Done: true, Report: "  levels start 2 A"}, []string{"<pre>  levels start 2 A</pre>", "learn/keep", "Keep nothing"}, []string{"learn/mark", "learn/skip"}},
		{&LearnState{Machine: "planer", Text: "Done.", Done: true, Wrong: "no <current> was seen"}, []string{"Nothing was learned.", "no &lt;current&gt; was seen"}, []string{"learn/keep"}},
	} {
		l.state = c.state
		body := shown(Setup)
		for _, x := range c.want {
			if !strings.Contains(body, x) {
				t.Errorf("%+v: no %q in\n%s", c.state, x, body)
			}
		}
		for _, x := range c.not {
			if strings.Contains(body, x) {
				t.Errorf("%+v: %q in\n%s", c.state, x, body)
			}
		}
	}
}

func TestLearnAsked(t *testing.T) {
	l := &fakeLearner{}
	shop := onPage(demoShop(t), 0)
	asked := map[string]string{"/learn": "begin planer", "/learn/mark": "mark", "/learn/skip": "skip", "/learn/end": "end", "/learn/keep": "keep"}
	n := 0
	for _, x := range learnRoutes {
		if x.Role != Setup {
			t.Errorf("%s may be asked by one who may only %s", x.Path, x.Role.Words())
		}
		if x.Method != http.MethodPost {
			continue
		}
		n++
		v := &Visit{R: httptest.NewRequest(http.MethodPost, "/", nil), Shop: shop, fields: url.Values{}}
		if x.Path == "/learn" {
			v.fields.Set("machine", "planer")
		}
		shop.Learn, l.asked, l.err = l, "", nil
		if err := x.Do(v); err != nil || l.asked != asked[x.Path] || v.said == "" {
			t.Errorf("%s: %v, asked %q, said %q", x.Path, err, l.asked, v.said)
		}
		l.err, v.said = &Refusal{"not now"}, ""
		if err := x.Do(v); !errors.Is(err, l.err) || v.said != "" {
			t.Errorf("%s: %v, said %q", x.Path, err, v.said)
		}
		shop.Learn = nil
		if err := x.Do(v); !errors.As(err, new(*Refusal)) {
			t.Errorf("%s where nothing can be learned: %v", x.Path, err)
		}
	}
	if n != len(asked) {
		t.Errorf("%d forms", n)
	}
	shop.Learn, l.asked = l, ""
	v := &Visit{R: httptest.NewRequest(http.MethodPost, "/", nil), Shop: shop, fields: url.Values{"machine": {"<b>"}}}
	if err := learnRoutes[1].Do(v); !errors.As(err, new(*Mistake)) || l.asked != "" {
		t.Errorf("%v, asked %q", err, l.asked)
	}
}
