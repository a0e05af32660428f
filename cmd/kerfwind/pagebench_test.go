package main

import (
	"context"
	"database/sql"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/journal/journaltest"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/testdata/barn"
)

// moreRuns adds invented runs to a history: 200 a day for ten years, with the
// collector's spans. The figures mean nothing.
func moreRuns(b *testing.B, dir string, n int) {
	b.Helper()
	raw, err := sql.Open("sqlite", journal.Path(dir))
	if err != nil {
		b.Fatal(err)
	}
	_, err = raw.Exec(`WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i+1 FROM n WHERE i+1 < ?)
		INSERT INTO span(session, kind, name, cause, at, ms, wall, day, doubtful, ending)
		SELECT 1, kind, CASE kind WHEN 'collector' THEN 'collector' ELSE substr('planer  band sawrouter  sander  ', 1 + 8*((i*7919/13)%4), 8) END, '',
			i*100000, 2000 + (i*7919)%90000, (16800 + i/200)*86400000 + (i%200)*100000, 16800 + i/200, 0, 'seen'
		FROM n, (SELECT 'machine' AS kind UNION ALL SELECT 'collector')`, n)
	if err != nil {
		b.Fatal(err)
	}
	if err := raw.Close(); err != nil {
		b.Fatal(err)
	}
	db, err := journal.OpenGuest(context.Background(), dir)
	if err != nil {
		b.Fatal(err)
	}
	if err := db.Rebuild(context.Background()); err != nil {
		b.Fatal(err)
	}
	if err := db.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkEventToPixel measures from the request that makes an event to the frame that
// shows it, in Chromium on a running shop whose planer runs, at instants that fall anyhow
// between the messages of the stream. The goal is 100 ms at the median.
func BenchmarkEventToPixel(b *testing.B) {
	shop := startBarn(b, planing, 1)
	x := newTab(b, browser(b))
	x.screen(360, 740, "dark")
	x.signIn("http://"+shop.addr, "setup")
	x.until("a gate can be held", `document.querySelector('[data-s=h4]').dataset.state === 'can'`)
	var took []float64
	for b.Loop() {
		took = append(took, value[float64](x, `new Promise(done => setTimeout(() => {
			const e = document.querySelector('[data-s=h4]'), began = performance.now();
			new MutationObserver((_, o) => {
				o.disconnect();
				requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began)));
			}).observe(e, {attributes: true, attributeFilter: ['data-state']});
			fetch(e.dataset.state === 'can' ? '/hold' : '/release', {method: 'POST', headers: {Accept: 'application/json'},
				body: new URLSearchParams(e.dataset.state === 'can' ? {gate: 'floor sweep', for: '60'} : {gate: 'floor sweep'})});
		}, 500 + 500 * Math.random()))`))
	}
	slices.Sort(took)
	b.ReportMetric(took[len(took)/2], "ms/median")
	b.ReportMetric(took[len(took)*9/10], "ms/9-of-10")
}

// BenchmarkPageOfMany shows the parts that read the record, over 500,000 runs:
// opening the file, reading and rendering. The goal is 300 ms.
func BenchmarkPageOfMany(b *testing.B) {
	dir := b.TempDir()
	if err := journaltest.Make(dir, 1); err != nil {
		b.Fatal(err)
	}
	moreRuns(b, dir, 500_000)
	of := barn.Shop(b)
	names, server := rig.Names(of), panel.New(panel.Options{})
	shop := panel.NewShop(of, &names)
	wall := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	shop.Speed = 1
	shop.Now = func() time.Duration { return 0 }
	shop.Wall = func() (time.Time, bool) { return wall, true }
	book := panel.NewBook(dir, func() journal.Stamp { return journal.Stamp{Boot: "boot", Wall: wall, Trusted: true} }, time.UTC)
	shop.History, shop.Upkeep = book.Open, book
	server.Show(shop)
	for name, address := range map[string]string{
		"newest": "/runs", "old": "/runs?to=2018-06-01", "machine": "/runs?machine=planer&to=2020-01-01", "rare": "/runs?machine=drum+sander",
		"months": "/runs?by=month&from=2016-01-01", "upkeep": "/upkeep",
	} {
		b.Run(name, func(b *testing.B) {
			for n := 0; b.Loop(); n++ {
				r := httptest.NewRequest(http.MethodGet, "http://localhost"+address, nil)
				r.RemoteAddr = "127.0.0.1:1"
				b.StopTimer() // a visitor takes his time: the page answers only so many a second
				if n%40 == 39 {
					time.Sleep(time.Second) //clock:ok the server's pace is that of the real clock
				}
				b.StartTimer()
				w := httptest.NewRecorder()
				server.ServeHTTP(w, r)
				if w.Code != http.StatusOK {
					b.Fatal(w.Code, w.Body.String())
				}
			}
		})
	}
}
