'use strict';
// Renews the page when the fleet has changed. What is being typed, folded open or scrolled stays.
(function () {
  if (document.body.dataset.live === undefined) return;
  var state = document.getElementById('state'), main = document.getElementById('main');
  var source = null, revision = document.body.dataset.live, waiting = 0, again = 0, every = 10000, last = -every, dirty = false;
  var read = state.textContent;

  function busy() {
    var a = document.activeElement;
    return dirty || a && main.contains(a) && /^(INPUT|TEXTAREA|SELECT)$/.test(a.tagName);
  }
  main.addEventListener('input', function () { dirty = true; });

  function lost(on) {
    state.classList.toggle('bad', on);
    state.textContent = on ? state.dataset.lost + ' ' + read : read;
  }

  function renew() {
    clearTimeout(waiting);
    if (busy()) { waiting = setTimeout(renew, every); return; }
    var wait = last + every - performance.now();
    if (wait > 0) { waiting = setTimeout(renew, wait); return; }
    last = performance.now();
    fetch(location.href, { headers: { Accept: 'text/html' } }).then(function (r) {
      if (r.redirected) { location.reload(); return; }
      if (!r.ok) throw new Error(r.status);
      return r.text().then(function (text) {
        var page = new DOMParser().parseFromString(text, 'text/html'), fresh = page.getElementById('main');
        if (!fresh || busy()) return;
        read = page.getElementById('state').textContent;
        lost(false);
        if (fresh.innerHTML === main.innerHTML) return;
        var open = Array.prototype.map.call(main.querySelectorAll('details'), function (d) { return d.open; });
        var at = document.activeElement, href = at && at.getAttribute('href');
        main.innerHTML = fresh.innerHTML;
        main.querySelectorAll('details').forEach(function (d, i) { if (open[i]) d.open = true; });
        if (href) main.querySelectorAll('a[href]').forEach(function (a) {
          if (a.getAttribute('href') === href) a.focus({ preventScroll: true });
        });
      });
    }).catch(function () { lost(true); waiting = setTimeout(renew, 4 * every); });
  }

  function close() { clearTimeout(again); if (source) source.close(); source = null; }

  function open() {
    close();
    source = new EventSource('/live');
    source.addEventListener('changed', function (e) {
      lost(false);
      if (revision !== e.data) { revision = e.data; renew(); }
    });
    source.onerror = function () {
      lost(true);
      if (source.readyState === EventSource.CLOSED) again = setTimeout(open, 10000);
    };
    source.onopen = function () { lost(false); };
  }

  // A page that nobody looks at gives its connection back.
  document.addEventListener('visibilitychange', function () { if (document.hidden) close(); else open(); });
  open();
}());
