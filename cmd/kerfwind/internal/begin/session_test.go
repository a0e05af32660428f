package begin

import (
	"fmt"
	"maps"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"kerfwind/config"
)

// small are the answers of a small shop; what is not in them takes its default.
func small(more map[string]string) map[string]string {
	a := map[string]string{"machines": "planer, router", "sweeps": "floor sweep", "duct/planer": "4 in hose 6 ft > main", "duct/router": "100 mm pipe 3 m 2 elbows rise 2 m, 4 in hose 1 ft > main",
		"duct/floor sweep": "4 in spiral 3 ft > collector"}
	maps.Copy(a, more)
	return a
}

// answered is a session in which everything is answered.
func answered(t *testing.T, answers map[string]string) *Session {
	t.Helper()
	s := New()
	for range 200 {
		q, more := s.Next()
		if !more {
			return s
		}
		if err := s.Answer(answers[q.ID]); err != nil {
			t.Fatalf("%s: %q: %v", q.Title, answers[q.ID], err)
		}
		data, err := s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if s, err = Restore(data); err != nil { // somebody leaves after every answer
			t.Fatal(err)
		}
	}
	t.Fatal("it never ends")
	return nil
}

// TestEveryChoice: whatever is chosen, the files can be used, and each key in them is
// explained.
func TestEveryChoice(t *testing.T) {
	try := func(more map[string]string) {
		t.Helper()
		rig, shop, name, err := answered(t, small(more)).Files()
		if err != nil || name != "shop.toml" {
			t.Fatalf("%v: %s: %v", more, name, err)
		}
		for _, text := range []string{string(rig), string(shop)} {
			seen := map[string]bool{}
			table, before := "", ""
			for line := range strings.Lines(text) {
				key, _, isKey := strings.Cut(line, " = ")
				if strings.HasPrefix(line, "[") {
					table = strings.Trim(line, "[]\n")
				}
				if isKey && !strings.HasPrefix(line, "#") && !seen[table+"."+key] {
					seen[table+"."+key] = true
					if !strings.HasPrefix(before, "# ") {
						t.Errorf("nothing explains %s.%s", table, key)
					}
				}
				before = line
			}
		}
	}
	first := New()
	first.answers = small(nil)
	for _, q := range first.questions() {
		for _, c := range q.Choices {
			try(map[string]string{q.ID: c.Answer})
		}
	}
	for _, more := range []map[string]string{
		{"converter": "ads1115", "seen": none}, {"converter": "mcp3008", "moved": "motor", "ends": none, "standdown": "no", "board": "pinctrl-rp1"},
		{"units": "metric", "supply": "230 V 50 Hz", "plate/planer": "2.2 kW, 8 s", "plate/router": "25 A"}, {"stops": none, "hand": "yes", "bin": "yes"},
		{"circuits": "wall 20 A: planer, collector", "outlets": "air cleaner 20 min: planer, router; lamp 0 s: router"}, {"mainGates": "main", "ends": "open"},
	} {
		try(more)
	}
}

