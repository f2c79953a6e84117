'use strict';
// Shows what the channels and contacts read, once a second while somebody looks. The page is whole without it.
(function () {
  var live = document.getElementById('fit-live'), moved = document.getElementById('moved'), busy = false, at;
  if (!live) return;
  at = live.firstElementChild.dataset;
  at = at.step + ' ' + at.revision;
  document.querySelectorAll('.noscript').forEach(function (e) { e.hidden = true; });

  function look() {
    if (busy || document.hidden) return;
    busy = true;
    fetch('/fit/now', { credentials: 'same-origin' })
      .then(function (r) {
        if (r.status === 404) moved.hidden = false; // it was ended elsewhere
        return r.ok ? r.text() : '';
      })
      .then(function (html) {
        var t = document.createElement('template'), a, b, p;
        t.innerHTML = html;
        p = t.content.firstElementChild;
        a = live.querySelector('table');
        b = t.content.querySelector('table');
        if (!p) return;
        if (p.dataset.step + ' ' + p.dataset.revision !== at) { // somebody else has gone on: what is typed stays
          moved.hidden = false;
          return;
        }
        live.firstElementChild.replaceWith(p); // what a reader has scrolled or focused stays
        if (a && b) a.tBodies[0].replaceWith(b.tBodies[0]);
      })
      .catch(function () {}) // the bar says that the unit is out of reach
      .then(function () { busy = false; });
  }
  setInterval(look, 1000);
}());
