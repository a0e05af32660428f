package doctor

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"io/fs"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfwind/config"
)

// TestPage: passwords that are not there or cannot be read, and certificates
// that end.
func TestPage(t *testing.T) {
	root := t.TempDir()
	write := func(name string, data []byte) {
		t.Helper()
		if err := os.MkdirAll(filepath.Dir(filepath.Join(root, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(root, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for name, life := range map[string]time.Duration{"good": 1000 * time.Hour, "late": 100 * time.Hour, "old": -time.Hour} {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		c := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(life)}
		der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
		if err != nil {
			t.Fatal(err)
		}
		kder, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		write("etc/"+name+".pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
		write("etc/"+name+".key", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kder}))
	}
	write("set/passwords.json", []byte("{}"))
	write("torn/passwords.json", []byte("{"))
	for _, tt := range []struct {
		page  *config.Page
		state string
		want  []string // of each finding, in order
	}{
		{nil, "set", nil},
		{&config.Page{Listen: "127.0.0.1:8080", Local: true}, "none", []string{"ok at http://127.0.0.1:8080/; no password is set"}},
		{&config.Page{Listen: ":8080"}, "none", []string{"WARN no password is set"}},
		{&config.Page{Listen: ":8080"}, "set", []string{"ok at http://localhost:8080/, with a password"}},
		{&config.Page{Listen: ":8080"}, "torn", []string{"BAD nobody gets in: passwords.json: unexpected end"}},
		{&config.Page{Listen: ":8080"}, "set/passwords.json", []string{"BAD the passwords cannot be read"}},
		{&config.Page{Listen: ":8080", CertFile: "good.pem", KeyFile: "good.key"}, "set", []string{"ok at https://", "ok its certificate is good until"}},
		{&config.Page{Listen: ":8080", CertFile: "late.pem", KeyFile: "late.key"}, "set", []string{"ok ", "WARN its certificate ends on"}},
		{&config.Page{Listen: ":8080", CertFile: "old.pem", KeyFile: "old.key"}, "set", []string{"ok ", "WARN its certificate ended on"}},
		{&config.Page{Listen: ":8080", CertFile: "good.pem", KeyFile: "old.key"}, "set", []string{"ok ", "BAD its certificate cannot be used"}},
	} {
		e := &exam{Options: Options{Rig: &config.Rig{Page: tt.page}, State: tt.state, System: System{Root: root}, Place: func(n string) string { return "etc/" + n },
			Passwords: func(b []byte) error { return json.Unmarshal(b, new(struct{})) }}}
		e.page()
		for i, f := range e.found {
			got := map[Level]string{OK: "ok", Warn: "WARN", Bad: "BAD"}[f.Level] + " " + f.Says
			if i >= len(tt.want) || !strings.HasPrefix(got, tt.want[i]) {
				t.Errorf("%+v in %s: %q, want %q", tt.page, tt.state, got, tt.want)
			}
			if (f.Do == "") != (f.Level == OK) {
				t.Errorf("%q: what to do: %q", got, f.Do)
			}
		}
		if len(e.found) != len(tt.want) {
			t.Errorf("%+v in %s: %v, want %q", tt.page, tt.state, e.found, tt.want)
		}
	}
}

// TestSealed: a user who may not see the passwords is told just that; the
// service's own user, that nobody gets in.
func TestSealed(t *testing.T) {
	for owner, want := range map[bool]Level{false: Warn, true: Bad} {
		e := &exam{}
		e.sealed("page", &fs.PathError{Op: "open", Err: syscall.EACCES}, owner)
		if len(e.found) != 1 || e.found[0].Level != want {
			t.Errorf("owner %v: %v", owner, e.found)
		}
	}
	dir := t.TempDir()
	for uid, want := range map[int]bool{os.Geteuid(): true, os.Geteuid() + 1: false} {
		e := &exam{Options: Options{System: System{UID: uid}}}
		if got := e.owns(dir); got != want {
			t.Errorf("user %d: %v", uid, got)
		}
	}
}
