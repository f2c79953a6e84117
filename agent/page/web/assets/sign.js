'use strict';
// Signatures drawn with a finger or a pen. Without this script the report has lines to sign on paper.
(function () {
  document.querySelectorAll('[data-sign]').forEach(function (box) {
    var field = box.querySelector('input'), svg = box.querySelector('svg'), path = box.querySelector('path');
    var strokes = field.value ? field.value.split(';') : [], drawing = null, last = null;
    box.querySelector('.onscript').hidden = false;
    box.classList.add('live');

    function show() {
      field.value = strokes.join(';');
      path.setAttribute('d', strokes.map(function (s) {
        var p = s.split(' ');
        return 'M' + p[0] + (p.length === 1 ? ' l1,0' : ' L' + p.slice(1).join(' L'));
      }).join(''));
    }

    function point(e) {
      var r = svg.getBoundingClientRect();
      function within(x, most) { return Math.max(0, Math.min(most, Math.round(x))); }
      return [within((e.clientX - r.left) / r.width * 999, 999), within((e.clientY - r.top) / r.height * 333, 333)];
    }

    svg.addEventListener('pointerdown', function (e) {
      e.preventDefault();
      svg.setPointerCapture(e.pointerId);
      last = point(e);
      drawing = strokes.push(last.join(',')) - 1;
      show();
    });
    svg.addEventListener('pointermove', function (e) {
      if (drawing === null) return;
      var p = point(e);
      if (Math.abs(p[0] - last[0]) + Math.abs(p[1] - last[1]) < 9 || field.value.length > 5900) return;
      last = p;
      strokes[drawing] += ' ' + p.join(',');
      show();
    });
    ['pointerup', 'pointercancel'].forEach(function (kind) {
      svg.addEventListener(kind, function () { drawing = null; });
    });
    box.querySelector('[data-clear]').addEventListener('click', function () {
      strokes = [];
      show();
    });
  });
}());
