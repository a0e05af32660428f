package journal

import (
	"context"
	"errors"
	"testing"
	"time"
)

// Who changes an item on sight of it changes nothing if it is no longer as
// seen.
func TestSeen(t *testing.T) {
	ctx := context.Background()
	db, _, err := openWriter(ctx, t.TempDir(), noon, migrations)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	now := Stamp{Boot: "boot", Wall: noon, Trusted: true}
	seen := func() int64 {
		t.Helper()
		all, err := db.Upkeep(ctx, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, it := range all {
			if it.Name == itemBin {
				return it.Reset
			}
		}
		t.Fatal("no bin")
		return 0
	}
	if n := seen(); n != 0 {
		t.Fatalf("reset %d of an item that nobody saw to", n)
	}
	if _, err := db.UndoSeen(ctx, itemBin, 0, "page", now, time.UTC); err == nil || errors.Is(err, ErrChanged) {
		t.Errorf("taken back what is not there: %v", err)
	}
	reset := func(seen int64) error { return db.ResetSeen(ctx, itemBin, seen, "page", now, time.UTC) }
	if err := reset(0); err != nil {
		t.Fatal(err)
	}
	first := seen()
	if err := reset(0); !errors.Is(err, ErrChanged) || seen() != first {
		t.Errorf("pressed twice: %v", err)
	}
	if err := reset(first); err != nil {
		t.Fatal(err)
	}
	second := seen()
	if _, err := db.UndoSeen(ctx, itemBin, first, "page", now, time.UTC); !errors.Is(err, ErrChanged) {
		t.Errorf("an older one taken back: %v", err)
	}
	if r, err := db.UndoSeen(ctx, itemBin, second, "page", now, time.UTC); err != nil || r.ID != second || seen() != first {
		t.Errorf("%+v %v; now reset %d stands", r, err, seen())
	}
	if _, err := db.UndoSeen(ctx, itemBin, second, "page", now, time.UTC); !errors.Is(err, ErrChanged) || seen() != first {
		t.Errorf("pressed twice: %v", err)
	}
	if err := db.ResetSeen(ctx, "flux", 0, "page", now, time.UTC); err == nil || errors.Is(err, ErrChanged) {
		t.Errorf("%v", err)
	}
}
