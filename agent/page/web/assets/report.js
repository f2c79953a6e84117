'use strict';
(function () {
  var print = document.getElementById('print');
  if (!print) return;
  print.hidden = false;
  print.addEventListener('click', function () { window.print(); });
}());
