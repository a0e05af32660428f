package panel

import (
	"encoding/base64"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"kerfwind/testdata/peers"
)

// TestKeyPeer holds our keys to the reference program of Argon2, both ways.
func TestKeyPeer(t *testing.T) {
	program := peers.Require(t, "argon2", "Debian package argon2")
	reference := func(password string, salt []byte) string {
		cmd := exec.Command(program, string(salt), "-id", "-t", "3", "-k", "12288", "-p", "1", "-l", "32", "-e")
		cmd.Stdin = strings.NewReader(password)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(out))
	}
	const password = "Säge und Späne"
	theirs := Key(reference(password, []byte("0123456789abcdef")))
	if !theirs.fits(password) || theirs.fits(password+" ") {
		t.Errorf("their key %s", theirs)
	}
	salt := []byte("fedcba9876543210")
	ours := strings.Split(string(theirs), "$")
	ours[4], ours[5] = base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(sum(password, salt))
	if got, want := strings.Join(ours, "$"), reference(password, salt); got != want {
		t.Errorf("ours   %s\ntheirs %s", got, want)
	}
}

func TestNewKey(t *testing.T) {
	a, err := NewKey("sawdust and shavings")
	if err != nil {
		t.Fatal(err)
	}
	b, err := NewKey("sawdust and shavings")
	if err != nil || a == b {
		t.Errorf("two keys of one password are the same, %v", err)
	}
	if !a.fits("sawdust and shavings") || a.fits("") || a.fits(strings.Repeat("x", 1<<20)) || Key("").fits("") {
		t.Error("it fits what it should not, or not what it should")
	}
	for _, bad := range []string{"", "seven77", strings.Repeat("x", mostPassword+1), "sawdust\nshavings", "sawdust\x00shavings", "sawdust \xff shavings"} {
		if _, err := NewKey(bad); err == nil {
			t.Errorf("%.20q is taken", bad)
		}
	}
}

func TestPasswordsFile(t *testing.T) {
	all := Passwords{Look: passwordsOf()[Look], Setup: passwordsOf()[Setup]}
	data, err := all.Encode()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "passwords.json")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	back, err := readPasswords(path)
	if err != nil || len(back) != 2 || back[Look] != all[Look] || back[Setup] != all[Setup] {
		t.Errorf("%v, %v", back, err)
	}
	if err := os.WriteFile(path, append(data, make([]byte, mostFile)...), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := readPasswords(path); err == nil {
		t.Error("a file that is too large is taken")
	}
}

// FuzzPasswords: whatever stands in the file, it is refused or can be used.
func FuzzPasswords(f *testing.F) {
	data, err := Passwords{Operate: passwordsOf()[Operate]}.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	for _, s := range []string{"", "{}", `{"format":1}`, `{"format":1,"keys":{"look":"$argon2id$v=19$m=12288,t=3,p=1$$"}}`, `{"format":1,"keys":null}`, "[1]"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		all, err := DecodePasswords(data)
		if err != nil {
			return
		}
		again, err := all.Encode()
		if err != nil {
			t.Fatal(err)
		}
		back, err := DecodePasswords(again)
		if err != nil || len(back) != len(all) {
			t.Fatalf("%v became %v, %v", all, back, err)
		}
		for _, r := range all.Roles() {
			if _, _, err := all[r].parts(); err != nil {
				t.Fatalf("%s: %v", r, err)
			}
		}
	})
}

// What there is nothing to choose of is not asked.
func TestSignInRoles(t *testing.T) {
	for _, tt := range []struct {
		roles []Role
		want  string
	}{{[]Role{Setup}, `<input type="hidden" name="role" value="setup">`}, {[]Role{Operate, Setup}, `<select name="role"><option value="operate">`}} {
		b := siege(t, tt.roles...)
		if w := look(b.Server, "/sign-in"); !strings.Contains(w.Body.String(), tt.want) {
			t.Errorf("%v: %s", tt.roles, w.Body)
		}
	}
}

// With a file that cannot be read, whoever signs in learns why nobody gets in.
func TestPasswordsBroken(t *testing.T) {
	b := siege(t, Setup)
	if err := os.WriteFile(b.passwords, []byte("garbage"), 0o600); err != nil {
		t.Fatal(err)
	}
	w := b.send(form("POST", "/sign-in", url.Values{"role": {"setup"}, "password": {words[Setup]}}.Encode()), nil)
	if !strings.Contains(w.Body.String(), "Nobody can sign in, since the passwords cannot be read") || strings.Contains(w.Body.String(), "There is no password") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// TestBrokenAtStart: passwords that cannot be read are told of when the page
// opens, and once when that changes, not at each request.
func TestBrokenAtStart(t *testing.T) {
	b := siege(t, Operate)
	if err := os.WriteFile(b.passwords, []byte("garbage"), 0o600); err != nil {
		t.Fatal(err)
	}
	start := New(Options{Passwords: b.passwords, Notice: b.o.Notice, Audit: b.o.Audit})
	told := func(want int) {
		t.Helper()
		b.mu.Lock()
		defer b.mu.Unlock()
		n := 0
		for _, err := range b.notices {
			if strings.Contains(err.Error(), "page: nobody can sign in: ") && strings.Contains(err.Error(), "remove the file") {
				n++
			}
		}
		if n != want {
			t.Errorf("told %d times, want %d: %v", n, want, b.notices)
		}
	}
	start.Open(Place{Listen: "127.0.0.1:0"}, func(error) {})
	defer start.Close()
	told(1)
	for range 3 {
		start.access.roles()
	}
	told(1)
	b.set(Operate)
	start.access.roles()
	if err := os.WriteFile(b.passwords, []byte("garbage"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		start.access.roles()
	}
	told(2)
}
