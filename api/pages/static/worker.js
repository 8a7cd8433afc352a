// The service worker: keeps the look and the last state of what was opened; shows pushed alarms.

const CACHE = "outlast-2";
const PATIENCE = 6_000;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(CACHE);
    await cache.addAll(KEPT);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== CACHE) await caches.delete(name);
    const cache = await caches.open(CACHE);
    for (const request of await cache.keys()) {
      const path = new URL(request.url).pathname;
      if (path.startsWith("/static/") && !KEPT.includes(path + new URL(request.url).search)) await cache.delete(request);
    }
    await self.clients.claim();
    for (const client of await self.clients.matchAll({ type: "window" })) await keepOpen(cache, new URL(client.url));
  })());
});

const isPage = (url) => url.pathname === "/" || /^\/sites\/[a-z0-9-]+$/.test(url.pathname) || isAlarms(url);
const isAlarms = (url) => /^\/sites\/[a-z0-9-]+\/alarms$/.test(url.pathname);
const keyOf = (url) => new Request(url.origin + url.pathname);

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(kept(event.request));
  else if (event.request.mode === "navigate") event.respondWith(fresh(event, url));
});

// What was open before this worker was there, and the alarms of a site that is opened: without a connection both are there.
async function keepOpen(cache, url) {
  if (!isPage(url)) return;
  await keepOne(cache, url);
  if (url.pathname !== "/" && !isAlarms(url)) await keepOne(cache, new URL(url.pathname + "/alarms", url.origin));
}

async function keepOne(cache, url) {
  try {
    const answer = await fetch(url.pathname, { signal: AbortSignal.timeout(PATIENCE) });
    if (answer.status === 200 && !answer.redirected) await keep(cache, url, answer);
  } catch { /* no connection: what was kept before stays */ }
}

const ALARMS_EVERY = 120_000;

async function keepAlarms(cache, url) {
  const alarms = new URL(url.pathname + "/alarms", url.origin);
  const before = await cache.match(keyOf(alarms));
  if (!before || Date.now() - Number(before.headers.get("x-kept")) > ALARMS_EVERY) await keepOne(cache, alarms);
}

async function kept(request) {
  return (await caches.match(request)) ?? fetch(request);
}

async function fresh(event, url) {
  const cache = await caches.open(CACHE);
  try {
    const answer = await fetch(event.request, { signal: AbortSignal.timeout(PATIENCE) });
    if (isPage(url) && answer.status === 200 && !answer.redirected) {
      await keep(cache, url, answer.clone());
      if (url.pathname !== "/" && !isAlarms(url)) event.waitUntil(keepAlarms(cache, url));
    }
    return answer;
  } catch {
    return (isPage(url) && (await marked(await cache.match(keyOf(url))))) || (await cache.match("/offline")) || Response.error();
  }
}

async function keep(cache, url, answer) {
  const headers = new Headers({ "content-type": "text/html; charset=utf-8", "x-kept": String(Date.now()) });
  const policy = answer.headers.get("content-security-policy");
  if (policy) headers.set("content-security-policy", policy);
  await cache.put(keyOf(url), new Response(await answer.text(), { headers }));
}

async function marked(answer) {
  if (!answer) return undefined;
  const text = await answer.text();
  return new Response(text.replace("<html ", `<html data-kept="${Number(answer.headers.get("x-kept"))}" `), { headers: answer.headers });
}

self.addEventListener("push", (event) => {
  let told = {};
  try {
    told = event.data?.json() ?? {};
  } catch {
    told = { body: event.data?.text() };
  }
  const grave = told.priority === "critical" || told.priority === "high";
  event.waitUntil(self.registration.showNotification(told.title ?? "Outlast", {
    body: [told.body, told.action].filter(Boolean).join("\n"),
    tag: told.tag,
    renotify: Boolean(told.tag),
    requireInteraction: grave,
    icon: KEPT.find((path) => path.startsWith("/static/icon-192.png")),
    data: { url: told.url ?? "/" },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const wanted = new URL(event.notification.data?.url ?? "/", self.location.origin);
  const goal = wanted.origin === self.location.origin ? wanted.href : self.location.origin;
  event.waitUntil((async () => {
    for (const client of await self.clients.matchAll({ type: "window" })) {
      if (client.url.split("?")[0] === goal) return client.focus();
    }
    return self.clients.openWindow(goal);
  })());
});
