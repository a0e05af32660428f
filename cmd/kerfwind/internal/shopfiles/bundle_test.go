package shopfiles

import (
	"archive/zip"
	"bytes"
	"io"
	"strings"
	"testing"
	"time"
)

var made = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func sample(t testing.TB, parts ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := NewWriter(&b, "test", made)
	for i := 0; i < len(parts); i += 2 {
		if err := w.Add(parts[i], strings.NewReader(parts[i+1])); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestThereAndBack(t *testing.T) {
	data := sample(t, "config/rig.toml", "format = 1\n", "state/history.db", strings.Repeat("x", 100_000), "state/shops/barn.2.toml", "")
	b, err := Read(bytes.NewReader(data), int64(len(data)))
	if err != nil || b.Program != "test" || !b.Made.Equal(made) || len(b.Parts) != 3 {
		t.Fatalf("%+v %v", b, err)
	}
	want := []string{"format = 1\n", strings.Repeat("x", 100_000), ""}
	for i, p := range b.Parts {
		var out bytes.Buffer
		if err := b.Copy(&out, p); err != nil || out.String() != want[i] {
			t.Errorf("%s: %v", p.Name, err)
		}
	}
}

// Every file in it has the bundle's date, and the same parts make the same bytes.
func TestDates(t *testing.T) {
	data := sample(t, "config/rig.toml", "format = 1\n", "state/history.db", "x")
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil || len(z.File) != 3 {
		t.Fatal(err)
	}
	for _, f := range z.File {
		if !f.Modified.Equal(made) {
			t.Errorf("%s is of %v", f.Name, f.Modified)
		}
	}
	if !bytes.Equal(data, sample(t, "config/rig.toml", "format = 1\n", "state/history.db", "x")) {
		t.Error("the same parts make other bytes")
	}
}

func TestNames(t *testing.T) {
	for name, ok := range map[string]bool{
		"config/rig.toml": true, "config/shops/barn.toml": true, "state/shops/barn.3.toml": true, "state/history.db": true, "state/active": true, "state/learned.json": true,
		"rig.toml": false, "config/other.toml": false, "config/shops/../rig.toml": false, "../config/rig.toml": false, "/config/rig.toml": false,
		"config/shops/a/b.toml": false, "config/shops/.toml": false, "config/shops/.x.toml": false, "state/standdown": false, "config/history.db": false,
		"config\\rig.toml": false, "config/shops/x\x00.toml": false, "": false, "config/": false, "config//rig.toml": false,
	} {
		if err := checkName(name); (err == nil) != ok {
			t.Errorf("%q: %v", name, err)
		}
	}
}

// rewrite copies a bundle and lets change look at each part.
func rewrite(t *testing.T, data []byte, change func(name string, content []byte) (string, []byte)) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		name, content := change(f.Name, content)
		if name == "" {
			continue
		}
		out, err := w.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := out.Write(content); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestBad(t *testing.T) {
	good := sample(t, "config/rig.toml", "format = 1\n", "state/active", "barn")
	only := func(which string, f func([]byte) (string, []byte)) []byte {
		return rewrite(t, good, func(name string, c []byte) (string, []byte) {
			if name == which {
				return f(c)
			}
			return name, c
		})
	}
	tests := map[string]struct {
		data []byte
		want string
	}{
		"empty":        {nil, "no backup"},
		"no zip":       {[]byte("hello"), "no backup"},
		"cut":          {good[:len(good)-30], "no backup"},
		"missing":      {only("state/active", func([]byte) (string, []byte) { return "", nil }), "state/active is missing"},
		"no list":      {only(listName, func([]byte) (string, []byte) { return "", nil }), "holds no kerfwind-backup.json"},
		"list is text": {only(listName, func([]byte) (string, []byte) { return listName, []byte("hello") }), listName},
		"newer": {only(listName, func(c []byte) (string, []byte) {
			return listName, bytes.Replace(c, []byte(`"format": 1`), []byte(`"format": 2`), 1)
		}), "newer kerfwind"},
		"longer": {only("state/active", func(c []byte) (string, []byte) { return "state/active", append(c, '!') }), "the list says 4"},
		"other":  {only("state/active", func([]byte) (string, []byte) { return "state/active", []byte("burn") }), "not what was put in"},
		"outside": {only(listName, func(c []byte) (string, []byte) {
			return listName, bytes.Replace(c, []byte("state/active"), []byte("../../passwd"), 1)
		}), "no place"},
		"added": {rewrite(t, good, func(n string, c []byte) (string, []byte) { return strings.Replace(n, "rig", "gir", 1), c }), "not in the list"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			b, err := Read(bytes.NewReader(tt.data), int64(len(tt.data)))
			if err == nil {
				for _, p := range b.Parts {
					if err == nil {
						err = b.Copy(io.Discard, p)
					}
				}
			}
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
}

// Whatever the bytes: no panic, and no part that names a place outside.
func FuzzRead(f *testing.F) {
	f.Add(sample(f, "config/rig.toml", "format = 1\n"))
	f.Add(sample(f))
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := Read(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		for _, p := range b.Parts {
			if strings.Contains(p.Name, "..") || !strings.HasPrefix(p.Name, "config/") && !strings.HasPrefix(p.Name, "state/") {
				t.Fatalf("accepted %q", p.Name)
			}
			if p.Size < 1<<20 {
				_ = b.Copy(io.Discard, p)
			}
		}
	})
}
