// What was just logged stands out for ten seconds; and what is being typed is left alone when the page renews itself.
(() => {
  "use strict";
  const ends = new Map(); // number of what is told → when it stops standing out

  const tell = () => {
    const told = document.querySelector("[data-told]");
    if (!told) return;
    told.dataset.laid = ""; // over the page, at a thumb's reach: what was pressed stays where it is
    const number = told.dataset.told;
    if (!ends.has(number)) {
      const wait = 1000 * Number(told.dataset.seconds);
      ends.set(number, performance.now() + wait);
      setTimeout(calm, wait, number);
    }
    told.classList.toggle("lively", performance.now() < ends.get(number));
  };
  // The address no longer speaks of it then, so that it is gone when the page is next renewed or loaded.
  const calm = (number) => {
    const told = document.querySelector(`[data-told="${CSS.escape(number)}"]`);
    if (!told) return;
    told.classList.remove("lively");
    const address = new URL(location.href);
    for (const key of ["saved", "undone", "read", "unread", "again", "of"]) address.searchParams.delete(key);
    if (address.hash === "#notices") address.hash = "";
    history.replaceState(history.state, "", address);
  };

  // A form that was saved folds up; one that could not be stays open.
  let sent = null;
  document.addEventListener("submit", (event) => {
    event.target.removeAttribute("data-keep");
    sent = event.target.closest(".deed");
  }, true);
  document.addEventListener("input", (event) => event.target.closest(".deed form")?.setAttribute("data-keep", ""));
  document.addEventListener("siccast:shown", (event) => {
    if (sent && document.querySelector("[data-told]") && !sent.querySelector("[role=alert]")) sent.open = false;
    sent = null;
    tell();
    // The button that was pressed may be gone with what it took back.
    if (document.activeElement === document.body && !event.detail?.isRenewal) document.querySelector(".told")?.focus({ preventScroll: true });
  });
  tell();
})();
