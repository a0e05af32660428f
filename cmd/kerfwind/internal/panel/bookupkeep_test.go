package panel

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
	"kerfwind/cmd/kerfwind/internal/upkeep"
)

// What the page sees to stands in the record that the terminal reads.
func TestPageUpkeep(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	wall := time.Date(2026, 3, 30, 12, 0, 0, 0, time.UTC)
	u := NewBook(dir, func() journal.Stamp { return journal.Stamp{Boot: "boot", Wall: wall, Trusted: true} }, time.UTC)
	if _, err := u.Look(ctx); !errors.Is(err, journal.ErrNone) {
		t.Fatalf("%v", err)
	}
	if err := journaltest.Make(dir, 8); err != nil {
		t.Fatal(err)
	}
	item := func(name string) upkeep.Item {
		t.Helper()
		st, err := u.Look(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if st.Budget != 6 || !st.Known || len(st.Trend.Points) != 8 {
			t.Errorf("%+v", st)
		}
		i := slices.IndexFunc(st.Items, func(it upkeep.Item) bool { return it.Name == name })
		if i < 0 {
			t.Fatalf("no %s", name)
		}
		return st.Items[i]
	}
	before := item("filter")
	if before.Used < 10 || before.Reset != 0 {
		t.Fatalf("%+v", before)
	}
	if err := u.Reset(ctx, "filter", 0); err != nil {
		t.Fatal(err)
	}
	// The trend is that of the new filter, so it is not known: look at the item only.
	st, err := u.Look(ctx)
	if err != nil || st.Known {
		t.Fatalf("%+v %v", st, err)
	}
	i := slices.IndexFunc(st.Items, func(it upkeep.Item) bool { return it.Name == "filter" })
	reset := st.Items[i]
	if reset.Used != 0 || reset.Reset == 0 || !reset.Since.Equal(wall) {
		t.Errorf("%+v", reset)
	}
	if err := u.Reset(ctx, "filter", 0); !errors.As(err, new(*Refusal)) {
		t.Errorf("pressed twice: %v", err)
	}
	if err := u.TakeBack(ctx, "filter", reset.Reset); err != nil {
		t.Fatal(err)
	}
	if after := item("filter"); after != before {
		t.Errorf("%+v, want %+v", after, before)
	}
	if err := u.TakeBack(ctx, "filter", reset.Reset); !errors.As(err, new(*Refusal)) {
		t.Errorf("taken back twice: %v", err)
	}
	for name, err := range map[string]error{
		"an unknown item":     u.Reset(ctx, "flux", 0),
		"no reset":            u.TakeBack(ctx, "filter", 0),
		"a bad length":        u.Every(ctx, "filter", "", "soon"),
		"a new item of none":  u.Every(ctx, "knives", "", "25 h"),
		"what counts already": u.Every(ctx, "bin", "band saw", "25 h"),
	} {
		if !errors.As(err, new(*Mistake)) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := errors.Join(u.Every(ctx, "knives", "thickness planer", "25 h"), u.Every(ctx, "filter", "", "40 h")); err != nil {
		t.Fatal(err)
	}
	if k := item("knives"); k.Every != 25 || k.Of != "thickness planer" || k.Used == 0 {
		t.Errorf("%+v", k)
	}
	if f := item("filter"); f.Every != 40 {
		t.Errorf("%+v", f)
	}
	if g := item("gate saw"); g.Unit != upkeep.Moves || g.Used == 0 {
		t.Errorf("%+v", g)
	}
}
