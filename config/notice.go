package config

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"

	"kerfwind/control"
)

// rawNotice is where news goes that somebody should hear of.
type rawNotice struct {
	at
	Name string   `toml:"name" need:"1"`
	URL  string   `toml:"url" need:"1" secret:"1" eg:"\"https://notices.example/barn\""`
	On   []string `toml:"on"` // nil: defNotice
}

// Notice is a web address that gets chosen news by a POST of JSON.
type Notice struct {
	Name string
	URL  string   // may hold a secret: it goes to no log and no page
	On   []string // NoticeFaults, NoticeUpkeep, or the name of an event or a fault
}

// Words of a notice that stand for more than one event.
const (
	NoticeFaults = "faults" // every fault, raised and cleared
	NoticeUpkeep = "upkeep" // whatever falls due, and a full bin
)

var defNotice = []string{NoticeFaults, NoticeUpkeep, control.ClosedShopRun.String()}

// noticeWords are all words that a notice may choose.
func noticeWords() []string {
	words := []string{NoticeFaults, NoticeUpkeep}
	for k := control.EventKind(1); k.String() != "invalid"; k++ {
		words = append(words, k.String())
	}
	for f := control.FaultKind(1); f.String() != "invalid"; f++ {
		words = append(words, f.String())
	}
	return words
}

// notices checks the tables "notice".
func (b *builder) notices() {
	names(b.file, "notice", b.raw.Notice, func(n *rawNotice) string { return n.Name })
	words := noticeWords()
	for i := range b.raw.Notice {
		raw := &b.raw.Notice[i]
		n := Notice{raw.Name, raw.URL, raw.On}
		// The address may hold a secret, so no message quotes it.
		if u, err := url.Parse(raw.URL); raw.URL != "" && (err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "") {
			b.add(raw.key("url"), fmt.Sprintf("notice %q: url is no web address", raw.Name), `write "https://HOST/PATH" or "http://HOST/PATH"`)
		}
		if raw.On == nil {
			n.On = defNotice
			b.defaulted(raw.key("on"), fmt.Sprintf("%q", defNotice))
		}
		for j, word := range n.On {
			if !slices.Contains(words, word) {
				b.add(raw.item("on", j), fmt.Sprintf("notice %q: there is no news called %q", raw.Name, word), cmp.Or(didYouMean(word, words), `write "faults", "upkeep", or the name of an event or a fault`))
			}
		}
		b.s.Notices = append(b.s.Notices, n)
	}
}

// describeNotices says who is told what, without the secret parts of an
// address.
func (s *Shop) describeNotices(p *page) {
	if len(s.Notices) > 0 {
		p.line(0, "Notices")
	}
	for i := range s.Notices {
		n := &s.Notices[i]
		host := "an address"
		if u, err := url.Parse(n.URL); err == nil {
			host = u.Scheme + "://" + u.Host
		}
		p.line(1, "%s: %s gets notices about %s", n.Name, host, list(n.On))
	}
}
