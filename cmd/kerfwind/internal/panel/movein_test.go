package panel

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/movein"
)

// fakeMoveIn notes what it is asked.
type fakeMoveIn struct {
	q     *MoveInQuestion
	kept  bool
	asked string
	err   error
}

func (m *fakeMoveIn) note(what string) error {
	m.asked = what
	return m.err
}

func (m *fakeMoveIn) Kept() bool                { return m.kept }
func (m *fakeMoveIn) Question() *MoveInQuestion { return m.q }
func (m *fakeMoveIn) Begin(_ context.Context, anew bool) error {
	return m.note("begin " + strconv.FormatBool(anew))
}
func (m *fakeMoveIn) Leave(context.Context) error { return m.note("leave") }
func (m *fakeMoveIn) Answer(revision int, text string) error {
	return m.note("answer " + strconv.Itoa(revision) + " " + text)
}
func (m *fakeMoveIn) Back(revision int) error { return m.note("back " + strconv.Itoa(revision)) }
func (m *fakeMoveIn) Go(revision int, step string) error {
	return m.note("go " + strconv.Itoa(revision) + " " + step)
}

// What the part shows.
func TestMoveInShown(t *testing.T) {
	shop := onPage(demoShop(t), 0)
	shown := func() string {
		t.Helper()
		m, err := moveIn(&Visit{Shop: shop})
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		if err := templates[moveInPart.File].ExecuteTemplate(&b, "main", &Frame{Main: m, Role: Setup}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if s := shown(); !strings.Contains(s, "cannot move in") {
		t.Error(s)
	}
	f := &fakeMoveIn{}
	shop.MoveIn = f
	for _, c := range []struct {
		q         *MoveInQuestion
		kept      bool
		want, not []string
	}{
		{nil, false, []string{">Begin<", `action="/move-in/begin"`}, []string{"Go on where", "revision"}},
		{nil, true, []string{"Go on where you stopped", "Start over"}, nil},
		{&MoveInQuestion{View: movein.View{Revision: 7, Place: "Part 1 of 8: the place", First: true, Title: "Name <of> it", Text: []string{"What?"}, Free: true, Example: "garage"}}, false,
			[]string{"Name &lt;of&gt; it", "Part 1 of 8: the place", `value="7"`, `type="text"`, "For example: garage"}, []string{"Back a step", "data-follow", "Answers so far"}},
		{&MoveInQuestion{View: movein.View{Revision: 8, Place: "Part 3 of 8: sensors", Title: "Sensor", Text: []string{"a", "b"}, Live: true, Amps: 4.44, Share: 0.5, Keep: "yes", KeepText: "Yes, that is it",
			Choices: []movein.Choice{{Answer: "yes", Text: "Yes, that is it"}, {Answer: "again", Text: "No"}}, Wrong: "look again"}, Reached: []movein.Reached{{Step: "name", Title: "Name", Answer: "garage"}}}, false,
			[]string{"<strong>a</strong>", "4.4 A", `<meter value="0.5`, "data-follow", "Back a step", "Look again.", ">No<", `value="again"`, "Answers so far", "garage"}, []string{`type="text"`}},
		{&MoveInQuestion{View: movein.View{Revision: 9, Place: "Part 8 of 8: in force", Title: "Moved in", Done: true}}, false, []string{">Done<"}, []string{"Stop for now", "Back a step"}},
	} {
		f.q, f.kept = c.q, c.kept
		s := shown()
		for _, x := range c.want {
			if !strings.Contains(s, x) {
				t.Errorf("%+v: no %q in\n%s", c.q, x, s)
			}
		}
		for _, x := range c.not {
			if strings.Contains(s, x) {
				t.Errorf("%+v: %q in\n%s", c.q, x, s)
			}
		}
		if c.q != nil && strings.Count(s, "Yes, that is it") > 1 {
			t.Errorf("the answer to keep is offered twice\n%s", s)
		}
	}
}

// What the part asks for.
func TestMoveInAsked(t *testing.T) {
	f := &fakeMoveIn{}
	shop := onPage(demoShop(t), 0)
	asked := map[string]string{"/begin": "begin false", "/fresh": "begin true", "/leave": "leave", "/answer": "answer 7 planer", "/back": "back 7", "/go": "go 7 name"}
	n := 0
	for _, x := range moveInPart.Routes {
		if x.Role != Setup {
			t.Errorf("%s may be asked by one who may only %s", x.Path, x.Role.Words())
		}
		if x.Method != http.MethodPost {
			continue
		}
		n++
		v := &Visit{R: httptest.NewRequest(http.MethodPost, "/", nil), Shop: shop, fields: url.Values{"revision": {"7"}, "answer": {"planer"}, "step": {"name"}}}
		shop.MoveIn, f.err, f.asked = f, nil, ""
		if err := x.Do(v); err != nil || f.asked != asked[x.Path] {
			t.Errorf("%s: %v, asked %q", x.Path, err, f.asked)
		}
		f.err = &Mistake{"stale"}
		if err := x.Do(v); !errors.Is(err, f.err) {
			t.Errorf("%s: %v", x.Path, err)
		}
		shop.MoveIn = nil
		if err := x.Do(v); !errors.As(err, new(*Refusal)) {
			t.Errorf("%s without a rig: %v", x.Path, err)
		}
		shop.MoveIn, f.asked = f, ""
		if v.fields.Set("revision", "x"); strings.Contains(asked[x.Path], "7") {
			if err := x.Do(v); !errors.As(err, new(*Mistake)) || f.asked != "" {
				t.Errorf("%s with a form that is not whole: %v, asked %q", x.Path, err, f.asked)
			}
		}
	}
	if n != len(asked) {
		t.Errorf("%d forms", n)
	}
}

// TestMoveInRefused: why an answer does not do is said once; what the question
// does not say stands above it.
func TestMoveInRefused(t *testing.T) {
	b := siege(t, Look, Operate, Setup)
	f := &fakeMoveIn{q: &MoveInQuestion{View: movein.View{Revision: 7, Title: "Supply", Text: []string{"What?"}, Free: true, Wrong: `"12" is not a supply`}}}
	b.shop.Load().MoveIn = f
	setup := b.enter(Setup)
	for text, want := range map[string]int{`"12" is not a supply`: 1, "the question has changed meanwhile": 2} {
		f.q.Wrong, f.err = `"12" is not a supply`, &Mistake{text}
		w := b.send(form("POST", "/move-in/answer", "revision=7&answer=12"), setup)
		if n := strings.Count(w.Body.String(), `role="alert">`); n != want || w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d times, status %d\n%s", text, n, w.Code, w.Body)
		}
	}
}
