"use strict";
// The wall does not sleep where the browser allows that, and says large since when
// there is no news.
(function () {
  var stale = document.getElementById("stale"), heard = performance.now();
  document.addEventListener("word", function () { heard = performance.now(); });
  setInterval(function () {
    stale.hidden = !("lost" in document.body.dataset);
    if (!stale.hidden) stale.textContent = "No news for " + Math.round((performance.now() - heard) / 1000) + " s";
  }, 500);
  function awake() {
    if (document.visibilityState === "visible" && navigator.wakeLock) navigator.wakeLock.request("screen").catch(function () {});
  }
  document.addEventListener("visibilitychange", awake);
  awake();
})();
