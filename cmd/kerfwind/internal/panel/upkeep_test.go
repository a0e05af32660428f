package panel

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/control"
)

// fakeUpkeep notes what it is asked.
type fakeUpkeep struct {
	state *UpkeepState
	err   error
	asked string
}

func (u *fakeUpkeep) Look(context.Context) (*UpkeepState, error) { return u.state, u.err }

func (u *fakeUpkeep) Reset(_ context.Context, item string, seen int64) error {
	u.asked = fmt.Sprintf("reset %s %d", item, seen)
	return u.err
}

func (u *fakeUpkeep) TakeBack(_ context.Context, item string, seen int64) error {
	u.asked = fmt.Sprintf("take back %s %d", item, seen)
	return u.err
}

func (u *fakeUpkeep) Every(_ context.Context, item, machine, every string) error {
	u.asked = fmt.Sprintf("every %s|%s|%s", item, machine, every)
	return u.err
}

func upkeepPage(t testing.TB, u *fakeUpkeep) *Server {
	s, p := New(Options{Notice: func(err error) { t.Log(err) }}), onPage(demoShop(t), time.Minute)
	if u != nil {
		p.Upkeep = u
	}
	snap := atRest(p.Shop)
	snap.Collector.StartsLeft, snap.Collector.NextStart = 2, 9*time.Minute
	p.Observe(snap, nil)
	s.Show(p)
	return s
}

func someUpkeep() *UpkeepState {
	when := time.Date(2026, 2, 20, 17, 5, 0, 0, time.UTC)
	return &UpkeepState{Zone: time.UTC, Upkeep: journal.Upkeep{Hour: 4, Most: 5, Budget: 6, Known: true,
		Items: []upkeep.Item{
			{Name: "bin", Unit: upkeep.Hours, Used: 8, Every: 10, Rate: 0.5, Since: when, Sure: true, Reset: 41},
			{Name: "filter", Unit: upkeep.Hours, Used: 52, Every: 50, Since: when, Reset: 7},
			{Name: "gate planer", Unit: upkeep.Moves, Used: 1234, Every: 20000, Sure: true},
			{Name: "knives", Unit: upkeep.Hours, Used: 3},
		},
		Cause: &upkeep.Finding{Cause: upkeep.Loading, Odds: 0.95, Part: -0.02},
		Trend: upkeep.Trend{Weeks: 4, Slope: -0.02, Now: 0.94, Weak: 5, Points: []upkeep.Point{{Week: day0 - 21, Part: 1}, {Week: day0 - 14, Part: 0.98}, {Week: day0 - 7, Part: 0.96}, {Week: day0, Part: 0.94}}}},
		Weak: []journal.WeakAir{
			{Wall: when.Add(time.Hour), Gates: []string{"planer"}, Part: 0.97, Good: true},
			{Wall: when, Gates: []string{"planer", "far end"}, Part: 0.8, Doubtful: true},
		}}
}

func TestUpkeep(t *testing.T) {
	w := look(upkeepPage(t, &fakeUpkeep{state: someUpkeep()}), "/upkeep")
	reads(t, w, http.StatusOK, "8.0 h of 10.0 h (80 %)", "due in about 4 days", "Counts since 2026-02-20 17:05", "Counts since about 2026-02-20 17:05",
		"52.0 h of 50.0 h (104 %)", `<span class="warn">due</span>`, "1234 moves of 20000 moves (6 %)", "counted, never due",
		"4 in the last hour of the 6 the motor may make; at most 5 in any hour of the last 30 days. Left now: 2; one more in 8 min.",
		"94 % of its first current, -2.0 % a week over 4 weeks: weak in about 5 weeks", `<p class="warn">The filter probably loads (9 in 10)`, `<svg class="trend"`, "From 100 % in the week of 2026-02-09 to 94 % in the week of 2026-03-02; weak from 85 % down",
		"~2026-02-20 17:05", "weak air with planer, far end open: the collector drew 80 %", "good again with planer open: 97 %", "sign in with the password to operate")
	if strings.Contains(w.Body.String(), "<button>Emptied") {
		t.Error("a visitor who may look is offered a button")
	}
	due := strings.Index(w.Body.String(), "Counted")
	if i := strings.Index(w.Body.String(), "<h3>filter"); i > due {
		t.Error("what is due does not come first")
	}
}

func TestUpkeepEmpty(t *testing.T) {
	reads(t, look(upkeepPage(t, nil), "/upkeep"), http.StatusOK, "Nothing is recorded yet.")
	reads(t, look(upkeepPage(t, &fakeUpkeep{err: journal.ErrNone}), "/upkeep"), http.StatusOK, "Nothing is recorded yet.")
	reads(t, look(upkeepPage(t, &fakeUpkeep{err: errors.New("disk gone")}), "/upkeep"), http.StatusOK, unread)
	st := &UpkeepState{Zone: time.UTC, Upkeep: journal.Upkeep{Items: []upkeep.Item{{Name: "bin", Unit: upkeep.Hours, Used: 1, Sure: true}}}}
	reads(t, look(upkeepPage(t, &fakeUpkeep{state: st}), "/upkeep"), http.StatusOK, "kerfwind has not learned yet how much fills it", "the shop file sets no limit", "There are no figures for two weeks yet")
	full := &UpkeepState{Zone: time.UTC, Upkeep: journal.Upkeep{Items: []upkeep.Item{{Name: "bin", Unit: upkeep.Hours, Full: true}}}}
	reads(t, look(upkeepPage(t, &fakeUpkeep{state: full}), "/upkeep"), http.StatusOK, `<span class="bad">full: empty it</span>`)
}

