'use strict';
// Keeps the age of the data true and puts in the parts of the page that the unit says have changed.
(function () {
  var body = document.body, bar = document.getElementById('bar'), age = document.getElementById('age');
  var old = Number(body.dataset.old), some = body.dataset.some !== undefined;
  var made = performance.now() - 1000 * Number(body.dataset.age); // when the data shown was read, by this clock
  var source = null, connected = true, again = 0;

  function span(s) {
    if (s < 120) return Math.floor(s) + '\u00a0s';
    if (s < 3600) return Math.floor(s / 60) + '\u00a0min';
    if (s < 86400) return Math.floor(s / 3600) + '\u00a0h ' + Math.floor(s % 3600 / 60) + '\u00a0min';
    return Math.floor(s / 86400) + '\u00a0d ' + Math.floor(s % 86400 / 3600) + '\u00a0h';
  }

  function put(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  function tick() {
    var s = Math.max(0, (performance.now() - made) / 1000);
    var state = !connected ? 'lost' : s > old ? 'stalled' : 'fine';
    bar.classList.toggle('bad', some && state !== 'fine');
    if (some) put(age, bar.dataset[state].replace('{age}', span(s)));
  }

  // replace keeps how far the reader has scrolled a wide table, and what has the focus.
  function replace(element, html) {
    var keep = '.wide, a[href]';
    var kept = Array.prototype.map.call(element.querySelectorAll(keep), function (e) {
      return { left: e.scrollLeft, focused: e === document.activeElement };
    });
    element.innerHTML = html;
    element.querySelectorAll(keep).forEach(function (e, i) {
      if (!kept[i]) return;
      e.scrollLeft = kept[i].left;
      if (kept[i].focused) e.focus({ preventScroll: true });
    });
  }

  function show(event) {
    var data = JSON.parse(event.data);
    if (data.build !== body.dataset.build) { location.reload(); return; }
    connected = some = true;
    made = performance.now() - 1000 * data.age_s;
    Object.keys(data.parts).forEach(function (id) {
      var element = document.getElementById(id);
      if (element) replace(element, data.parts[id]);
    });
    tick();
  }

  function close() {
    clearTimeout(again);
    if (source) source.close();
    source = null;
  }

  function open() {
    close();
    source = new EventSource('/live?of=' + body.dataset.live);
    source.addEventListener('sheet', show);
    source.onopen = function () { connected = true; tick(); };
    source.onerror = function () {
      connected = false;
      tick();
      if (source.readyState === EventSource.CLOSED) again = setTimeout(open, 5000); // the browser has given up; we don't
    };
  }

  // A browser lets a page have few connections: one that nobody looks at gives its own back.
  document.addEventListener('visibilitychange', function () {
    if (document.hidden) close(); else open();
  });
  setInterval(tick, 1000);
  open();
}());
