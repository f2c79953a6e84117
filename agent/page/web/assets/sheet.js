'use strict';
// Keeps the bar true, puts in the parts of the page that the unit says have changed, and turns times
// into the reader's own zone. The page is whole without it.
(function () {
  var body = document.body, bar = document.getElementById('bar'), age = document.getElementById('age');
  var old = Number(body.dataset.old), some = body.dataset.some !== undefined, live = body.dataset.live;
  var made = performance.now() - 1000 * Number(body.dataset.age); // when the data shown was read, by this clock
  var now = body.dataset.at ? new Date(body.dataset.at) : new Date(); // by the unit's clock
  var title = document.title; // its beginning is the answer: no older than the bar says
  var source = null, connected = true, again = 0, hung = bar.classList.contains('bad');
  var lang = document.documentElement.lang;
  var clock = new Intl.DateTimeFormat(lang, {hour: '2-digit', minute: '2-digit', hourCycle: 'h23'});
  var day = new Intl.DateTimeFormat(lang, {day: 'numeric', month: 'short'});
  var year = new Intl.DateTimeFormat(lang, {day: 'numeric', month: 'short', year: 'numeric'});

  function span(s) {
    if (s < 120) return Math.floor(s) + '\u00a0s';
    if (s < 3600) return Math.floor(s / 60) + '\u00a0min';
    if (s < 86400) return Math.floor(s / 3600) + '\u00a0h ' + Math.floor(s % 3600 / 60) + '\u00a0min';
    return Math.floor(s / 86400) + '\u00a0d ' + Math.floor(s % 86400 / 3600) + '\u00a0h';
  }

  function put(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  // A time of today without its date, one of long ago without its hour.
  function localize(root) {
    root.querySelectorAll('time[datetime]').forEach(function (e) {
      var t = new Date(e.getAttribute('datetime')), apart = Math.abs(now - t) / 86400000;
      if (isNaN(t)) return;
      put(e, apart > 300 && t.getFullYear() !== now.getFullYear() ? year.format(t) : apart > 7 ? day.format(t) :
        (t.toDateString() === now.toDateString() ? '' : day.format(t) + ', ') + clock.format(t));
    });
  }

  function tick() {
    var s = Math.max(0, (performance.now() - made) / 1000);
    var state = !connected ? 'lost' : hung || s > old ? 'stalled' : '';
    bar.classList.toggle('bad', some && state !== '');
    if (live === 'now') {
      var says = some && state ? bar.dataset[state].replace('{age}', span(s)) + ' · ' + title : title;
      if (document.title !== says) document.title = says;
    }
    if (some) put(age, state ? bar.dataset[state].replace('{age}', span(s)) : '');
  }

  function same(a, b) {
    return a.nodeType === b.nodeType && a.nodeName === b.nodeName && (a.id || '') === (b.id || '');
  }

  // merge makes one element's content like another's, and touches nothing that is the same: folds stay
  // as the reader left them, as do focus, selection and how far a table was scrolled.
  function merge(into, from) {
    var a = into.firstChild, wanted = {};
    Array.from(from.children).forEach(function (e) { if (e.id) wanted[e.id] = true; });
    Array.from(from.childNodes).forEach(function (b) {
      var there = a;
      while (there && !same(there, b)) there = there.id && wanted[there.id] && !b.id ? null : there.nextSibling;
      if (!there) {
        into.insertBefore(b, a);
        return;
      }
      while (a !== there) { // what is no longer wanted, or comes later
        var gone = a;
        a = a.nextSibling;
        if (gone.id && wanted[gone.id]) into.appendChild(gone); else into.removeChild(gone);
      }
      if (a.nodeType === Node.ELEMENT_NODE) {
        alike(a, b);
        merge(a, b);
      } else if (a.nodeValue !== b.nodeValue) a.nodeValue = b.nodeValue;
      a = a.nextSibling;
    });
    while (a) { var next = a.nextSibling; into.removeChild(a); a = next; }
  }

  function alike(a, b) {
    var fold = a.nodeName === 'DETAILS';
    Array.from(a.attributes).forEach(function (x) {
      if (!b.hasAttribute(x.name) && !(fold && x.name === 'open')) a.removeAttribute(x.name);
    });
    Array.from(b.attributes).forEach(function (x) {
      if (a.getAttribute(x.name) !== x.value && !(fold && x.name === 'open')) a.setAttribute(x.name, x.value);
    });
  }

  // On a desk all folds are open, for a screen reader as for the eye; a fold once, as the reader may close it.
  var wide = matchMedia('(min-width: 48em)'), unfolded = new WeakSet();
  function unfold() {
    if (wide.matches) document.querySelectorAll('.open details').forEach(function (d) {
      if (!unfolded.has(d)) { unfolded.add(d); d.open = true; }
    });
  }

  function show(event) {
    var data = JSON.parse(event.data);
    if (data.build !== body.dataset.build && live !== 'bar') { location.reload(); return; } // never where somebody types
    connected = some = true;
    made = performance.now() - 1000 * data.age_s;
    now = new Date(data.at);
    hung = data.hung;
    title = data.title || title;
    Object.keys(data.parts).forEach(function (id) {
      var element = document.getElementById(id), t = document.createElement('template');
      if (!element) return;
      t.innerHTML = data.parts[id];
      localize(t.content);
      merge(element, t.content);
    });
    unfold();
    tick();
  }

  function close() {
    clearTimeout(again);
    if (source) source.close();
    source = null;
  }

  function open() {
    close();
    source = new EventSource('/live?of=' + live);
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
  wide.addEventListener('change', function () { unfold(); });
  unfold();
  localize(document);
  setInterval(tick, 1000);
  open();
}());
