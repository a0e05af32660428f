package shopfiles

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
)

// TestBackupLacks: what is missing is said; of nothing there is no backup.
func TestBackupLacks(t *testing.T) {
	dir := t.TempDir()
	f := Folders{Config: filepath.Join(dir, "etc"), State: filepath.Join(dir, "state")}
	file := filepath.Join(dir, "out.zip")
	if _, _, err := f.Backup(t.Context(), file, false, time.Now()); err == nil || !strings.Contains(err.Error(), "nothing to back up") {
		t.Error(err)
	}
	if err := os.Mkdir(f.State, 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(f.State, "active"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if names, lacking, err := f.Backup(t.Context(), file, false, time.Now()); err != nil || len(names) != 1 || len(lacking) != 3 {
		t.Errorf("%v, %v, %v", names, lacking, err)
	}
	f.State = filepath.Join(dir, "st*te")
	if _, _, err := f.Backup(t.Context(), file, true, time.Now()); err == nil || !strings.Contains(err.Error(), "st*te") {
		t.Error(err)
	}
}

// A restore brings back what a backup holds, and a damaged one changes nothing.
func TestBackupRestore(t *testing.T) {
	src, dst := t.TempDir(), t.TempDir()
	ctx := t.Context()
	demo := filepath.Join("..", "..", "..", "..", "testdata", "demo")
	put := func(from, to string) {
		t.Helper()
		data, err := os.ReadFile(from)
		if err == nil {
			err = os.MkdirAll(filepath.Dir(to), 0o750)
		}
		if err == nil {
			err = os.WriteFile(to, data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	from := Folders{Config: filepath.Join(src, "etc"), State: filepath.Join(src, "state")}
	put(filepath.Join(demo, "rig.toml"), filepath.Join(from.Config, "rig.toml"))
	put(filepath.Join(demo, "shops", "barn.toml"), filepath.Join(from.Config, "shops", "barn.toml"))
	put(filepath.Join(demo, "shops", "barn.toml"), filepath.Join(from.State, "shops", "barn.2.toml"))
	if err := journaltest.Make(from.State, 2); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(from.State, "standdown"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(src, "barn.zip")
	names, lacking, err := from.Backup(ctx, file, false, time.Now())
	if err != nil || strings.Join(names, ",") != "config/rig.toml,config/shops/barn.toml,state/shops/barn.2.toml,state/history.db" {
		t.Fatal(names, err)
	}
	if _, _, err := from.Backup(ctx, file, false, time.Now()); err == nil || !strings.Contains(err.Error(), "--force") {
		t.Errorf("a second backup over the first: %v", err)
	}
	if len(lacking) > 0 {
		t.Errorf("all is there: %v", lacking)
	}
	force := false
	to := Folders{Config: filepath.Join(dst, "etc"), State: filepath.Join(dst, "state")}
	if _, err := to.Restore(ctx, file, force, time.Now()); err != nil {
		t.Fatal(err)
	}
	report := func(dir string) string {
		db, err := journal.OpenReader(ctx, dir)
		if err != nil {
			t.Fatal(err)
		}
		totals, err := db.Totals(ctx, journal.Machines, "", journal.Day, -1<<31, 1<<31-1)
		if err := errors.Join(err, db.Close()); err != nil || len(totals) == 0 {
			t.Fatal(totals, err)
		}
		return fmt.Sprintf("%+v", totals)
	}
	if a, b := report(from.State), report(to.State); a != b {
		t.Errorf("the history differs:\n%s\n%s", a, b)
	}
	for _, name := range []string{"etc/rig.toml", "etc/shops/barn.toml", "state/shops/barn.2.toml"} {
		a, _ := os.ReadFile(filepath.Join(src, name))
		b, err := os.ReadFile(filepath.Join(dst, name))
		if err != nil || string(a) != string(b) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := os.Stat(filepath.Join(to.State, "standdown")); err == nil {
		t.Error("a stand-down was restored")
	}
	tree := func() string {
		var b strings.Builder
		err := filepath.WalkDir(dst, func(p string, d os.DirEntry, err error) error {
			if err == nil && !d.IsDir() && d.Name() != "history.lock" {
				data, e := os.ReadFile(p)
				fmt.Fprintf(&b, "%s %d %x\n", strings.TrimPrefix(p, dst), len(data), data[:min(len(data), 8)])
				return e
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	before := tree()
	if _, err := to.Restore(ctx, file, force, time.Now()); err == nil || !strings.Contains(err.Error(), "there already") {
		t.Errorf("restore over something: %v", err)
	}
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	force = true
	for _, cut := range []int{10, len(whole) / 2, len(whole) - 1} {
		if err := os.WriteFile(file, whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := to.Restore(ctx, file, force, time.Now()); err == nil {
			t.Errorf("restored the first %d bytes", cut)
		}
	}
	for i := 200; i < len(whole); i += len(whole) / 5 {
		bad := []byte(string(whole))
		bad[i] ^= 0x40
		if err := os.WriteFile(file, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := to.Restore(ctx, file, force, time.Now()); err == nil {
			t.Errorf("restored with byte %d wrong", i)
		}
	}
	if after := tree(); after != before {
		t.Errorf("a restore that failed changed something:\n%s\nwas\n%s", after, before)
	}
	lock, err := journal.Lock(to.State)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := to.Restore(ctx, file, force, time.Now()); err == nil || !strings.Contains(err.Error(), "stop the daemon") {
		t.Errorf("restore beside the daemon: %v", err)
	}
	if err := lock.Close(); err != nil {
		t.Fatal(err)
	}
	got, err := to.Restore(ctx, file, force, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	kept, _ := filepath.Glob(filepath.Join(dst, "*", "before-restore-*", "*"))
	if len(kept) != 4 || len(got.Aside) != 2 || got.Files != 4 { // rig.toml, shops; history.db, shops
		t.Errorf("kept aside: %v, %+v", kept, got)
	}
}
