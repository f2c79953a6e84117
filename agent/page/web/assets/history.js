'use strict';
// Follows the present, zooms with Ctrl and the wheel, and has times in the reader's own zone. All of it is made by the
// unit: this only asks for another page and takes over its part.
(function () {
  var past = document.getElementById('past');
  if (!past) return;
  var least = 60, most = 400 * 86400, every = 20000;
  var asked = 0, zooming = 0, zone = -new Date().getTimezoneOffset(), want = null;
  document.cookie = 'liftbank_zone=' + zone + '; path=/; max-age=31536000; samesite=strict';

  function iso(s) { return encodeURIComponent(new Date(Math.round(s) * 1000).toISOString().slice(0, 19) + 'Z'); }

  // load takes over the part of another page; what is open and where the reader is stay.
  function load(path) {
    var mine = ++asked;
    return fetch(path, { headers: { 'X-Part': 'past' } }).then(function (r) {
      if (!r.ok) throw new Error(String(r.status));
      return r.text();
    }).then(function (text) {
      if (mine !== asked) return;
      var next = new DOMParser().parseFromString(text, 'text/html').getElementById('past');
      if (!next) throw new Error('no past');
      var open = Array.prototype.map.call(past.querySelectorAll('details'), function (d) { return d.open; });
      var focused = past.contains(document.activeElement) ? document.activeElement.getAttribute('href') : null;
      next = document.importNode(next, true);
      next.querySelectorAll('details').forEach(function (d, i) { d.open = Boolean(open[i]); });
      past.replaceWith(next);
      past = next;
      if (focused) Array.prototype.some.call(past.querySelectorAll('a'), function (a) {
        if (a.getAttribute('href') !== focused) return false;
        a.focus({ preventScroll: true });
        return true;
      });
      want = null;
      document.body.dataset.drawn = String(asked);
    }).catch(function () {
      var unread = document.getElementById('unread');
      if (mine === asked && unread) unread.hidden = false;
    });
  }

  function here() { return location.pathname + location.search; }

  // Plain turns of the wheel scroll the page as everywhere.
  document.addEventListener('wheel', function (e) {
    var plot = e.ctrlKey && e.target.closest && e.target.closest('#past .plot');
    if (!plot) return;
    e.preventDefault();
    var box = plot.querySelector('svg').getBoundingClientRect();
    var at = Math.min(Math.max((e.clientX - box.left) / box.width, 0), 1);
    var from = want ? want.from : Number(past.dataset.from), to = want ? want.to : Number(past.dataset.to);
    var k = Math.exp(Math.max(-400, Math.min(400, e.deltaY)) * .002), anchor = from + at * (to - from);
    var span = Math.min(Math.max((to - from) * k, least), most);
    from = anchor - at * span;
    to = from + span;
    var end = Math.max(Number(past.dataset.now) + span * .05, Number(past.dataset.to));
    if (to > end) { from -= to - end; to = end; }
    want = { from: from, to: to };
    clearTimeout(zooming);
    zooming = setTimeout(function () {
      var path = '/history?from=' + iso(want.from) + '&to=' + iso(want.to);
      history.replaceState(null, '', path);
      load(path);
    }, 150);
  }, { passive: false });

  setInterval(function () {
    if (!document.hidden && !want && past.dataset.follows !== undefined) load(here());
  }, every);

  if (Number(past.dataset.zone) !== zone) load(here());
}());
