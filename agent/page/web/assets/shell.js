'use strict';
// Has the last answers kept, over TLS; on a page that is one, keeps its age true and takes the live one when it is there.
(function () {
  if (location.protocol === 'https:' && window.isSecureContext && 'serviceWorker' in navigator) {
    var without = !navigator.serviceWorker.controller; // it may take this page over before it is ready
    navigator.serviceWorker.register('/worker.js').then(function () { return navigator.serviceWorker.ready; }).then(function (r) {
      if (without) r.active.postMessage({ keep: location.pathname });
    }).catch(function () {}); // a browser that keeps nothing still shows the pages
  }
  var line = document.getElementById('lastseen');
  if (!line) return;
  var typed = false;
  document.addEventListener('input', function () { typed = true; });

  function span(s) {
    if (s < 120) return Math.floor(s) + '\u00a0s';
    if (s < 7200) return Math.floor(s / 60) + '\u00a0min';
    if (s < 172800) return Math.floor(s / 3600) + '\u00a0h';
    return Math.floor(s / 86400) + '\u00a0d';
  }

  function clock(ms) {
    var at = new Date(ms), how = { hour: '2-digit', minute: '2-digit', hour12: false };
    if (new Date().toDateString() !== at.toDateString()) { how.day = 'numeric'; how.month = 'short'; }
    return at.toLocaleString(document.documentElement.lang, how);
  }

  function tick() {
    var seen = Number(line.dataset.seen);
    line.textContent = line.dataset.text.replace('{at}', clock(seen)).replace('{age}', span(Math.max(0, (Date.now() - seen) / 1000)));
  }

  // What is being typed is left alone: the visit's own script keeps and sends it.
  function look() {
    if (document.hidden || typed) return;
    fetch('/healthz', { cache: 'no-store' }).then(function () { if (!typed) location.reload(); }).catch(function () {});
  }
  tick();
  setInterval(tick, 1000);
  setInterval(look, 5000);
}());
