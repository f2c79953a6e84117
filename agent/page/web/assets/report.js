'use strict';
(function () {
  // Times are UTC; beside them those of the reader's own zone, if it is another.
  document.querySelectorAll('.local').forEach(function (e) {
    var from = new Date(e.dataset.from), to = e.dataset.to ? new Date(e.dataset.to) : null;
    if (isNaN(from) || from.getTimezoneOffset() === 0) return;
    var clock = { hour: '2-digit', minute: '2-digit', hour12: false };
    var lang = document.documentElement.lang, text = from.toLocaleTimeString(lang, clock);
    if (to && !isNaN(to)) text += '–' + to.toLocaleTimeString(lang, Object.assign({ timeZoneName: 'short' }, clock));
    else text = from.toLocaleTimeString(lang, Object.assign({ timeZoneName: 'short' }, clock));
    e.textContent = '(' + text + ')';
  });
  var print = document.getElementById('print');
  if (!print) return;
  print.hidden = false;
  print.addEventListener('click', function () { window.print(); });
}());
