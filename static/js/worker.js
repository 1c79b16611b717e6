/* The service worker: without a signal it answers with the kept log page, and with what that page is made of.

   It keeps no page but that one, and nothing that names a place. `KEPT` and `VERSION` come from /sw.js.
*/

const STATIC = `tallow-static-${self.VERSION}`;
const SHELL = "tallow-shell";
const SHELL_PAGE = "/log/offline/";
const PATIENCE_MS = 4000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(STATIC)
      .then((cache) => cache.addAll(self.KEPT.map((url) => new Request(url, { cache: "reload" }))))
      .then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  const old = (name) => name.startsWith("tallow-static-") && name !== STATIC;
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter(old).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

const within = (answer, longest) =>
  Promise.race([answer, new Promise((_, late) => setTimeout(() => late(new Error("late")), longest))]);

/* A named version never changes: from the phone. The others from the network while there is one. */
async function file(request) {
  const kept = await caches.match(request, { cacheName: STATIC });
  if (kept && /\.[0-9a-f]{12}\./.test(request.url)) return kept;
  try {
    return await (kept ? within(fetch(request), PATIENCE_MS) : fetch(request));
  } catch (error) {
    if (kept) return kept;
    throw error;
  }
}

async function page(request, isLog) {
  const kept = () => caches.match(SHELL_PAGE, { cacheName: SHELL });
  try {
    const asked = fetch(request);
    const answer = await (isLog && (await kept()) ? within(asked, PATIENCE_MS) : asked);
    if (isLog && answer.status >= 502) return (await kept()) ?? answer;
    return answer;
  } catch (error) {
    const shell = await kept();
    if (shell) return shell;
    throw error;
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(request, url.pathname.startsWith("/log/")));
});
