// Keeps the pages that were seen last, to be read where siccast can't be reached. The network is always asked first.
"use strict";
const PAGES = "siccast-pages";
const PARTS = "siccast-parts";
const MOST_PAGES = 30;
const PATIENCE_MS = 6000; // out of reach of the network a browser would try for minutes
const AWAY_FOR_MS = 30000; // so long after a page that could not be had, its parts are not waited for
const NOTHING_KEPT = "/offline";
const SIGN_IN = "/enter"; // who is asked to sign in must not see what was kept before
const NOT_SAVED = "/offline/not-saved";
let failedAt = 0;

self.addEventListener("install", (event) => {
  const ready = async () => {
    await (await caches.open(PARTS)).addAll([NOTHING_KEPT, NOT_SAVED]);
    await self.skipWaiting();
  };
  event.waitUntil(ready());
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const withinPatience = (answer) => new Promise((resolve, reject) => {
  answer.then(resolve, reject);
  setTimeout(() => reject(new TypeError("no answer in time")), PATIENCE_MS);
});

// A copy that says when it was made; what was decoded on its way must not claim to be packed.
const copyOf = async (answer) => {
  const headers = new Headers(answer.headers);
  headers.delete("Content-Encoding");
  headers.delete("Content-Length");
  headers.set("X-Kept-At", new Date().toISOString());
  return new Response(await answer.blob(), { headers });
};

const keepPage = async (url, answer) => {
  const cache = await caches.open(PAGES);
  await cache.put(url, await copyOf(answer)); // in the place of the one before, which is there until then
  const known = await cache.keys();
  const others = known.filter((request) => request.url !== url);
  for (const oldest of others.slice(0, Math.max(0, known.length - MOST_PAGES))) await cache.delete(oldest);
};

const mayBeKept = (answer) => answer.status === 200 && answer.type === "basic" && !answer.redirected
  && (answer.headers.get("Content-Type") ?? "").startsWith("text/html")
  && !(answer.headers.get("Cache-Control") ?? "").includes("no-store");

const instead = async (path) => {
  const cache = await caches.open(PARTS);
  const found = await cache.match(path);
  return found ? new Response(await found.blob(), { status: 503, headers: found.headers }) : Response.error();
};

// The page as it stood, with the instant for live.js to say.
const kept = async (url) => {
  const cache = await caches.open(PAGES);
  const found = (await cache.match(url)) ?? (await cache.match(url, { ignoreSearch: true }));
  if (!found) return instead(NOTHING_KEPT);
  const text = (await found.text()).replace("<html ", `<html data-kept-at="${found.headers.get("X-Kept-At")}" `);
  return new Response(text, { headers: found.headers });
};

const page = async (event) => {
  const { request } = event;
  const url = request.url.split("#")[0];
  try {
    const answer = await (request.mode === "navigate" ? withinPatience(fetch(request)) : fetch(request));
    failedAt = 0;
    const isRefused = answer.status === 401 || answer.status === 403;
    if (isRefused || new URL(answer.url || url).pathname === SIGN_IN) event.waitUntil(caches.delete(PAGES));
    else if (mayBeKept(answer)) event.waitUntil(keepPage(url, answer.clone()));
    return answer;
  } catch (error) {
    failedAt = Date.now();
    if (request.mode !== "navigate") throw error;
    return kept(url);
  }
};

// A part's address changes with what it holds: of each there is one, the newest.
const keepPart = async (request, answer) => {
  const cache = await caches.open(PARTS);
  await cache.delete(request, { ignoreSearch: true });
  await cache.put(request, answer);
};

const part = async (event) => {
  const cache = await caches.open(PARTS);
  const known = await cache.match(event.request, { ignoreSearch: true });
  if (known && Date.now() - failedAt < AWAY_FOR_MS) return known;
  try {
    const answer = await fetch(event.request);
    if (answer.status === 200 && answer.type === "basic") event.waitUntil(keepPart(event.request, answer.clone()));
    return answer;
  } catch (error) {
    if (known) return known;
    throw error;
  }
};

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (origin !== location.origin || pathname === "/live") return;
  if (request.method === "POST" && request.mode === "navigate") {
    event.respondWith(fetch(request).catch(() => instead(NOT_SAVED)));
  } else if (request.method === "GET") {
    if (pathname.startsWith("/assets/")) event.respondWith(part(event));
    else if (request.mode === "navigate" || (request.headers.get("Accept") ?? "").startsWith("text/html")) {
      event.respondWith(page(event));
    }
  }
});

// A page that was there before this worker hands over what it is made of. It is kept after its parts: without its
// script a kept page could not say that it is one.
self.addEventListener("message", (event) => {
  const takePart = async (url) => keepPart(url, await fetch(url));
  const takePage = async (url) => {
    const answer = await fetch(url, { headers: { Accept: "text/html" } });
    if (mayBeKept(answer)) await keepPage(url.split("#")[0], answer);
  };
  const ours = event.data.filter((url) => new URL(url).origin === location.origin);
  const isPart = (url) => new URL(url).pathname.startsWith("/assets/");
  const take = async () => {
    await Promise.allSettled(ours.filter(isPart).map(takePart));
    await Promise.allSettled(ours.filter((url) => !isPart(url)).map(takePage));
  };
  event.waitUntil(take());
});
