"use strict";
// What a finger does. Forms are sent without leaving the page; the answer stands where the
// finger is and is read out, until it is stale. What follows by itself is fetched again.
(function () {
  var said = document.getElementById("said"), main = document.getElementById("main"), shown = null, timer = 0;
  var words = {done: "Done.", refused: "Not done.", unknown: "Not known."};
  var stays = {done: 15000, refused: 60000}; // ms; what is not known stays until the computer answers again

  // The same form, also on the page that is shown next.
  function key(f) {
    return f.getAttribute("action") + Array.from(f.querySelectorAll("input[type=hidden]")).map(function (e) {
      return /^(seen|mark|revision)$/.test(e.name) ? "" : " " + e.value;
    }).join("");
  }
  function place() {
    if (!shown || shown.node.isConnected) return;
    var f = Array.from(document.forms).find(function (f) { return key(f) === shown.key; });
    var dock = f && f.closest(".dock"), d = f && f.closest("details");
    if (dock) dock.prepend(shown.node);
    else if (f && f.checkVisibility()) f.after(shown.node);
    else (d || main.querySelector("h1")).after(shown.node);
    shown.node.scrollIntoView({block: "nearest"});
  }
  function clear() {
    clearTimeout(timer);
    if (shown) shown.node.remove();
    shown = null;
    said.textContent = "";
  }
  function show(a) {
    clear();
    if (!a.text) return;
    var node = document.createElement("p"), word = document.createElement("strong");
    node.className = "answer";
    node.dataset.kind = a.kind;
    word.textContent = words[a.kind];
    node.append(word, " " + a.text);
    shown = {node: node, key: a.key, kind: a.kind, at: performance.now()};
    place();
    said.className = "hide";
    said.textContent = node.textContent;
    if (stays[a.kind]) timer = setTimeout(clear, stays[a.kind]);
  }
  document.addEventListener("word", function () {
    if (shown && shown.kind === "unknown" && performance.now() - shown.at > 4000) clear();
  });
  try {
    var kept = sessionStorage.getItem("answer");
    sessionStorage.removeItem("answer");
    var sent = !!kept; // what was sent is not written again
    if (kept) setTimeout(show, 100, JSON.parse(kept)); // a change is read out, what a page brings along is not
  } catch (e) {} // a browser that keeps nothing

  document.addEventListener("submit", function (e) {
    var f = e.target, b = e.submitter;
    if (f.method !== "post" || /^\/sign-/.test(f.getAttribute("action"))) return;
    e.preventDefault();
    clear();
    var data = new URLSearchParams(new FormData(f)), k = key(f), buttons = f.querySelectorAll("button");
    if (b && b.name) data.append(b.name, b.value);
    buttons.forEach(function (x) { x.disabled = true; });
    fetch(f.action, {method: "POST", body: data, headers: {Accept: "application/json"}, signal: AbortSignal.timeout(10000)}).then(function (r) {
      return r.json().then(function (a) {
        return {kind: r.ok ? "done" : "refused", text: a.said || a.error || "", key: k, to: r.ok || r.status === 409 ? a.to : ""};
      });
    }).catch(function () {
      return {kind: "unknown", text: "No answer from the computer: it may have been done or not.", key: k};
    }).then(function (a) {
      var d = a.kind !== "refused" && f.closest("details");
      if (d) d.open = false;
      if (a.to && !f.classList.contains("do")) { // the page is another one now
        try { sessionStorage.setItem("answer", JSON.stringify(a)); } catch (e) {} // as above
        if (a.to === location.pathname + location.search) location.reload();
        else location.assign(a.to);
        return;
      }
      buttons.forEach(function (x) { x.disabled = false; });
      if (d) d.querySelector("summary").focus();
      show(a);
      follow.forEach(function (again) { again(); });
    });
  });

  // While no word comes, a part that was left could not be shown again.
  document.addEventListener("click", function (e) {
    var a = e.target.closest("a[href]");
    if (!a || !("lost" in document.body.dataset) || a.getAttribute("href")[0] === "#") return;
    e.preventDefault();
    show({kind: "unknown", text: "No contact with the computer: " + a.textContent.trim() + " cannot be shown now. This page stays as it was.", key: ""});
  });

  // A page that is read again is as it was left: what was opened, and what was written and
  // not sent.
  function marks() { return Array.from(main.querySelectorAll("details, input:not([type=hidden]):not([type=password]), select")); }
  addEventListener("pagehide", function () {
    var kept = {at: location.pathname + location.search, size: marks().length, of: marks().map(function (e) {
      return e.tagName === "DETAILS" ? e.open : e.type === "checkbox" ? e.checked : e.value;
    })};
    try { sessionStorage.setItem("left", JSON.stringify(kept)); } catch (e) {} // as above
  });
  try {
    var left = JSON.parse(sessionStorage.getItem("left")), again = performance.getEntriesByType("navigation")[0].type === "reload";
    if (again && left && left.at === location.pathname + location.search && left.size === marks().length) marks().forEach(function (e, i) {
      if (e.tagName === "DETAILS") e.open = left.of[i];
      else if (e.type === "checkbox") e.checked = left.of[i];
      else if (left.of[i] && !sent) e.value = left.of[i];
    });
  } catch (e) {} // as above

  // What is at hand shuts by itself.
  function shut(but) {
    document.querySelectorAll(".dock details[open]").forEach(function (d) { if (!d.contains(but)) d.open = false; });
  }
  document.addEventListener("pointerdown", function (e) { shut(e.target); });
  document.addEventListener("keydown", function (e) { if (e.key === "Escape") shut(null); });

  // What follows by being fetched again. Who is on a button of it stays there.
  var follow = Array.from(document.querySelectorAll("[data-follow]")).map(function (e) {
    var to = e.dataset.follow.split(" "), busy = false, last = "";
    function parts() { return Array.from(e.querySelectorAll("button, a")); }
    function again() {
      if (busy || document.hidden || "lost" in document.body.dataset) return;
      busy = true;
      fetch(to[0], {cache: "no-store", signal: AbortSignal.timeout(5000)}).then(function (r) {
        return r.ok ? r.text() : "";
      }).then(function (t) {
        if (!t || t === last) return;
        var i = parts().indexOf(document.activeElement);
        e.innerHTML = last = t;
        place();
        var say = document.getElementById(e.id + "-say"), what = say && e.querySelector("strong");
        if (what) {
          if (say.textContent !== what.textContent) say.textContent = what.textContent;
        }
        if (i >= 0 && parts()[i]) parts()[i].focus({preventScroll: true});
      }).catch(function () {}).then(function () { busy = false; });
    }
    setInterval(again, Number(to[1]));
    return again;
  });
})();
