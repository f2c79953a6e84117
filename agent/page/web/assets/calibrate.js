'use strict';
// Shows what the channels read, once a second while somebody looks. The page is whole without it.
(function () {
  var live = document.getElementById('live'), busy = false;
  if (!live) return;
  document.querySelectorAll('.noscript').forEach(function (e) { e.hidden = true; });

  function look() {
    if (busy || document.hidden) return;
    var parted = document.querySelector('[name=parted]:checked');
    busy = true;
    fetch('/calibrate/now?of=' + encodeURIComponent(live.dataset.of) + (parted && parted.value ? '&parted=1' : ''), { credentials: 'same-origin' })
      .then(function (r) { return r.ok ? r.text() : ''; })
      .then(function (html) {
        var t = document.createElement('template'), a, b;
        t.innerHTML = html;
        a = live.querySelector('table');
        b = t.content.querySelector('table');
        if (a && b) { // what a reader has scrolled or focused stays
          live.firstElementChild.replaceWith(t.content.firstElementChild);
          a.tBodies[0].replaceWith(b.tBodies[0]);
        }
      })
      .catch(function () {}) // the bar says that the unit is out of reach
      .then(function () { busy = false; });
  }
  setInterval(look, 1000);
}());
