'use strict';
// Saves each field of the visit as it is left. What can't be sent is kept in this browser until it can.
(function () {
  var form = document.getElementById('visit'), note = document.getElementById('saved');
  if (!form) return;
  var id = form.dataset.id, revision = Number(form.dataset.revision);
  var kept = 'liftbank-visit-' + id;
  var base = {};    // by field: the revision that what stands in it was changed from
  var pending = {}; // by field: what is to be sent
  var sending = false, again = 0, stuck = '';

  function say(state) {
    note.textContent = note.dataset[state];
    note.classList.toggle('bad', state !== 'saved' && state !== 'saving');
  }

  function store() {
    try {
      if (Object.keys(pending).length) localStorage.setItem(kept, JSON.stringify({ pending: pending, base: base }));
      else localStorage.removeItem(kept);
    } catch (e) { /* a browser that keeps nothing: the page itself still has it */ }
  }

  function value(name) {
    var all = form.elements[name];
    return all === undefined ? undefined : all.value; // of a group of radio buttons too
  }

  function put(name, text) {
    var e = form.elements[name];
    if (e === undefined || e.value === text) return;
    e.value = text;
  }

  function wrong(name, why) {
    var e = form.elements[name];
    if (!e || !e.id) return;
    var p = document.getElementById(e.id + '-e');
    e.setAttribute('aria-invalid', why ? 'true' : 'false');
    if (p) { p.textContent = why || ''; p.hidden = !why; }
  }

  function took(name, sent, from, answer) {
    if (pending[name] === sent) delete pending[name];
    wrong(name, answer.refused[name]);
    if (answer.refused[name]) stuck = 'refused';
    if (answer.conflicts.length) { stuck = 'conflict'; base[name] = from; return; }
    delete base[name];
    Object.keys(answer.changed).forEach(function (key) {
      if (key === name || pending[key] !== undefined) return;
      if (document.activeElement && document.activeElement.name === key) { base[key] = revision; return; }
      put(key, answer.changed[key]);
    });
    if (pending[name] !== undefined) base[name] = answer.revision;
    revision = answer.revision;
    form.elements.revision.value = revision;
  }

  function send() {
    clearTimeout(again);
    var names = Object.keys(pending);
    if (sending) return;
    if (!names.length) { say(stuck || 'saved'); return; }
    var name = names[0], sent = pending[name], from = base[name] === undefined ? revision : base[name];
    var data = new URLSearchParams({ id: id, revision: from });
    data.set(name, sent);
    sending = true;
    if (!stuck) say('saving');
    fetch('/visit/save', { method: 'POST', body: data, headers: { Accept: 'application/json' }, credentials: 'same-origin' }).then(function (r) {
      sending = false;
      if (r.status === 401 || r.status === 403 || r.status === 429) { say('pin'); return; }
      if (r.status === 409) { say('over'); return; }
      if (!r.ok) throw new Error(String(r.status));
      return r.json().then(function (answer) {
        took(name, sent, from, answer);
        store();
        send();
      });
    }).catch(function () {
      sending = false;
      say('offline');
      again = setTimeout(send, 4000);
    });
  }

  function changed(event) {
    var name = event.target.name;
    if (!name || name === 'id' || name === 'revision') return;
    stuck = '';
    if (base[name] === undefined) base[name] = revision;
    pending[name] = value(name);
    store();
    send();
  }

  // A form that the browser sends itself has all fields: its revision must be the oldest that any of them is from.
  form.addEventListener('submit', function () {
    Object.keys(base).forEach(function (name) {
      form.elements.revision.value = Math.min(Number(form.elements.revision.value), base[name]);
    });
    try { localStorage.removeItem(kept); } catch (e) { /* nothing was kept */ }
  });
  form.addEventListener('change', changed);
  window.addEventListener('online', send);

  var left = null;
  try { left = JSON.parse(localStorage.getItem(kept)); } catch (e) { left = null; }
  if (left && left.pending) {
    pending = left.pending;
    base = left.base || {};
    Object.keys(pending).forEach(function (name) { put(name, pending[name]); });
    send();
  }
}());
