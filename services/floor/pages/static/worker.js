// The service worker: opens the pages without a network. `shell`, the list of
// our own files and their version, stands before this text.
//
// Files and pages come from the network if it answers soon, so that nobody
// works on old ones; else the kept copy is shown, marked with data-kept. What
// is sent is none of its business: outbox.js does that.
const files = "files-" + shell.version;
const pages = "pages";
const patience = 2500; // ms that the network has before the kept copy is shown
const keptMax = 60; // pages

// Requests are counted, so that an answer which comes late never takes the
// place of what was asked for after it.
let turn = 0;
let forgotten = 0; // pages asked for until then are somebody else's
const newest = new Map(); // path → turn of the kept copy

self.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const cache = await caches.open(files);
      await cache.addAll(shell.files.map((file) => new Request(file, { cache: "reload" })));
      await self.skipWaiting();
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) if (name.startsWith("files-") && name !== files) await caches.delete(name);
      await self.clients.claim();
    })(),
  );
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== location.origin) return;
  if (request.method === "POST" && url.pathname === "/sign-out") {
    forgotten = ++turn; // at once, also without a network
    event.waitUntil(caches.delete(pages));
  }
  if (request.method === "POST" && ["/me", "/sign-in", "/pair"].includes(url.pathname)) event.respondWith(somebodyElse(request));
  if (request.method !== "GET") return;
  if (shell.files.includes(url.pathname) && request.mode !== "navigate") event.respondWith(file(request));
  else if (request.headers.has("Tickover-Refresh")) event.respondWith(refresh(event, request, url));
  else if (request.mode === "navigate") event.respondWith(page(event, request, url));
});

// The pages of who was here before are forgotten once the server knows of the
// change; without a network nothing changes, and they stay.
async function somebodyElse(request) {
  try {
    const response = await fetch(request);
    if (response.ok || response.type === "opaqueredirect") {
      forgotten = ++turn;
      await caches.delete(pages);
    }
    return response;
  } catch {
    return (await caches.match("/offline")) ?? Response.error();
  }
}

// A page asks for copies of itself and of the pages that it leads to.
self.addEventListener("message", (event) => {
  if (!event.data?.keep) return;
  event.waitUntil(
    (async () => {
      for (const address of event.data.keep.slice(0, 20)) {
        const url = new URL(address, location.origin);
        if (url.origin !== location.origin || !keeps(url)) continue;
        try {
          const mine = ++turn;
          await keep(url, await fetch(url, { headers: { "Tickover-Refresh": "1" } }), mine);
        } catch {
          return; // no network: what is kept stays
        }
      }
    })(),
  );
});

// keeps tells the pages that somebody works from, as they are now.
const keeps = (url) => !url.searchParams.has("asof") && onFloor(url);
const onFloor = (url) => url.pathname === "/job" || /^\/bench\/[^/]+$/.test(url.pathname) || /^\/units\/[^/]+\/steps\/[^/]+$/.test(url.pathname);

async function keep(url, response, mine) {
  if (!response.ok || response.redirected || !keeps(url)) return;
  if (mine < forgotten || mine < (newest.get(url.pathname) ?? 0)) return;
  newest.set(url.pathname, mine);
  const cache = await caches.open(pages);
  await cache.put(url.pathname, response);
  const all = await cache.keys();
  for (const old of all.slice(0, Math.max(0, all.length - keptMax))) await cache.delete(old);
}

const late = (ms) => new Promise((_, reject) => setTimeout(() => reject(new Error("the network is too slow")), ms));

async function file(request) {
  const copy = () => caches.match(request, { ignoreSearch: true });
  try {
    return await Promise.race([fetch(request, { cache: "no-cache" }), late(patience)]);
  } catch {
    return (await copy()) ?? Response.error();
  }
}

async function refresh(event, request, url) {
  const mine = ++turn;
  const response = await fetch(request);
  event.waitUntil(keep(url, response.clone(), mine));
  return response;
}

async function page(event, request, url) {
  // Kept as it is seen, and also when it comes too late to be shown.
  const mine = ++turn;
  const fresh = fetch(request);
  event.waitUntil(fresh.then((response) => keeps(url) && keep(url, response.clone(), mine)).catch(() => {}));
  const cache = await caches.open(pages);
  const copy = keeps(url) ? await cache.match(url.pathname) : undefined;
  try {
    return await (copy ? Promise.race([fresh, late(patience)]) : fresh);
  } catch {
    return copy ? marked(copy) : ((await caches.match("/offline")) ?? Response.error());
  }
}

// marked tells the page that it is a copy.
async function marked(copy) {
  const text = (await copy.text()).replace("<body ", '<body data-kept="yes" ');
  return new Response(text, { headers: copy.headers });
}
