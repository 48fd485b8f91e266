'use strict';
// Keeps the form for results on this device, so that it opens without a connection. Nothing else of
// the board is kept: what shows the fleet asks the board each time.
const CACHE = 'vaultplan-form';
const FORM = '/record';
const OWN = ['/static/board.css', '/static/board.js', '/static/outbox.js'];

self.addEventListener('install', (event) => {
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(OWN)).then(() => self.skipWaiting()));
});
self.addEventListener('activate', (event) => {
  event.waitUntil(self.clients.claim().then(() => keepForm()));
});

async function keepForm() {
  try {
    const page = await fetch(FORM);
    // Whoever is not logged in is led to another page: that one is no form.
    if (page.ok && !page.redirected) await (await caches.open(CACHE)).put(FORM, page);
  } catch {
    // Without a connection the form that was kept stays.
  }
}

async function answered(request, name) {
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected && name !== FORM) {
      await (await caches.open(CACHE)).put(name, answer.clone());
    }
    return answer;
  } catch (error) {
    const kept = await (await caches.open(CACHE)).match(name);
    if (kept) return kept;
    throw error;
  }
}

self.addEventListener('fetch', (event) => {
  const { pathname } = new URL(event.request.url);
  if (event.request.method !== 'GET') return;
  if (OWN.includes(pathname)) {
    event.respondWith(answered(event.request, pathname));
  } else if (event.request.mode === 'navigate' && (pathname === FORM || pathname.startsWith(`${FORM}/`))) {
    event.respondWith(answered(event.request, FORM));
    event.waitUntil(keepForm());
  }
});
