'use strict';
// Keeps the last answer of each page for when the unit can't be reached, over TLS only (shell.js). What is kept says how
// old it is, and never passes for live. BUILD, ASSETS, MARK and WORDS are set above by the unit.
const OPEN = 'liftbank-' + BUILD, PRIVATE = OPEN + '-private', PATIENCE = 5000, MOST = 80;
const PAGES = /^\/(|check|findings(\/[^/]+)?|history|visit(\/(start|work|review|order|(look|measure|test|battery)\/[^/.]+))?|visits(\/[^/.]+)?)$/;

// asked counts what was asked of the unit, ended is the last of it that found nobody signed in: what was asked before it
// and comes after it is not kept.
let asked = 0, ended = 0;

self.addEventListener('install', function (e) {
  e.waitUntil(caches.open(OPEN).then(function (c) { return c.addAll(ASSETS); }).then(function () { return self.skipWaiting(); }));
});

self.addEventListener('activate', function (e) {
  e.waitUntil(caches.keys().then(function (names) {
    return Promise.all(names.filter(function (n) { return n.indexOf('liftbank-') === 0 && n !== OPEN && n !== PRIVATE; })
      .map(function (n) { return caches.delete(n); }));
  }).then(function () { return self.clients.claim(); }));
});

// The page that the worker was begun from has been loaded without it.
self.addEventListener('message', function (e) {
  if (!e.data || !e.data.keep || !PAGES.test(e.data.keep)) return;
  const nth = ++asked;
  e.waitUntil(fetch(e.data.keep).then(function (r) { return keep(nth, e.data.keep, r); }));
});

self.addEventListener('fetch', function (e) {
  const url = new URL(e.request.url);
  if (url.origin !== self.location.origin) return;
  if (e.request.method === 'POST' && url.pathname === '/pin/out') e.waitUntil(signedOut(++asked));
  if (e.request.method !== 'GET') return;
  if (url.pathname.indexOf('/assets/') === 0) e.respondWith(asset(e.request));
  else if (e.request.mode === 'navigate' && PAGES.test(url.pathname)) e.respondWith(page(e, url.pathname));
});

function asset(request) {
  return caches.match(request).then(function (kept) { return kept || fetch(request); });
}

function signedOut(nth) {
  ended = Math.max(ended, nth);
  return caches.delete(PRIVATE);
}

// keep stores the page that was asked for as the nth. Pages for somebody who is signed in are kept apart, and all of them
// go with the session.
async function keep(nth, path, answer) {
  if (!answer.ok || answer.redirected || (answer.headers.get('Content-Type') || '').indexOf('text/html') !== 0) return;
  const inside = answer.headers.get(MARK) === '1';
  if (!inside) await signedOut(nth);
  const headers = new Headers(answer.headers);
  ['Content-Encoding', 'Content-Length'].forEach(function (h) { headers.delete(h); });
  headers.set('X-Seen', String(Date.now()));
  const page = new Response(await answer.text(), { headers: headers });
  if (inside && nth < ended) return;
  const cache = await caches.open(inside ? PRIVATE : OPEN);
  await cache.put(path, page);
  if (inside && nth < ended) return void await caches.delete(PRIVATE); // meanwhile
  const pages = (await cache.keys()).filter(function (r) { return PAGES.test(new URL(r.url).pathname); });
  await Promise.all(pages.slice(0, Math.max(0, pages.length - MOST)).map(function (r) { return cache.delete(r); }));
}

async function kept(path) {
  for (const name of [PRIVATE, OPEN]) {
    if (!await caches.has(name)) continue;
    const answer = await (await caches.open(name)).match(path);
    if (answer) return answer;
  }
  return null;
}

async function page(e, path) {
  const nth = ++asked;
  let late = 0;
  const live = fetch(e.request);
  // Also of an answer that comes when an old page has been shown already.
  e.waitUntil(live.then(function (answer) { return keep(nth, path, answer.clone()); }).catch(function () {}));
  const last = await kept(path);
  try {
    if (!last) return await live;
    return await Promise.race([live, new Promise(function (_, no) { late = setTimeout(function () { no(new Error('late')); }, PATIENCE); })]);
  } catch (_) {
    return last ? old(last) : nothing();
  } finally {
    clearTimeout(late);
  }
}

function escaped(s) {
  return s.replace(/[&<>"]/g, function (c) { return { '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;' }[c]; });
}

function words(lang) { return WORDS[lang] || WORDS.en; }

// old returns a kept page, which says at its top since when it is, and whose data is as old as it is.
async function old(answer) {
  const seen = Number(answer.headers.get('X-Seen')), age = Math.max(0, (Date.now() - seen) / 1000);
  let html = await answer.text();
  const lang = (html.match(/<html lang="([a-z]+)"/) || [])[1], w = words(lang);
  const line = '<p id="lastseen" role="status" data-seen="' + seen + '" data-text="' + escaped(w.Seen) + '">' +
    escaped(w.Seen.replace('{at}', clock(seen, lang)).replace('{age}', span(age))) + '</p>';
  html = html.replace(/ data-age="([\d.e+-]+)"/, function (_, s) { return ' data-age="' + (Number(s) + age) + '"'; })
    .replace(/<body[^>]*>/, function (tag) { return '<body data-kept' + tag.slice(5) + line; });
  return new Response(html, { headers: answer.headers });
}

function clock(ms, lang) {
  const at = new Date(ms), today = new Date().toDateString() === at.toDateString();
  const how = { hour: '2-digit', minute: '2-digit', hour12: false };
  if (!today) Object.assign(how, { day: 'numeric', month: 'short' });
  return at.toLocaleString(lang || 'en', how);
}

function span(s) {
  if (s < 120) return Math.floor(s) + '\u00a0s';
  if (s < 7200) return Math.floor(s / 60) + '\u00a0min';
  if (s < 172800) return Math.floor(s / 3600) + '\u00a0h';
  return Math.floor(s / 86400) + '\u00a0d';
}

// nothing is a page for what was never looked at.
async function nothing() {
  let lang = (self.navigator.language || 'en').slice(0, 2), links = '';
  for (const name of [PRIVATE, OPEN]) {
    if (!await caches.has(name)) continue;
    for (const r of await (await caches.open(name)).keys()) {
      const path = new URL(r.url).pathname;
      if (PAGES.test(path)) links += '<li><a href="' + escaped(path) + '">' + escaped(path) + '</a></li>';
    }
  }
  const w = words(lang), sheet = ASSETS.find(function (a) { return /\.css$/.test(a); });
  return new Response('<!doctype html><html lang="' + (WORDS[lang] ? lang : 'en') + '"><meta charset="utf-8"><meta name="viewport" ' +
    'content="width=device-width, initial-scale=1"><title>' + escaped(w.Away) + '</title><link rel="stylesheet" href="' + sheet +
    '"><body data-kept><main><h1>' + escaped(w.Away) + '</h1><p>' + escaped(w.None) + '</p><ul class="plain">' + links + '</ul></main>',
    { status: 503, headers: { 'Content-Type': 'text/html; charset=utf-8',
      'Content-Security-Policy': "default-src 'none'; style-src 'self'; base-uri 'none'; frame-ancestors 'none'" } });
}
