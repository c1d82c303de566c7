// A page looked at again after a while is asked for again, so that nobody reads yesterday's shelf.
(() => {
  "use strict";
  const STALE_MS = 5 * 60 * 1000; // judgement: the server looks anew as often
  const opened = Date.now();
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible" && Date.now() - opened > STALE_MS) location.reload();
  });
})();