// TestMistakes: each is told of with what to do, and nothing is kept of it.
func TestMistakes(t *testing.T) {
	for _, c := range []struct{ at, text, want string }{
		{"name", "../etc", "is no name for a file"}, {"units", "inches", "type its number"}, {"supply", "240 V", "write volts and hertz"}, {"supply", "60 Hz", "is no supply"},
		{"machines", "planer, planer", "is taken"}, {"machines", "none", "name 1 to"}, {"machines", ",", "at least one"}, {"machines", "planer; router", "put commas"},
		{"machines", "collector", "is taken"}, {"plate/planer", "fast", "is no full load"}, {"plate/planer", "12 A, soon", "is no time"}, {"plate/planer", "90 hp", "more than the table"},
		{"circuits", "wall: planer", "write a name, its figure"}, {"circuits", "wall 20 V: planer", "is no breaker"}, {"circuits", "wall 20 A: lathe", `there is no "lathe"`},
		{"circuits", "wall 20 A: planer; bench 20 A: planer", "is named twice"}, {"collector", "12 A", "is no power"}, {"collector", "2 hp, fast", "is no full load"},
		{"sweeps", "planer", "is taken"}, {"travel", "1 h", "is no travel time"}, {"stops", "stop/1", "is no name"}, {"outlets", "air cleaner: planer", "write a name, its figure"},
		{"outlets", "air cleaner 20 in: planer", "is no run-on"}, {"duct/planer", "4 in hose 6 ft", "where does it lead"}, {"duct/planer", "> main", "there is no piece"},
		{"duct/planer", "hose 4 in 6 ft > main", "is no piece"}, {"duct/planer", "4 in hose 600 ft > main", "more than a duct has"}, {"duct/planer", "4 in hose 6 ft > router", "is no main"},
		{"duct/planer", "4 lb hose 6 ft > main", "lb"}, {"duct/planer", "1 mm hose 6 ft > main", "20 mm wide"}, {"duct/planer", "4 in hose 6 ft rise 7 ft > main", "no more than its length"},
		{"duct/main", "6 in spiral 3 ft > main", "leads back"}, {"mainGates", "trunk", "there is no main"}, {"board", "12", "type its number"},
	} {
		s := New()
		for {
			q, more := s.Next()
			if !more {
				t.Fatalf("%s is never asked", c.at)
			}
			if q.ID == c.at {
				break
			}
			if err := s.Answer(small(nil)[q.ID]); err != nil {
				t.Fatal(err)
			}
		}
		before, _ := s.Encode()
		if err := s.Answer(c.text); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %q: %v, want %q", c.at, c.text, err, c.want)
		}
		if after, _ := s.Encode(); string(before) != string(after) {
			t.Errorf("%s: %q is kept", c.at, c.text)
		}
	}
}

// TestLines: no two things share a line, and more than there are is refused where it is
// asked for.
func TestLines(t *testing.T) {
	s := answered(t, small(map[string]string{"moved": "motor", "ends": none}))
	list, err := s.lines()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[int]string{}
	for _, u := range list {
		if other, taken := seen[u.line]; taken || config.HeaderPin(u.line) == 0 {
			t.Errorf("line %d: %s and %s", u.line, other, u.what)
		}
		seen[u.line] = u.what
	}
	many := New()
	many.answers = small(map[string]string{"machines": "a, b, c, d, e, f, g", "moved": "motor"})
	if _, err := many.lines(); err == nil || !strings.Contains(err.Error(), "fewer end switches") {
		t.Error(err)
	}
}

// TestBack: the question before is asked again with its answer, and what follows stays.
func TestBack(t *testing.T) {
	s := answered(t, small(nil))
	for range 2 {
		if !s.Back() {
			t.Fatal("there is no way back")
		}
	}
	q, _ := s.Next()
	if q.Default != s.get(q.ID) || q.Default == "" {
		t.Errorf("%+v", q)
	}
	if err := s.Answer(""); err != nil {
		t.Error(err)
	}
	if q, more := s.Next(); more {
		t.Errorf("%q is asked though it was answered", q.Title)
	}
	first := New()
	if first.Back() {
		t.Error("there is a question before the first")
	}
}

func FuzzParseRun(f *testing.F) {
	f.Add("4 in hose 6 ft, 4 in smooth 10 ft 2 elbows rise 7 ft > main")
	f.Fuzz(func(t *testing.T, text string) {
		pieces, to, err := parseRun(text)
		if err == nil && (len(pieces) == 0 || to == "") {
			t.Errorf("%q: %v to %q", text, pieces, to)
		}
	})
}

func FuzzRestore(f *testing.F) {
	data, _ := New().Encode()
	f.Add(data)
	f.Add([]byte(`{"format": 1, "answers": {"machines": "a, b", "duct/a": "4 in hose 6 ft > b"}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Restore(data)
		if err != nil {
			return
		}
		_, _ = s.Next()
		_ = s.Sheet()
		_, _, _, _ = s.Files()
		again, err := s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		back, err := Restore(again)
		if err != nil || !cmp.Equal(back.answers, s.answers) {
			t.Errorf("%v: %v", err, fmt.Sprint(back))
		}
	})
}
