// Moves a box to another day: dragged by its dots, or picked up by pressing them and dropped by keys or a second press.
// While it moves, each day shows the chance that the box is over its limit before. The move itself is a plain form.
(() => {
  "use strict";
  const HIGH = 20; // %; the same odds as those by which a box is due
  const START_PX = 6, EDGE_PX = 70, SCROLL_PX = 12;
  let held = null; // { chip, box, cell, target, x, y, dragging, pointer }
  let landed = null; // { box, on }: what was dropped last, to go on from there once the page has it so
  const weeks = () => document.getElementById("weeks");
  const says = () => document.getElementById("moving");
  const cells = () => [...weeks().querySelectorAll("[data-day]")].filter((cell) => cell.checkVisibility());
  const fill = (words, values) => words.replace(/\{(\w+)\}/g, (_, name) => values[name]);

  const isGrid = () => getComputedStyle(weeks().querySelector(".week")).gridTemplateColumns.includes(" "); // on a phone a list

  const risk = (chip, cell) => {
    const known = chip.dataset.chances.split(" ");
    return Number(known[Math.min(Number(cell.dataset.ahead), known.length - 1)]);
  };
  const inWords = (pct) => {
    const { least, most } = says().dataset;
    return pct < 1 ? least : pct > 99 ? most : `${pct}\u202f%`;
  };
  const say = (what, cell) => {
    const { chip, box } = held;
    const values = { box, day: cell.dataset.label, limit: chip.dataset.limit, chance: inWords(risk(chip, cell)) };
    says().textContent = fill(says().dataset[what], values);
  };

  const lift = (chip) => {
    const cell = chip.closest("[data-day]");
    held = { chip, box: chip.dataset.box, cell, target: cell };
    weeks().setAttribute("data-keep", ""); // a renewal leaves it alone meanwhile
    weeks().classList.add("choosing");
    chip.querySelector(".grip").setAttribute("aria-pressed", "true");
    for (const each of cells()) {
      const shown = document.createElement("span");
      const pct = risk(chip, each);
      shown.className = pct > HIGH ? "risk high" : "risk";
      shown.textContent = `${pct < 1 ? "<\u202f1" : pct > 99 ? ">\u202f99" : pct}\u202f%`;
      each.querySelector(".named").after(shown);
    }
    aim(cell);
    say("grabbed", cell);
  };

  const aim = (cell) => {
    if (!cell) return;
    held.target.classList.remove("target");
    held.target = cell;
    cell.classList.add("target");
    say("over", cell);
  };

  const lower = () => {
    const was = held;
    held = null;
    weeks().removeAttribute("data-keep");
    weeks().classList.remove("choosing");
    was.target.classList.remove("target");
    for (const shown of weeks().querySelectorAll(".risk")) shown.remove();
    was.chip.querySelector(".grip").setAttribute("aria-pressed", "false");
    was.chip.classList.remove("lifted");
    was.chip.style.transform = "";
    return was;
  };

  const leave = () => {
    const { box, chip } = lower();
    says().textContent = fill(says().dataset.left, { box });
    chip.querySelector(".grip").focus();
    document.dispatchEvent(new Event("siccast:renew")); // what came in meanwhile
  };

  const drop = () => {
    if (held.target === held.cell) return leave();
    const { box, target } = lower();
    says().textContent = "";
    const form = document.getElementById("move-form");
    landed = { box, on: target.dataset.day };
    form.elements.box.value = landed.box;
    form.elements.on.value = landed.on;
    form.requestSubmit();
  };

  const KEYS = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -7, ArrowDown: 7 };
  const step = (key) => {
    const there = cells(), here = there.indexOf(held.target);
    if (key === "Home" || key === "End") return aim(key === "Home" ? there[0] : there.at(-1));
    const by = isGrid() ? KEYS[key] : Math.sign(KEYS[key]);
    aim(there[Math.max(0, Math.min(there.length - 1, here + by))]);
    held.target.scrollIntoView({ block: "nearest" });
  };

  document.addEventListener("keydown", (event) => {
    if (!held) return;
    if (event.key in KEYS || event.key === "Home" || event.key === "End") step(event.key);
    else if (event.key === "Escape") leave();
    else if (event.key === "Tab") return leave();
    else return;
    event.preventDefault();
  });

  // Pressing the dots picks a box up; pressing them again, or a day, drops it: nobody has to drag.
  let dragged = false; // the press that ends a drag is no press
  document.addEventListener("click", (event) => {
    if (dragged) { dragged = false; event.preventDefault(); return; }
    const grip = event.target.closest(".grip"), cell = event.target.closest("#weeks [data-day]");
    if (!held && grip) lift(grip.closest(".chip"));
    else if (held && grip && held.chip.contains(grip)) drop();
    else if (held && cell) { event.preventDefault(); aim(cell); drop(); }
  });

  let press = null; // where a pointer went down on a chip, and where it is now
  const follow = () => {
    if (!press || !held) return;
    const { chip, at } = press;
    chip.style.transform = `translate(${isGrid() ? at.x - press.x : 0}px, ${at.y + scrollY - press.y}px)`;
    aim(document.elementFromPoint(at.x, at.y)?.closest("#weeks [data-day]"));
    const edge = at.y < EDGE_PX ? -SCROLL_PX : at.y > innerHeight - EDGE_PX ? SCROLL_PX : 0;
    if (!edge) return;
    scrollBy(0, edge);
    cancelAnimationFrame(press.frame);
    press.frame = requestAnimationFrame(follow);
  };
  document.addEventListener("pointerdown", (event) => {
    dragged = false;
    const chip = event.button === 0 && event.isPrimary && event.target.closest("#weeks .chip[data-box]");
    if (!chip || held || (event.pointerType !== "mouse" && !event.target.closest(".grip"))) return;
    press = { chip, id: event.pointerId, x: event.clientX, y: event.clientY + scrollY };
  });
  document.addEventListener("pointermove", (event) => {
    if (!press || event.pointerId !== press.id) return;
    press.at = { x: event.clientX, y: event.clientY };
    if (!dragged) {
      if (Math.hypot(event.clientX - press.x, event.clientY + scrollY - press.y) < START_PX) return;
      dragged = true;
      lift(press.chip);
      press.chip.classList.add("lifted");
    }
    follow();
  });
  const release = (event) => {
    if (!press || event.pointerId !== press.id) return;
    press = null;
    if (!dragged || !held) return;
    const on = document.elementFromPoint(event.clientX, event.clientY)?.closest("#weeks [data-day]");
    if (event.type === "pointerup" && on) drop();
    else leave();
    setTimeout(() => { dragged = false; }); // the click that belongs to this release comes before
  };
  document.addEventListener("pointerup", release);
  document.addEventListener("pointercancel", release);
  document.addEventListener("dragstart", (event) => { if (event.target.closest?.("#weeks")) event.preventDefault(); });

  const ready = (event) => {
    for (const hint of document.querySelectorAll(".with-script")) hint.hidden = false;
    const there = landed ? [...document.querySelectorAll(`#weeks [data-day="${landed.on}"] .chip`)] : [];
    const chip = there.find((each) => each.dataset.box === landed.box);
    if (!chip) return;
    for (const other of document.querySelectorAll("#main [data-focus]")) other.removeAttribute("data-focus");
    if (!event?.detail?.isElsewhere) chip.querySelector(".grip").focus({ preventScroll: true });
    landed = null;
  };
  document.documentElement.classList.add("scripted");
  document.addEventListener("siccast:shown", ready);
  ready();

  // on a wide screen the weeks are a grid to drag on; on a phone a long list, which waits until it is asked for
  if (matchMedia("(min-width: 52rem)").matches) document.getElementById("weeks-fold")?.setAttribute("open", "");

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    const there = link && document.getElementById(link.hash.slice(1));
    const folded = there?.matches("details") ? there : there?.querySelector("details.folded");
    if (folded) folded.open = true;
  });
})();
