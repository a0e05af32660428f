package main

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/chromedp"

	"kerfwind/cmd/kerfwind/internal/socket"
)

// spoken is a thing on the page as a screen reader is told of it.
type spoken struct {
	role, name string
	text       string // of all that is in it
	live       bool   // it is read out when it changes
}

// tree is the page as a screen reader is told of it, in its order.
func (x *tab) tree() (out []spoken) {
	x.t.Helper()
	ctx, cancel := context.WithTimeout(x.ctx, browserWait)
	defer cancel()
	got, err := chromedp.Call(ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		x.t.Fatal(err)
	}
	words := func(v *accessibility.Value) string {
		if v == nil {
			return ""
		}
		text, err := strconv.Unquote(string(v.Value))
		if err != nil {
			return ""
		}
		return text
	}
	all := map[accessibility.NodeID]*accessibility.Node{}
	for _, n := range got.Nodes {
		all[n.NodeID] = n
	}
	var inside func(n *accessibility.Node, b *strings.Builder)
	inside = func(n *accessibility.Node, b *strings.Builder) {
		if words(n.Role) == "StaticText" {
			b.WriteString(words(n.Name) + " ")
		}
		for _, c := range n.ChildIDs {
			if all[c] != nil {
				inside(all[c], b)
			}
		}
	}
	for _, n := range got.Nodes {
		if n.Ignored {
			continue
		}
		s := spoken{role: words(n.Role), name: words(n.Name)}
		s.live = s.role == "status" || s.role == "alert"
		if s.live {
			var b strings.Builder
			inside(n, &b)
			s.text = strings.Join(strings.Fields(b.String()), " ")
		}
		out = append(out, s)
	}
	return out
}

// hears waits until a region that is read out says something. It returns how long that took.
func (x *tab) hears(text string) time.Duration {
	x.t.Helper()
	began := time.Now()
	for time.Since(began) < browserWait {
		if slices.ContainsFunc(x.tree(), func(s spoken) bool { return s.live && strings.Contains(s.text, text) }) {
			return time.Since(began)
		}
	}
	x.t.Fatalf("never read out: %q\n%+v", text, x.tree())
	return 0
}

// TestPageHeard reads the page as a screen reader does: what can be used has a role and a
// name, and each event is read out in the one sentence, which never runs ahead of the
// picture nor stays behind it.
func TestPageHeard(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser and a shop")
	}
	t.Parallel() // it waits most of the time
	shop := startBarn(t, strings.Split(sawing(), "at 20s")[0], 2)
	x := newTab(t, browser(t))
	x.screen(360, 740, "dark")
	x.signIn("http://"+shop.addr, "setup")
	if _, err := chromedp.Call(x.ctx, accessibility.Enable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	for _, part := range append(x.parts(), "/rehearsal", "/shops") {
		x.open("http://" + shop.addr + part)
		has := map[string]bool{}
		for _, s := range x.tree() {
			has[s.role] = true
			if s.name == "" && slices.Contains([]string{"button", "link", "textbox", "combobox", "checkbox", "DisclosureTriangle", "image", "region", "navigation", "meter"}, s.role) {
				t.Errorf("%s: a %s has no name", part, s.role)
			}
		}
		for _, role := range []string{"main", "heading", "status"} {
			if !has[role] {
				t.Errorf("%s has no %s", part, role)
			}
		}
	}
	x.open("http://" + shop.addr + "/")
	x.hears("Nothing runs")
	for _, s := range []struct {
		pageState
		heard string
		shown string // of the page, in the same moment
	}{
		{pageState{"a machine runs", []string{"planer on", "planer cuts"}, func(s *socket.Status) bool { return s.Running == 1 }, ""}, "Planer", `document.querySelector('[data-s=m1]').dataset.state === 'run'`},
		{pageState{"a gate is stuck", []string{"jam drum sander", "drum sander on"}, func(s *socket.Status) bool { return s.Running == 2 && len(s.Faults) > 0 }, ""}, "Drum sander is NOT collected", `document.querySelector('[data-s=m2]').dataset.state === 'warn'`},
		{pageState{"it is stood down", nil, func(s *socket.Status) bool { return s.StoodDown }, "/stand-down"}, "NOT collected", downIs + ` === 'down'`},
	} {
		// The sentence and what is drawn change in one go: when one is there the other is.
		value[any](x, `(() => {
			window.apart = '';
			const say = document.querySelector('.say'), is = () => say.textContent.includes(`+strconv.Quote(s.heard)+`);
			if (is()) return;
			new MutationObserver((_, o) => {
				if (!is()) return;
				o.disconnect();
				if (!(`+s.shown+`)) window.apart = say.textContent;
			}).observe(document.body, {subtree: true, childList: true, characterData: true, attributes: true});
		})()`)
		x.bring(shop, s.pageState)
		t.Logf("%s: read out %v after the shop knows", s.name, x.hears(s.heard).Round(time.Millisecond))
		if apart := value[string](x, `window.apart`); apart != "" {
			t.Errorf("%s: %q is said while the page still shows something else", s.name, apart)
		}
	}
}
