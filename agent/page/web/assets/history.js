'use strict';
// Puts charts that can be moved and zoomed in the place of the drawn ones: one axis of time for all of them.
(function () {
  var line = document.getElementById('span');
  if (!line || typeof uPlot === 'undefined') return;
  var from = Number(line.dataset.from), to = Number(line.dataset.to);
  var least = 60, most = 400 * 86400, newest = to;
  var charts = [], events = document.getElementById('events'), asked = 0, timer = 0, shown = null;
  var dashes = [[], [7, 3], [2, 3], [9, 3, 2, 3]];

  function css(name) { return getComputedStyle(document.documentElement).getPropertyValue(name).trim(); }
  function stamp(s) { return new Date(s * 1000).toISOString().slice(0, 16).replace('T', ' ') + ' UTC'; }
  function iso(s) { return new Date(Math.round(s) * 1000).toISOString().slice(0, 19) + 'Z'; }
  function utc(s) { return uPlot.tzDate(new Date(s * 1000), 'Etc/UTC'); }
  function fits(series, kind) { return series.figure.slice(-kind.length) === kind; }

  function convert(values, unit) {
    return unit === '°F' ? values.map(function (v) { return v === null ? null : v * 9 / 5 + 32; }) : values;
  }

  function rows(data, box) {
    var kind = box.dataset.kind, unit = box.querySelector('.plot').dataset.unit;
    var out = [data.times_s];
    data.series.filter(function (s) { return fits(s, kind); }).slice(0, 8).forEach(function (s) {
      out.push(convert(s.mean, unit), convert(s.max, unit), convert(s.min, unit));
    });
    return out;
  }

  // marks writes times as the page does: hours within a day or two, else the date with the month first, beyond a season with the year.
  function marks(plot, splits) {
    var span = to - from;
    return splits.map(function (s) {
      var text = new Date(s * 1000).toISOString();
      return span > 120 * 86400 ? text.slice(2, 10) : span > 2.5 * 86400 ? text.slice(5, 10) : text.slice(11, 16);
    });
  }

  function options(box, lines) {
    var plot = box.querySelector('.plot'), ink = css('--ink'), rule = css('--rule');
    var series = [{}], bands = [];
    for (var i = 0; i < lines; i++) {
      var colour = css('--c' + i % 4), n = series.length;
      series.push({ stroke: colour, width: 1.8, dash: dashes[i % 4], spanGaps: false, points: { show: false } },
        { width: 0, stroke: 'transparent', points: { show: false } }, { width: 0, stroke: 'transparent', points: { show: false } });
      bands.push({ series: [n + 1, n + 2], fill: colour + '2e' });
    }
    var axis = { stroke: ink, grid: { stroke: rule, width: .5 }, ticks: { stroke: rule }, font: '13px system-ui' };
    return {
      width: plot.clientWidth, height: 200, tzDate: utc, series: series, bands: bands, legend: { show: false },
      cursor: { sync: { key: 'past' }, drag: { x: false, y: false }, points: { show: false } },
      scales: { x: { time: true, range: function () { return [from, to]; } } },
      axes: [Object.assign({ values: marks, space: 64 }, axis), Object.assign({ size: 52 }, axis)]
    };
  }

  function clamp(a, b) {
    var span = Math.min(Math.max(b - a, least), most), middle = (a + b) / 2;
    from = middle - span / 2;
    to = middle + span / 2;
    if (to > newest) { from -= to - newest; to = newest; }
  }

  function redraw() {
    document.querySelectorAll('.spans [aria-current]').forEach(function (e) { e.removeAttribute('aria-current'); });
    line.textContent = stamp(from) + ' – ' + stamp(to);
    charts.forEach(function (c) { c.plot.setScale('x', { min: from, max: to }); });
    clearTimeout(timer);
    timer = setTimeout(load, 250);
  }

  function gestures(over) {
    var touches = {}, moved = null;
    function at(x) { var b = over.getBoundingClientRect(); return Math.min(Math.max((x - b.left) / b.width, 0), 1); }
    over.style.touchAction = 'pan-y';
    over.addEventListener('pointerdown', function (e) {
      touches[e.pointerId] = at(e.clientX);
      moved = { from: from, to: to, touches: Object.assign({}, touches) };
      over.setPointerCapture(e.pointerId);
    });
    over.addEventListener('pointermove', function (e) {
      if (touches[e.pointerId] === undefined) return;
      touches[e.pointerId] = at(e.clientX);
      var ids = Object.keys(touches), span = moved.to - moved.from;
      if (ids.length === 1) {
        var d = (moved.touches[ids[0]] - touches[ids[0]]) * span;
        clamp(moved.from + d, moved.to + d);
      } else {
        var a0 = moved.touches[ids[0]], b0 = moved.touches[ids[1]], a = touches[ids[0]], b = touches[ids[1]];
        if (Math.abs(b - a) < .02 || Math.abs(b0 - a0) < .02) return;
        var next = span * (b0 - a0) / (b - a), anchor = moved.from + a0 * span;
        if (!(next > 0)) return;
        clamp(anchor - a * next, anchor - a * next + next);
      }
      redraw();
    });
    ['pointerup', 'pointercancel'].forEach(function (name) {
      over.addEventListener(name, function (e) {
        delete touches[e.pointerId];
        moved = { from: from, to: to, touches: Object.assign({}, touches) };
      });
    });
    over.addEventListener('wheel', function (e) {
      e.preventDefault();
      var k = Math.exp(e.deltaY * .0015), p = at(e.clientX), anchor = from + p * (to - from);
      clamp(anchor - (anchor - from) * k, anchor + (to - anchor) * k);
      redraw();
    }, { passive: false });
  }

  function show(data) {
    shown = data;
    var begun = performance.now();
    document.querySelectorAll('.chartbox').forEach(function (box, i) {
      var d = rows(data, box);
      if (charts[i]) { charts[i].plot.setData(d, false); charts[i].plot.setScale('x', { min: from, max: to }); return; }
      var plot = box.querySelector('.plot');
      plot.textContent = '';
      charts[i] = { box: box, plot: new uPlot(options(box, (d.length - 1) / 3), d, plot) };
      gestures(charts[i].plot.over);
    });
    document.body.dataset.drawn = String(performance.now() - begun);
    document.body.dataset.shown = String(performance.now()); // since the page began to load
    document.getElementById('how').hidden = false;
  }

  function trouble() {
    var how = document.getElementById('how');
    how.hidden = false;
    how.textContent = how.dataset.error;
  }

  function ask(query) {
    var points = Math.max(100, Math.min(1000, Math.round(document.getElementById('charts').clientWidth)));
    return fetch('/api/v1/history' + query + '&points=' + points).then(function (r) { if (!r.ok) throw new Error(String(r.status)); return r.json(); });
  }

  // load asks for the span shown now. What is drawn and written besides the charts comes from the page of that span.
  function load() {
    var mine = ++asked, query = '?from=' + encodeURIComponent(iso(from)) + '&to=' + encodeURIComponent(iso(to));
    ask(query).then(function (data) {
      if (mine !== asked) return null;
      show(data);
      return fetch('/history' + query).then(function (r) { return r.text(); });
    }).then(function (text) {
      if (mine !== asked || text === null) return;
      var page = new DOMParser().parseFromString(text, 'text/html');
      ['events', 'figures'].forEach(function (id) {
        var e = document.getElementById(id), n = page.getElementById(id);
        if (e && n) e.replaceWith(document.importNode(n, true));
      });
      page.querySelectorAll('.chartbox').forEach(function (box) {
        var mineBox = document.querySelector('.chartbox[data-kind="' + box.dataset.kind + '"]');
        if (mineBox) mineBox.querySelector('.legend').replaceWith(document.importNode(box.querySelector('.legend'), true));
      });
      history.replaceState(null, '', '/history' + query);
    }).catch(function () { if (mine === asked) trouble(); });
  }

  function colours() {
    charts.forEach(function (c) { c.plot.destroy(); });
    charts = [];
    if (shown) show(shown);
  }

  // The page has the span's other figures already: only the charts' own are asked for first.
  var styled = new Promise(function (done) {
    var sheet = document.createElement('link');
    sheet.rel = 'stylesheet';
    sheet.href = line.dataset.css;
    sheet.onload = sheet.onerror = done;
    document.head.appendChild(sheet);
  });
  Promise.all([ask('?from=' + encodeURIComponent(iso(from)) + '&to=' + encodeURIComponent(iso(to))), styled]).then(function (got) {
    if (!asked) show(got[0]);
  }).catch(trouble);
  window.addEventListener('resize', function () {
    charts.forEach(function (c) { c.plot.setSize({ width: c.box.querySelector('.plot').clientWidth, height: 200 }); });
  });
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', colours);
}());
