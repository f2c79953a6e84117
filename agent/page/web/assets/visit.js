'use strict';
// Saves each field of the visit as it is left, and photos as they are taken. What can't be sent is kept in this browser until it
// can, over reloads too; the end of the bar always says how things stand.
(function () {
  var bar = document.getElementById('savestate'), said = bar && bar.querySelector('[role=status]');
  var form = document.getElementById('visit');
  var id = bar ? bar.dataset.id : '';
  var prefix = 'liftbank-visit-', keepOK = true;

  function read(key) {
    try { return JSON.parse(localStorage.getItem(key)); } catch (e) { return null; }
  }
  function write(key, what) {
    try {
      if (what) localStorage.setItem(key, JSON.stringify(what)); else localStorage.removeItem(key);
      return true;
    } catch (e) { return false; } // a browser that keeps nothing, or no more: the page itself still has it
  }

  function random() {
    return Array.prototype.map.call(crypto.getRandomValues(new Uint8Array(8)), function (b) { return (b + 256).toString(16).slice(1); }).join('');
  }

  // A name of this browser's own, so that the unit can tell two phones apart.
  var phone = read('liftbank-phone');
  if (!phone) {
    phone = random();
    write('liftbank-phone', phone);
  }
  document.querySelectorAll('[name=phone]').forEach(function (e) { e.value = phone; });
  document.querySelectorAll('[data-phone]').forEach(function (e) { if (e.dataset.phone === phone) e.textContent = e.dataset.mine; });

  var left = id && read(prefix + id) || {};
  // By field: value, the revision it was changed from, how the field is called, whether refused, or a number half typed; what
  // was sent of it and not answered: the unit may have it.
  var pending = left.pending || {};
  var photos = left.photos || [];   // not sent yet: what of, the picture
  var making = 0;                   // photos that are being made small
  var settle = bar ? Number(bar.dataset.settle) : 0, at = bar && bar.dataset.at, trouble = '', sending = false, again = 0, waiting = null;
  var revision = form ? Number(form.dataset.revision) : 0, bases = {};

  var known = {}; // what this tab has or had, by field and by photo
  Object.keys(pending).forEach(function (n) { known[n] = true; });
  photos.forEach(function (p) { known[p.n] = true; });

  function names() { return Object.keys(pending); }
  function count() { return names().length + photos.length + making; }
  function held() { return names().filter(function (n) { return pending[n].held; }); }

  // store keeps what is not sent yet. What another tab has put there stays.
  function store() {
    var others = read(prefix + id) || {}, all = { pending: {}, photos: [] };
    Object.keys(others.pending || {}).forEach(function (n) { if (!known[n]) all.pending[n] = others.pending[n]; });
    names().forEach(function (n) { all.pending[n] = pending[n]; });
    all.photos = (others.photos || []).filter(function (p) { return !known[p.n]; }).concat(photos.filter(function (p) { return p.data; }));
    function some() { return Object.keys(all.pending).length + all.photos.length > 0; }
    keepOK = write(prefix + id, some() ? all : null);
    if (keepOK) return;
    all.photos = []; // no room for photos: texts first
    write(prefix + id, some() ? all : null);
  }

  function clock(stamp) {
    var t = new Date(stamp);
    function two(n) { return (n < 10 ? '0' : '') + n; }
    return two(t.getHours()) + ':' + two(t.getMinutes());
  }

  function say() {
    if (!bar) return;
    var n = count(), bad = settle > 0 || n > 0 && (trouble || held().length > 0);
    var text = settle > 0 ? bar.dataset.toSettle || said.textContent :
      n > 0 && (trouble || held().length) ? bar.dataset.unsaved.replace('{n}', n) :
      n > 0 ? bar.dataset.saving : bar.dataset.saved.replace('{time}', at ? clock(at) : '');
    if (said.textContent !== text) said.textContent = text;
    bar.classList.toggle('unsettled', !!bad);
    bar.href = settle > 0 ? '/visit/settle' : '/visit';
    var why = document.getElementById('savewhy');
    var reason = n > 0 && trouble ? bar.dataset[trouble] : held().length ? bar.dataset.refused : '';
    if (why && why.textContent !== reason) { why.textContent = reason; why.hidden = !reason; }
  }

  function label(e) {
    var row = e.closest('.checkitem'), parts = [];
    if (row) parts.push(row.querySelector('legend').textContent);
    var own = e.id && document.querySelector('label[for="' + e.id + '"]');
    if (own) parts.push(own.textContent);
    else if (!row && e.closest('fieldset')) parts.push(e.closest('fieldset').querySelector('legend').textContent);
    return parts.join(': ');
  }

  function element(name) { return form ? form.elements[name] : undefined; }
  function first(e) { return e instanceof RadioNodeList ? e[0] : e; }

  function put(name, text) {
    var e = element(name);
    if (e === undefined || e.value === text) return;
    if (e instanceof RadioNodeList) e.forEach(function (r) { r.checked = r.value === text; });
    else e.value = text;
  }

  function wrong(name, why, link) {
    var e = element(name);
    if (!e || !e.id) return;
    var p = document.getElementById(e.id + '-e');
    e.setAttribute('aria-invalid', why ? 'true' : 'false');
    if (!p) return;
    p.textContent = why || '';
    if (why && link) {
      var a = document.createElement('a');
      a.href = link; a.textContent = why;
      p.replaceChildren(a);
    }
    p.hidden = !why;
  }

  function took(sent, from, answer) {
    var clashed = {};
    answer.conflicts.forEach(function (c) { clashed[c.key] = true; });
    settle = answer.settle;
    bar.dataset.toSettle = answer.settling;
    at = new Date().toISOString(); // by this phone's clock: the unit's may not be set
    Object.keys(sent).forEach(function (name) {
      var p = pending[name], unchanged = p && p.v === sent[name];
      if (p) delete p.asked;
      wrong(name, answer.refused[name]);
      if (answer.refused[name]) {
        if (unchanged) p.held = true;
      } else if (clashed[name]) { // the unit has both now
        wrong(name, answer.settling, '/visit/settle');
        bases[name] = from;
        if (unchanged) delete pending[name];
      } else {
        delete bases[name];
        if (unchanged) delete pending[name]; else if (p) p.base = answer.revision;
      }
    });
    Object.keys(answer.changed).forEach(function (key) {
      if (sent[key] !== undefined || pending[key] !== undefined || clashed[key]) return;
      if (document.activeElement && document.activeElement.name === key) { bases[key] = revision; return; }
      put(key, answer.changed[key]);
    });
    Object.keys(answer.judged).forEach(function (key) {
      var p = document.getElementById('f-' + key.split('.').join('-') + '-judged');
      if (!p) return;
      if (p.textContent !== answer.judged[key].text) p.textContent = answer.judged[key].text;
      p.classList.toggle('bad', answer.judged[key].bad);
    });
    revision = answer.revision;
    if (form) form.elements.revision.value = revision;
    counted();
  }

  function failed(r) {
    if (r.status === 401 || r.status === 403 || r.status === 429) trouble = 'pin';
    else if (r.status === 409) trouble = 'over';
    else { trouble = r.status >= 500 ? 'disk' : 'offline'; later(); }
    done();
  }
  function later() { clearTimeout(again); again = setTimeout(send, 4000); }

  // What an answer changes may move what is being pressed from under the pointer: it waits until the press is over.
  var up = Promise.resolve(), over = null;
  document.addEventListener('pointerdown', function () {
    up = new Promise(function (give) { over = give; setTimeout(give, 2000); }); // let go of beyond the window: nobody tells
  });
  ['pointerup', 'pointercancel'].forEach(function (kind) {
    document.addEventListener(kind, function () { if (over) setTimeout(over, 100); }); // the click comes first
  });

  // post sends a form and gives the answer to take; what can't be sent, or isn't answered in so many seconds, is tried again.
  function post(path, body, seconds, take) {
    var stop = new AbortController(), late = setTimeout(function () { stop.abort(); }, seconds * 1000);
    sending = true;
    say();
    fetch(path, { method: 'POST', body: body, headers: { Accept: 'application/json' }, credentials: 'same-origin', signal: stop.signal }).then(function (r) {
      if (!r.ok && r.status !== 422) { clearTimeout(late); sending = false; failed(r); return; }
      // What is sent before the answer is taken would be from a revision that the unit has left.
      return Promise.all([r.json(), up]).then(function (both) {
        var answer = both[0];
        clearTimeout(late);
        sending = false;
        trouble = '';
        take(answer);
        store();
        send();
      });
    }).catch(function () {
      clearTimeout(late);
      sending = false;
      trouble = 'offline';
      later();
      done();
    });
  }

  function done() {
    say();
    if (sending || !waiting) return;
    if (count() === 0) { var go = waiting; waiting = null; go(); } else if (trouble || held().length === count()) {
      waiting = null;
      var bad = element(held()[0]);
      if (bad) first(bad).focus();
      if (trouble !== 'over') leftover();
    }
  }

  function send() {
    clearTimeout(again);
    if (sending) return;
    var ready = names().filter(function (n) { return !pending[n].held && !pending[n].typing; });
    if (ready.length && bar) {
      var from = pending[ready[0]].base, sent = {}, data = new URLSearchParams({ id: id, revision: from, phone: phone });
      ready.forEach(function (n) {
        if (pending[n].base !== from) return;
        if (pending[n].asked === undefined) pending[n].asked = pending[n].v;
        sent[n] = pending[n].asked; // once more what wasn't answered, or the unit would hold that for somebody else's
        data.set(n, sent[n]);
      });
      store();
      post('/visit/save', data, 30, function (answer) { took(sent, from, answer); });
    } else if (photos.length) sendPhoto();
    else done();
  }

  function mark(e) {
    var name = e.name;
    if (!name || e.type === 'file' || e.type === 'hidden' || e.type === 'submit') return false;
    var base = pending[name] ? pending[name].base : bases[name] === undefined ? revision : bases[name];
    known[name] = true;
    pending[name] = { v: element(name).value, base: base, label: label(e), asked: pending[name] && pending[name].asked };
    store();
    return true;
  }

  function counted() {
    var out = document.getElementById('counted'), all = form && form.querySelector('[name=all]');
    if (!out || !all) return;
    var items = form.querySelectorAll('.checkrow'), n = form.querySelectorAll('.checkrow input:checked').length;
    var attention = form.querySelectorAll('.checkrow input[value=attention]:checked').length;
    var text = out.dataset.count.replace('{n}', n).replace('{all}', items.length);
    if (attention) text += ', ' + form.querySelector('.checkrow .att').textContent + ': ' + attention;
    out.textContent = text;
    all.hidden = n === items.length;
    all.textContent = n === 0 ? all.dataset.all : all.dataset.other.replace('{n}', items.length - n);
  }

  // Photos: made small here, and JPEG whatever the phone keeps them as; of what the browser can't read the unit says what is
  // wanted. Some browsers read a HEIC photo as an image of the page only.
  function asImage(file) {
    var img = new Image(), url = URL.createObjectURL(file);
    img.src = url;
    function done() { URL.revokeObjectURL(url); }
    return img.decode().then(function () { done(); return img; }, function (e) { done(); throw e; });
  }
  function small(file) {
    var bitmap = window.createImageBitmap ? createImageBitmap(file, { imageOrientation: 'from-image' }) : Promise.reject(new Error());
    return bitmap.catch(function () { return asImage(file); }).then(function (img) {
      var scale = Math.min(1, 1280 / Math.max(img.width, img.height)), canvas = document.createElement('canvas');
      canvas.width = Math.max(1, Math.round(img.width * scale));
      canvas.height = Math.max(1, Math.round(img.height * scale));
      canvas.getContext('2d').drawImage(img, 0, 0, canvas.width, canvas.height);
      return new Promise(function (give) { canvas.toBlob(function (b) { give(b || file); }, 'image/jpeg', 0.8); });
    }).catch(function () { return file; });
  }
  function text(blob) {
    return new Promise(function (give) {
      var r = new FileReader();
      r.onload = function () { give(r.result); };
      r.onerror = function () { give(''); };
      r.readAsDataURL(blob);
    });
  }
  function within(seconds, promise, otherwise) { // some browsers never answer for a picture that is too much for them
    return Promise.race([promise, new Promise(function (give) { setTimeout(function () { give(otherwise); }, seconds * 1000); })]);
  }
  function blobOf(data) {
    var parts = data.split(','), raw = atob(parts[1]), bytes = new Uint8Array(raw.length);
    for (var i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    return new Blob([bytes]);
  }

  function taken(input) {
    var of = input.name.slice('photo:'.length), files = Array.prototype.slice.call(input.files);
    input.value = '';
    making += files.length;
    say();
    files.reduce(function (before, file) {
      return before.then(function () { return within(20, small(file), file); }).then(function (b) {
        return (b.size < 600000 ? text(b) : Promise.resolve('')).then(function (data) {
          making--;
          var p = { of: of, data: data, n: random() };
          known[p.n] = true;
          Object.defineProperty(p, 'blob', { value: b }); // not written to storage
          photos.push(p);
          store();
          send();
        });
      });
    }, Promise.resolve());
  }

  function sendPhoto() {
    var p = photos[0], data = new FormData(), blob = p.blob || blobOf(p.data);
    var box = document.querySelector('.photos[data-of="' + p.of + '"]');
    function refused(text) {
      var why = box && box.querySelector('.error');
      if (!why) return;
      why.textContent = text || '';
      why.hidden = !text;
    }
    if (box && blob.size > Number(box.dataset.most)) { // the unit would not even read it
      photos.shift();
      refused(box.dataset.large);
      store();
      send();
      return;
    }
    data.append('id', id);
    data.append('of', p.of);
    data.append('phone', phone);
    data.append('photo:' + p.of, blob, 'photo');
    post('/visit/photo', data, 100, function (answer) {
      photos.shift();
      refused(answer.problem);
      if (!box) return;
      var list = box.querySelector('ul'), remove = document.getElementById('removeword');
      list.replaceChildren.apply(list, answer.photos.map(function (photo) {
        var li = document.createElement('li'), a = document.createElement('a'), img = document.createElement('img'), b = document.createElement('button');
        a.href = img.src = photo.path;
        img.alt = photo.alt;
        b.name = 'remove'; b.value = photo.name;
        b.textContent = remove.textContent;
        b.setAttribute('aria-label', remove.textContent + ' ' + photo.alt);
        a.append(img);
        li.append(a, b);
        return li;
      }));
    });
  }

  // What this phone still has of this visit that no page shows, and of visits that are over.
  function leftover() {
    var box = document.getElementById('leftover');
    if (!box) return;
    var found = [];
    function add(key, kept) {
      Object.keys(kept.pending || {}).forEach(function (n) {
        if (key === prefix + id && element(n)) return;
        if (kept.pending[n].v) found.push({ key: key, name: n, text: (kept.pending[n].label || n) + ': ' + kept.pending[n].v });
      });
    }
    try {
      for (var i = 0; i < localStorage.length; i++) {
        var key = localStorage.key(i);
        if (key.indexOf(prefix) === 0) add(key, read(key) || {});
      }
    } catch (e) { return; }
    box.hidden = !found.length;
    var head = document.createElement('h2'), list = document.createElement('ul'), button = document.createElement('button');
    head.textContent = box.dataset.head;
    found.forEach(function (f) {
      var li = document.createElement('li');
      li.textContent = f.text;
      li.className = 'lines';
      list.append(li);
    });
    button.type = 'button';
    button.textContent = box.dataset.delete;
    button.addEventListener('click', function () {
      found.forEach(function (f) {
        if (f.key === prefix + id) delete pending[f.name]; else write(f.key, null);
      });
      if (id) store();
      leftover();
      say();
    });
    box.replaceChildren(head, list, button);
  }

  // Whoever goes on waits until what was typed is saved.
  function goOn(event, go) {
    if (!count()) return;
    if (trouble === 'pin' && event.type === 'submit' && event.target === form) return; // the unit asks for the PIN, and keeps the form
    event.preventDefault();
    names().forEach(function (n) { if (element(n)) pending[n].held = pending[n].typing = false; });
    waiting = go;
    trouble = '';
    send();
  }

  if (form) {
    form.classList.add('scripted');
    form.addEventListener('input', function (event) {
      var e = event.target;
      if (e.type === 'radio' || e.type === 'file') return;
      if (!mark(e)) return;
      say();
      clearTimeout(again);
      if (e.getAttribute('inputmode') !== 'decimal') again = setTimeout(send, 1500);
      else if (!waiting) pending[e.name].typing = true; // half a number is refused, or wrong: whatever else is sent, it waits
    });
    form.addEventListener('change', function (event) {
      if (event.target.type === 'file') { taken(event.target); return; }
      if (mark(event.target)) { counted(); send(); }
    });
    form.addEventListener('focusout', function (event) { // no change is told of what was put back as it was
      var p = pending[event.target.name];
      if (!p || !p.typing) return;
      p.typing = false;
      send();
    });
    form.addEventListener('click', function (event) {
      if (event.target.name !== 'all') return;
      event.preventDefault();
      form.querySelectorAll('.checkrow').forEach(function (row) {
        if (row.querySelector('input:checked')) return;
        var ok = row.querySelector('input[value=ok]');
        ok.checked = true;
        mark(ok);
      });
      counted();
      send();
    });
    // A form that the browser sends itself has all fields: its revision must be the oldest that any of them is from.
    form.addEventListener('submit', function (event) {
      var button = event.submitter;
      goOn(event, function () { form.requestSubmit(button); });
      if (event.defaultPrevented) return;
      Object.keys(bases).forEach(function (name) {
        form.elements.revision.value = Math.min(Number(form.elements.revision.value), bases[name]);
      });
      names().forEach(function (name) {
        form.elements.revision.value = Math.min(Number(form.elements.revision.value), pending[name].base);
      });
      form.querySelectorAll('input[type=file]').forEach(function (f) { f.disabled = true; }); // sent already
    });
    names().forEach(function (n) { put(n, pending[n].v); pending[n].held = pending[n].typing = false; });
    counted();
  }
  document.addEventListener('click', function (event) {
    var a = event.target.closest && event.target.closest('a[href]');
    if (a && id && a.getAttribute('href')[0] !== '#') goOn(event, function () { location.href = a.href; });
  });
  var finish = document.querySelector('form[action="/visit/finish"]');
  if (finish) finish.addEventListener('submit', function (event) { goOn(event, function () { finish.requestSubmit(); }); });
  window.addEventListener('online', send);
  window.addEventListener('beforeunload', function (event) { if (making || count() && !keepOK || photos.some(function (p) { return !p.data; })) event.preventDefault(); });

  // Work done is one form: what is typed stays until the unit has it.
  var work = document.querySelector('form[data-keep]');
  if (work) {
    var key = 'liftbank-work-' + work.elements.id.value, kept = read(key);
    if (kept && !document.querySelector('[data-work="' + kept.token + '"]')) {
      work.elements.token.value = kept.token;
      work.elements.text.value = kept.text;
      work.elements.kind.value = kept.kind;
    } else write(key, null);
    work.addEventListener('input', function () {
      write(key, { token: work.elements.token.value, text: work.elements.text.value, kind: work.elements.kind.value });
    });
  }

  leftover();
  say();
  if (count()) send();
}());
