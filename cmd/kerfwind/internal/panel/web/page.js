"use strict";
// The page is whole as it comes. This makes it follow what changes, says at
// once when no word comes any more.
(function () {
  var gone = 6000; // ms without a word: see streamBeat in events.go
  var body = document.body, speed = Number(body.dataset.speed) || 1;
  var lost = document.getElementById("lost");

  // One look-up for each key: the make-up of a page does not change.
  var at = {v: {}, s: {}, t: {}, w: {}};
  document.querySelectorAll("[data-v],[data-s],[data-t],[data-w]").forEach(function (e) {
    for (var kind in at) {
      var key = e.dataset[kind];
      if (key !== undefined) (at[kind][key] = at[kind][key] || []).push(e);
    }
  });
  function each(kind, values, put) {
    for (var key in values || {}) (at[kind][key] || []).forEach(function (e) { put(e, values[key]); });
  }
  function write(e, text) { if (e.textContent !== text) e.textContent = text; }

  // The stream's clock, from the newest message.
  var base = Number(body.dataset.at) || 0, heard = performance.now(), word = Date.now();
  function now() { return base + (performance.now() - heard) / 1000 * speed; }
  function two(n) { return (n < 10 ? "0" : "") + n; }
  function clockText(code) {
    if (!code) return "";
    var d = now() - Number(code.slice(1));
    if (code[0] === "-") {
      if (d >= 0) return "";
      d = Math.ceil(-d);
    }
    d = Math.max(0, Math.floor(d));
    var h = Math.floor(d / 3600), m = Math.floor(d / 60) % 60, s = d % 60;
    return h ? h + ":" + two(m) + ":" + two(s) : m + ":" + two(s);
  }
  function clocks() {
    document.querySelectorAll("[data-clock]").forEach(function (e) { write(e, clockText(e.dataset.clock)); });
  }

  // Faults that stand. On every part, what is new is read out, once.
  var known = null, news = document.getElementById("news");
  function troubles(list) {
    var fresh = known ? list.filter(function (t) { return !known[t[0]]; }) : [];
    if (fresh.length) write(news, fresh.map(function (t) { return t[1] + " " + t[2]; }).join(" "));
    else if (known && !list.length) write(news, "No known fault is left.");
    known = {};
    list.forEach(function (t) { known[t[0]] = true; });
    var ul = document.getElementById("troubles");
    if (!ul) return;
    var have = {};
    Array.from(ul.children).forEach(function (li) { have[li.dataset.key] = li; });
    list.forEach(function (t, i) {
      var li = have[t[0]];
      delete have[t[0]];
      if (!li) {
        li = document.createElement("li");
        li.dataset.key = t[0];
        li.append(document.createElement("strong"), " ", document.createElement("span"), " ", document.createElement("time"));
      }
      write(li.children[0], t[1]);
      write(li.children[1], t[2]);
      li.children[2].dataset.clock = t[3];
      if (ul.children[i] !== li) ul.insertBefore(li, ul.children[i] || null);
    });
    for (var key in have) have[key].remove();
  }

  function take(m) {
    if (m.id && m.id !== body.dataset.id) {
      location.reload();
      return;
    }
    base = m.t;
    heard = performance.now();
    word = Date.now();
    each("v", m.v, write);
    each("s", m.s, function (e, v) { e.dataset.state = v; });
    each("t", m.c, function (e, v) { e.dataset.clock = v; });
    each("w", m.w, function (e, v) { e.setAttribute("width", v); });
    if (m.x) troubles(m.x);
    found();
    clocks();
    document.dispatchEvent(new Event("word"));
  }

  // Lost and found. What is shown is then as of the last word, and says so.
  var cut = false; // the stream has ended
  var why = "";    // what the computer itself says about it
  function found() {
    cut = false;
    if (lost.hidden) return;
    lost.hidden = true;
    delete body.dataset.lost;
  }
  function check() {
    var quiet = performance.now() - heard;
    if (!body.dataset.id || quiet < gone && !(cut && quiet > 1500)) {
      if (lost.hidden) clocks();
      return;
    }
    var text = (why ? why + " No news" : "No contact with the computer") + " since " + new Date(word).toLocaleTimeString() + ". Below is the state at that time.";
    body.dataset.lost = "";
    lost.hidden = false;
    write(lost, text);
  }

  // The stream, read with fetch: it tells why when there is none.
  var wait = 500, stop = null, timer = 0, began = 0;
  function listen() {
    clearTimeout(timer);
    if (!body.dataset.id || document.hidden || stop) return;
    var mine = stop = new AbortController(), rest = "";
    began = performance.now();
    fetch("/events", {headers: {Accept: "application/json, text/event-stream"}, cache: "no-store", signal: mine.signal}).then(function (r) {
      if (r.status === 401 || r.status === 403) {
        location.reload(); // to be asked for a password again
        throw new Error();
      }
      if (!r.ok) return r.json().then(function (a) {
        why = a.error || "";
        throw new Error();
      });
      wait = 500;
      why = "";
      var from = r.body.pipeThrough(new TextDecoderStream()).getReader();
      return from.read().then(function more(got) {
        if (got.done) throw new Error();
        var parts = (rest + got.value).split("\n\n");
        rest = parts.pop();
        parts.forEach(function (p) { if (p.startsWith("data: ")) take(JSON.parse(p.slice(6))); });
        return from.read().then(more);
      });
    }).catch(function () {
      if (stop !== mine) return; // put aside on purpose
      stop = null;
      cut = true;
      timer = setTimeout(listen, wait);
      wait = Math.min(wait * 2, 5000);
    });
  }
  function aside() {
    if (stop) stop.abort();
    stop = null;
  }
  document.addEventListener("visibilitychange", function () {
    check();
    if (document.hidden) aside();
    else listen();
  });
  addEventListener("pageshow", function (e) { if (e.persisted) location.reload(); });
  // A stream that hangs: try another one.
  setInterval(function () {
    check();
    if (stop && performance.now() - Math.max(heard, began) > gone) {
      aside();
      cut = true;
      listen();
    }
  }, 500);
  addEventListener("online", listen);
  listen();
})();
