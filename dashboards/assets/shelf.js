// Narrows the shelf while one types, on the page that is there; the address says the same, so that it can be kept.
// Without scripts the form asks the server, which leaves the same boxes.
(() => {
  "use strict";
  const form = () => document.getElementById("find");
  const boxes = () => document.querySelectorAll("[data-name]");
  const wants = (box, find, state) =>
    box.dataset.name.toLowerCase().includes(find) && (!state || box.dataset.kinds.split(" ").includes(state));

  const narrow = () => {
    const { q, state, by } = form().elements;
    const find = q.value.trim().toLowerCase();
    const narrowed = Boolean(find || state.value);
    let shown = 0;
    for (const box of boxes()) {
      box.hidden = !wants(box, find, state.value);
      shown += box.hidden ? 0 : 1;
    }
    for (const part of document.querySelectorAll("[data-group], .calm")) part.hidden = !part.querySelector("[data-name]:not([hidden])");
    if (narrowed) for (const calm of document.querySelectorAll(".calm")) calm.open = true;
    const found = document.getElementById("found");
    found.textContent = !narrowed ? "" : shown ? found.dataset.words.replace("#", shown) : found.dataset.none;
    document.getElementById("show-all").hidden = !(narrowed || by.value);
  };

  const keep = () => {
    const address = new URL(location.href);
    for (const name of ["q", "state"]) {
      const { value } = form().elements[name];
      if (value.trim()) address.searchParams.set(name, value.trim());
      else address.searchParams.delete(name);
    }
    history.replaceState(history.state, "", address);
  };

  document.addEventListener("input", (event) => {
    if (!form()?.contains(event.target)) return;
    if (event.target.name === "by") form().requestSubmit();
    else { narrow(); keep(); }
  });
  // A page that came meanwhile may not know yet what was typed since.
  document.addEventListener("siccast:shown", () => { if (form()) narrow(); });
  document.addEventListener("formdata", (event) => {
    if (event.target !== form()) return;
    for (const [name, value] of [...event.formData]) if (!value) event.formData.delete(name);
  });

  // Paper can't be tapped: browsers that don't heed the print rules for folded parts get them opened.
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("main details:not([open]):not(.tool)")];
    for (const part of opened) part.open = true;
  });
  addEventListener("afterprint", () => { for (const part of opened) part.open = false; });
})();
