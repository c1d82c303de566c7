// Every form and every renewal brings a whole page; what differs is put in place, so that scroll, focus and open parts stay.
// Without scripts the same forms load the same pages.
(() => {
  "use strict";
  const PARTS = ["main", "asof", "notices"];
  const kept = {
    beforeNodeMorphed: (old, fresh) => {
      if (!(old instanceof Element)) return true;
      if (old.hasAttribute("data-keep")) return false; // drawn or filled by a script
      if (old.tagName === "DETAILS" && fresh instanceof Element) fresh.toggleAttribute("open", old.open);
      return true;
    },
  };
  const put = (text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    document.title = page.title;
    for (const id of PARTS) {
      const [here, there] = [document.getElementById(id), page.getElementById(id)];
      // of what has the focus nothing within is touched: right for a field that is being filled in, not for the whole page
      const ignoreActiveValue = document.activeElement?.matches("input, select, textarea") ?? false;
      if (here && there) Idiomorph.morph(here, there, { ignoreActiveValue, callbacks: kept });
    }
    document.dispatchEvent(new Event("siccast:shown"));
  };
  const fail = (words) => {
    const place = document.getElementById("notices");
    if (place) place.textContent = words;
  };

  // Asks for this page again, as it is now.
  const renew = async () => {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (answer.ok) put(await answer.text());
  };

  // Sends a form, and shows the page that comes back.
  const send = async (form, button) => {
    const filled = new URLSearchParams(new FormData(form, button));
    const get = form.method === "get";
    const address = new URL(button?.getAttribute("formaction") ?? form.getAttribute("action") ?? location.href, location.href);
    if (get) address.search = filled;
    form.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(address, get ? {} : { method: "POST", body: filled });
      put(await answer.text());
      if ((answer.redirected || get) && answer.url !== location.href) history.pushState(null, "", answer.url);
      (document.querySelector("#main [data-focus]") ?? document.querySelector("#main [aria-invalid=true]"))?.focus();
    } catch {
      fail("siccast gives no answer, so nothing was saved. Try again.");
    } finally {
      form.removeAttribute("aria-busy");
    }
  };

  document.addEventListener("submit", (event) => {
    if (!event.target.hasAttribute("data-in-place")) return;
    event.preventDefault();
    if (event.target.getAttribute("aria-busy") !== "true") send(event.target, event.submitter);
  });
  addEventListener("popstate", renew);
  document.addEventListener("siccast:renew", renew);
})();
