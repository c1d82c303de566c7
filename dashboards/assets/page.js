// Every form and every renewal brings a whole page; what differs is put in place, so that scroll, focus and open parts stay.
// Without scripts the same forms load the same pages.
(() => {
  "use strict";
  const WAITS = "meta[http-equiv=refresh]"; // in a page that only says that another one is on its way
  const PARTS = ["main", "asof", "notices"];
  let stands = false; // whether a slip or a question is shown, which a renewal must not take away
  let shown = ""; // the page as it came last; empty where a part of it was left out, so that the next one is put in whole
  let isHeld = false;

  const isTyped = (field) => {
    if (!field.name) return false; // moved by a script, and never sent
    if (field.type === "checkbox" || field.type === "radio") return field.checked !== field.defaultChecked;
    if (field.tagName === "SELECT") {
      const usual = Math.max(0, [...field.options].findIndex((option) => option.defaultSelected));
      return field.options.length > 0 && field.selectedIndex !== usual;
    }
    return field.type !== "hidden" && "defaultValue" in field && field.value !== field.defaultValue;
  };
  const isUnsaved = (node) => node instanceof HTMLFormElement && [...node.elements].some(isTyped);
  const holdsUnsaved = (node) => isUnsaved(node) || (node instanceof Element && [...node.querySelectorAll("form")].some(isUnsaved));

  const rules = (keepsTyped) => ({
    beforeNodeMorphed: (old, fresh) => {
      if (!(old instanceof Element)) return true;
      // drawn or filled by a script, in somebody's hand, or being filled in
      const typed = keepsTyped && (isUnsaved(old) || (old.hasAttribute("data-beside-form") && isUnsaved(old.previousElementSibling)));
      if (old.hasAttribute("data-keep") || typed) {
        isHeld = true;
        return false;
      }
      if (old.tagName === "DETAILS" && fresh instanceof Element) fresh.toggleAttribute("open", old.open);
      return true;
    },
    beforeNodeRemoved: (old) => !(keepsTyped && holdsUnsaved(old)),
  });
  const put = (text, { keepsTyped = false, isElsewhere = false } = {}) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    document.title = page.title;
    isHeld = false;
    const focused = document.activeElement;
    for (const id of PARTS) {
      const [here, there] = [document.getElementById(id), page.getElementById(id)];
      // of what has the focus nothing within is touched: right for a field that is being filled in, not for the whole page
      const ignoreActiveValue = document.activeElement?.matches("input, select, textarea") ?? false;
      if (here && there) Idiomorph.morph(here, there, { ignoreActiveValue, callbacks: rules(keepsTyped) });
    }
    const token = page.querySelector("form input[name=token]")?.value; // another one after the server was started again
    if (token) for (const field of document.querySelectorAll("form input[name=token]")) field.value = token;
    // what now stands elsewhere may have lost the focus on its way
    if (focused?.id && document.activeElement === document.body) document.getElementById(focused.id)?.focus({ preventScroll: true });
    document.dispatchEvent(new CustomEvent("siccast:shown", { detail: { isRenewal: keepsTyped, isElsewhere } }));
  };
  const fail = () => {
    const place = document.getElementById("notices");
    const words = document.getElementById("connection")?.dataset.unsaved;
    if (!place || !words) return;
    const notice = document.createElement("p");
    notice.className = "notice";
    notice.setAttribute("role", "alert");
    notice.textContent = words;
    place.querySelector("[role=alert]")?.remove();
    place.append(notice);
  };

  // Asks for this page again, as it is now. What was typed and not sent stays. A form that is on its way brings a newer page:
  // what was asked for before, or comes meanwhile, would take the focus from it or undo it, and is asked for once more after.
  let onTheirWay = 0, answered = 0, overtaken = null;
  const renew = async (keepsTyped) => {
    const before = answered;
    try {
      const address = location.href;
      const answer = await fetch(address, { headers: { Accept: "text/html" } });
      const text = answer.ok && !stands ? await answer.text() : shown;
      if (onTheirWay || before !== answered) overtaken = { keepsTyped };
      else if (document.querySelector(WAITS)) { // what follows has styles and scripts of its own
        if (answer.ok && !new DOMParser().parseFromString(text, "text/html").querySelector(WAITS)) location.reload();
      }
      else {
        if (text !== shown && !stands && address === location.href) put(text, { keepsTyped });
        shown = isHeld ? "" : text;
      }
    } catch {
      // live.js says that there is no connection
    } finally {
      document.dispatchEvent(new Event("siccast:renewed"));
      renewOvertaken();
    }
  };
  const renewOvertaken = () => {
    if (onTheirWay || !overtaken) return;
    const { keepsTyped } = overtaken;
    overtaken = null;
    renew(keepsTyped);
  };

  // What is in view already is not scrolled to.
  const focus = (element) => {
    const place = element?.getBoundingClientRect();
    element?.focus({ preventScroll: place.top >= 0 && place.bottom <= innerHeight });
  };

  // Sends a form, and shows the page that comes back. The focus goes where the page wants it, unless the person went on to
  // another field meanwhile: what they type would land elsewhere.
  const send = async (form, button) => {
    const filled = new URLSearchParams(new FormData(form, button));
    const get = form.method === "get";
    const sentFrom = document.activeElement;
    const address = new URL(button?.getAttribute("formaction") ?? form.getAttribute("action") ?? location.href, location.href);
    if (get) address.search = filled;
    onTheirWay += 1;
    form.setAttribute("aria-busy", "true");
    const busy = form.dataset.busy ?? (get ? "" : document.body.dataset.busy);
    if (busy && button) {
      button.style.minWidth = `${button.offsetWidth}px`; // what stands beside it stays where it is
      button.dataset.busy = busy;
    }
    try {
      const answer = await fetch(address, get ? { headers: { Accept: "text/html" } } : { method: "POST", body: filled });
      const moved = answer.redirected && new URL(answer.url).pathname !== location.pathname;
      if (moved && form.dataset.inPlace) return location.assign(answer.url);
      const text = await answer.text();
      const isElsewhere = ![sentFrom, document.body].includes(document.activeElement);
      put(text, { isElsewhere });
      stands = !answer.ok;
      shown = "";
      if ((answer.redirected || get) && answer.url !== location.href) history.pushState(null, "", answer.url);
      if (moved) scrollTo(0, 0);
      if (!isElsewhere || document.activeElement === document.body) {
        focus(document.querySelector("#main [data-focus]") ?? document.querySelector("#main [aria-invalid=true]"));
      }
    } catch {
      fail();
    } finally {
      onTheirWay -= 1;
      answered += 1;
      form.removeAttribute("aria-busy");
      button?.removeAttribute("data-busy");
      button?.style.removeProperty("min-width");
      renewOvertaken();
    }
  };

  document.addEventListener("submit", (event) => {
    if (!event.target.hasAttribute("data-in-place")) return;
    event.preventDefault();
    if (event.target.getAttribute("aria-busy") !== "true") send(event.target, event.submitter);
  });
  addEventListener("popstate", () => {
    stands = false;
    shown = "";
    renew(false);
  });
  document.addEventListener("siccast:renew", () => renew(true));
})();
