// Answers what-if while a value is moved: the newest question wins, older ones are dropped. Without it the form asks by itself.
(() => {
  "use strict";
  const PAUSE_MS = 120; // judgement: so long a finger rests between two steps of a slider
  const form = document.querySelector(".suppose");
  if (!form) return;
  const place = document.getElementById("what-if-answer");
  let asking = null; // aborts the question that is under way
  let pause = 0;

  const scales = {
    "": { up: (x) => x, down: (x) => x },
    log2: { up: (x) => 2 ** x, down: (x) => Math.log2(x) },
  };
  const number = (text) => Number(text.trim().replace(",", "."));
  const figure = (value) => String(Number(value.toPrecision(3))); // digits; judgement: finer than anybody knows
  const scaleOf = (slider) => scales[slider.dataset.scale ?? ""];
  const fieldOf = (slider) => document.getElementById(slider.dataset.moves);
  const slide = (slider) => {
    const value = scaleOf(slider).down(number(fieldOf(slider).value));
    if (Number.isFinite(value)) slider.value = value;
  };
  const sliders = () => form.querySelectorAll(".slide");

  const show = (told) => {
    const problem = document.getElementById("what-if-problem");
    problem.hidden = !told.problem;
    problem.textContent = told.problem;
    for (const field of form.elements) {
      const wrong = told.at && field.name === told.at && field.id;
      field.toggleAttribute("aria-invalid", false);
      if (wrong) { field.setAttribute("aria-invalid", "true"); field.setAttribute("aria-describedby", "what-if-problem"); }
    }
    place.querySelector(".answered").hidden = !told.rows?.length;
    place.querySelector(".verdict").textContent = told.verdict ?? "";
    const supposing = place.querySelector(".supposing");
    supposing.textContent = supposing.dataset.words.replace("{supposing}", () => told.supposing ?? "");
    place.querySelector("dl").replaceChildren(...(told.rows ?? []).map(([name, value]) => {
      const row = document.createElement("div");
      row.append(Object.assign(document.createElement("dt"), { textContent: name }), Object.assign(document.createElement("dd"), { textContent: value }));
      return row;
    }));
    document.dispatchEvent(new CustomEvent("siccast:supposed", { detail: told.drawn ?? null }));
  };
  // While something is supposed, a page that renews itself leaves form and answer alone.
  const keep = (isSupposed) => [form, place].forEach((part) => part.toggleAttribute("data-keep", isSupposed));
  const ask = async () => {
    keep(true);
    asking?.abort();
    const mine = asking = new AbortController();
    place.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(`${form.dataset.answers}?${new URLSearchParams(new FormData(form))}`, { signal: mine.signal });
      if (answer.status === 503) show({ problem: form.dataset.busy });
      else show(await answer.json());
    } catch (error) {
      if (error.name !== "AbortError") show({ problem: form.dataset.busy });
    } finally {
      if (asking === mine) place.removeAttribute("aria-busy");
    }
  };
  const askSoon = () => {
    clearTimeout(pause);
    pause = setTimeout(ask, PAUSE_MS);
  };

  form.addEventListener("input", (event) => {
    const { target } = event;
    if (target.matches(".slide")) fieldOf(target).value = figure(scaleOf(target).up(Number(target.value)));
    else sliders().forEach((slider) => fieldOf(slider) === target && slide(slider));
    const changed = target.dataset.moves ?? target.id;
    if (["if-dry-mass", "if-beads"].includes(changed)) form.elements.fresh.checked = true;
    askSoon();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const { submitter } = event;
    if (submitter?.name) document.getElementById(`if-${submitter.name}`).value = submitter.value;
    sliders().forEach(slide);
    ask();
  });
  form.addEventListener("reset", (event) => {
    event.preventDefault();
    for (const field of form.querySelectorAll("[data-present]")) field.value = field.dataset.present;
    form.elements.fresh.checked = false;
    document.getElementById("if-beads").value = "";
    sliders().forEach(slide);
    asking?.abort();
    show({ problem: "" });
    keep(false);
  });
  const ready = () => {
    form.querySelectorAll("[type=reset], .slide").forEach((part) => { part.hidden = false; });
    sliders().forEach(slide);
  };
  document.addEventListener("siccast:shown", () => (form.hasAttribute("data-keep") ? ask() : ready()));
  ready();
})();