// What a form does, and what stands against it.
func TestUpkeepChanges(t *testing.T) {
	for _, c := range []struct {
		do    func(*Visit) error
		form  string
		asked string // of the record
		said  string
		wrong string
	}{
		{upkeepReset, "item=bin&seen=41", "reset bin 41", "bin: reset", ""},
		{upkeepReset, "item=bin&seen=0", "reset bin 0", "bin: reset", ""},
		{upkeepReset, "item=bin", "", "", "does not say what"},
		{upkeepReset, "seen=3", "", "", "does not say what"},
		{upkeepReset, "item=bin&seen=-1", "", "", "does not say what"},
		{upkeepReset, "item=bin&seen=9999999999999999999", "", "", "does not say what"},
		{upkeepUndo, "item=bin&seen=41", "take back bin 41", "bin: the reset is undone", ""},
		{upkeepUndo, "item=bin&seen=x", "", "", "does not say what"},
		{upkeepEvery, "item=filter&every=40+h&machine=", "every filter||40 h", "filter: due every 40 h", ""},
		{upkeepEvery, "item=knives&every=25+h&machine=planer", "every knives|planer|25 h", "due every 25 h", ""},
		{upkeepEvery, "item=filter&every=never", "every filter||never", "no further reminders", ""},
		{upkeepEvery, "item=knives&every=25+h&machine=lathe", "", "", "no machine"},
		{upkeepEvery, "item=&every=25+h", "", "", "name the item"},
		{upkeepEvery, "item=" + strings.Repeat("x", 61) + "&every=25+h", "", "", "name the item"},
		{upkeepEvery, "item=filter", "", "", "after how much"},
	} {
		u := &fakeUpkeep{}
		shop := onPage(demoShop(t), 0)
		shop.Upkeep = u
		values, err := url.ParseQuery(c.form)
		if err != nil {
			t.Fatal(err)
		}
		v := &Visit{R: httptest.NewRequest(http.MethodPost, "/", nil), Shop: shop, fields: values}
		err = c.do(v)
		if c.wrong != "" {
			if !errors.As(err, new(*Mistake)) || !strings.Contains(err.Error(), c.wrong) {
				t.Errorf("%s: %v, want %q", c.form, err, c.wrong)
			}
		} else if err != nil {
			t.Errorf("%s: %v", c.form, err)
		}
		if u.asked != c.asked || !strings.Contains(v.said, c.said) || (v.said == "") != (c.said == "") {
			t.Errorf("%s: asked %q, said %q", c.form, u.asked, v.said)
		}
		// Nothing is said to be done that was not.
		no := &Refusal{"somebody else was quicker"}
		u.err = no
		v.said = ""
		if c.wrong == "" {
			if err := c.do(v); !errors.Is(err, no) || v.said != "" {
				t.Errorf("%s: %v, said %q", c.form, err, v.said)
			}
		}
		shop.Upkeep = nil
		if err := c.do(v); err == nil || v.said != "" {
			t.Errorf("%s without a record: %v, said %q", c.form, err, v.said)
		}
	}
}

// The words about starts agree with the state.
func TestStartsLeft(t *testing.T) {
	for want, c := range map[string]control.CollectorView{
		"":                                {StartsLeft: -1},
		"Left now: 6.":                    {StartsLeft: 6},
		"Left now: 0; one more in 1 min.": {StartsLeft: 0, NextStart: 61 * time.Second},
	} {
		var m upkeepMain
		m.left(&c, time.Minute)
		if m.More != want {
			t.Errorf("%+v: %q, want %q", c, m.More, want)
		}
	}
}

func FuzzUpkeepForm(f *testing.F) {
	for _, q := range []string{"item=bin&seen=1", "item=%00&seen=0", "item=a&machine=b&every=9", "seen=1e3"} {
		f.Add(q)
	}
	shop := onPage(demoShop(f), 0)
	shop.Upkeep = &fakeUpkeep{}
	f.Fuzz(func(t *testing.T, form string) {
		for _, x := range upkeepPart.Routes {
			values, err := parseFields(form, x.Fields)
			if err != nil {
				continue
			}
			v := &Visit{R: httptest.NewRequest(http.MethodPost, "/", nil), Shop: shop, fields: values}
			if err := x.Do(v); (err == nil) != (v.said != "") {
				t.Errorf("%q: %v, said %q", form, err, v.said)
			}
		}
	})
}
