// Keeps an open page as the site is now: hears of changes, says when it can't, lets ages tick, keeps pages for offline.
(() => {
  "use strict";
  const LOST_AFTER_MS = 4000; // a server that starts again is not worth a word
  const TRY_AGAIN_MS = 10000;
  const AT_MOST_EACH_MS = 1000;
  const SHARE = 10; // a renewal takes at most one part in so many of the time, so that a busy server is spared
  const TICK_MS = 20000;
  const said = document.getElementById("connection");
  if (!said) return;
  const keptAt = document.documentElement.dataset.keptAt;

  const clock = (at) => {
    const options = { timeZone: said.dataset.zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    if (Date.now() - at > 12 * 3600 * 1000) Object.assign(options, { day: "numeric", month: "short" });
    return new Intl.DateTimeFormat("en-GB", options).format(at);
  };
  const say = (words, at) => {
    said.textContent = words.replace("{}", clock(at));
    said.hidden = false;
    document.documentElement.classList.add("lost");
  };
  const unsay = () => {
    said.hidden = true;
    document.documentElement.classList.remove("lost");
  };

  // Renewals: together where several changes come at once, and none while nobody looks.
  let wanted = false, busy = false, notBefore = 0, timer = 0;
  const renewSoon = () => {
    wanted = true;
    if (busy || document.hidden) return;
    clearTimeout(timer);
    timer = setTimeout(renew, Math.max(0, notBefore - performance.now()));
  };
  let begun = 0;
  const renew = () => {
    wanted = false;
    busy = true;
    begun = performance.now();
    document.dispatchEvent(new Event("siccast:renew"));
  };
  document.addEventListener("siccast:renewed", () => {
    if (!busy) return;
    busy = false;
    const now = performance.now();
    notBefore = now + Math.max(AT_MOST_EACH_MS, SHARE * (now - begun));
    tick();
    if (wanted) renewSoon();
  });

  // The connection: closed while nobody looks, as a browser opens only a few to one server.
  let source = null, lostAt = 0, waiting = 0, wasThere = Boolean(keptAt);
  const found = () => {
    clearTimeout(waiting);
    lostAt = 0;
    unsay();
    if (wasThere) renewSoon();
    wasThere = true;
  };
  const lose = () => {
    if (!lostAt) {
      lostAt = Date.now();
      if (!keptAt) waiting = setTimeout(() => say(said.dataset.lost, lostAt), LOST_AFTER_MS);
    }
    if (source?.readyState === EventSource.CLOSED) {
      source = null;
      setTimeout(open, TRY_AGAIN_MS);
    }
  };
  const open = () => {
    if (source || document.hidden) return;
    source = new EventSource("/live");
    source.onopen = found;
    source.onmessage = renewSoon;
    source.onerror = lose;
  };
  const close = () => {
    source?.close();
    source = null;
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return close();
    open();
    tick();
    if (wanted) renewSoon();
  });
  addEventListener("pagehide", close);
  addEventListener("pageshow", (event) => { if (event.persisted) open(); });

  // Ages, in the words of the server.
  const ages = said.dataset.ages ? JSON.parse(said.dataset.ages) : null;
  const age = (minutes) => {
    for (const [size, from, one, many, others] of ages.steps) {
      const count = Math.floor(minutes / size);
      if (count >= from) return (others[count] || (count === 1 ? one : many)).replace("{}", count);
    }
    return ages.now;
  };
  const tick = () => {
    if (!ages) return;
    for (const time of document.querySelectorAll("time[data-age]")) {
      const words = age((Date.now() - Date.parse(time.dateTime)) / 60000);
      if (words !== time.textContent) time.textContent = words;
    }
  };
  setInterval(tick, TICK_MS);
  document.addEventListener("siccast:shown", tick);

  // Pages for offline; only where a browser lets a page have a worker: on this machine itself, or by TLS.
  const keep = async () => {
    if (!navigator.serviceWorker) return;
    await navigator.serviceWorker.register("/offline.js");
    const { active } = await navigator.serviceWorker.ready;
    if (navigator.serviceWorker.controller) return;
    const parts = performance.getEntriesByType("resource").map((one) => one.name);
    active.postMessage([location.href, ...parts.filter((one) => new URL(one).pathname.startsWith("/assets/"))]);
  };

  if (keptAt) say(said.dataset.kept, Date.parse(keptAt));
  tick();
  open();
  if (document.readyState === "complete") keep().catch(() => {});
  else addEventListener("load", () => keep().catch(() => {}));
})();
