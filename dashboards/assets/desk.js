// A run under wet thumbs: keys that fill a field, a timer that rings, and other devices' weighings as they come.
// Without it, fields and links do the same.
(() => {
  "use strict";
  const TICK_MS = 250, AWAIT_MS = 2000, RING_MS = 1600, RINGS = 40;
  const main = document.getElementById("main");
  const title = () => document.title.replace(/^[^–]*! – /, "");

  // --- keys ---
  const press = (pad, key) => {
    const field = document.getElementById(pad.dataset.keypad);
    if (pad.dataset.fresh !== "no") { // the first key replaces what stood there, as on a calculator
      field.value = key === "delete" ? field.value : "";
      pad.dataset.fresh = "no";
    }
    if (key === "delete") field.value = field.value.slice(0, -1);
    else if (key !== "." || !/[.,]/.test(field.value)) field.value += key;
    hold();
  };
  main.addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]");
    if (key?.parentElement.dataset.keypad) press(key.parentElement, key.dataset.key);
  });
  main.addEventListener("input", (event) => {
    const pad = main.querySelector(`[data-keypad="${event.target.id}"]`);
    if (pad) pad.dataset.fresh = "no";
    hold();
  });

  // What was typed or asked and not sent yet stays, whatever else on the page is renewed.
  const step = () => document.getElementById("step");
  const hold = () => step()?.toggleAttribute("data-keep", true);
  document.addEventListener("submit", () => step()?.removeAttribute("data-keep"), true);

  // --- the timer ---
  let ends = 0, key = "", rung = "", ringing = 0, audio = null, lock = null;
  const timer = () => document.getElementById("timer");
  const hear = () => { // a browser lets a page sound only after a tap on it
    audio ??= window.AudioContext ? new AudioContext() : null;
    audio?.resume();
  };
  const beep = () => {
    if (!audio) return;
    for (const [at, pitch] of [[0, 880], [0.25, 880], [0.5, 1175]]) { // seconds and Hz: three tones that carry
      const tone = audio.createOscillator(), loud = audio.createGain();
      tone.frequency.value = pitch;
      loud.gain.setValueAtTime(0.3, audio.currentTime + at);
      loud.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + at + 0.22);
      tone.connect(loud).connect(audio.destination);
      tone.start(audio.currentTime + at);
      tone.stop(audio.currentTime + at + 0.22);
    }
  };
  const awake = async (wanted) => {
    if (!wanted) {
      lock?.release().catch(() => {});
      lock = null;
    } else if (!lock && navigator.wakeLock && document.visibilityState === "visible") {
      lock = await navigator.wakeLock.request("screen").catch(() => null);
      lock?.addEventListener("release", () => { lock = null; });
    }
  };
  const quiet = () => {
    clearInterval(ringing);
    ringing = 0;
    document.title = title();
  };
  const over = (here) => {
    here.dataset.state = "over";
    here.querySelector(".running").hidden = true;
    here.querySelector(".rung").hidden = false;
    document.title = `${here.dataset.title}! – ${title()}`;
    if (rung === key) return;
    rung = key;
    let left = RINGS;
    const ring = () => {
      beep();
      navigator.vibrate?.([300, 150, 300]);
      if (--left <= 0) clearInterval(ringing);
    };
    ring();
    clearInterval(ringing);
    ringing = setInterval(ring, RING_MS);
    awake(false);
  };
  const tick = () => {
    const here = timer();
    if (here?.dataset.state !== "going") return;
    const left = Math.max(Math.ceil((ends - Date.now()) / 1000), 0);
    const clock = document.getElementById("clock");
    clock.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
    const bar = here.querySelector("progress");
    bar.value = bar.max - left;
    if (left <= 0) over(here);
  };
  addEventListener("pointerdown", () => { hear(); if (ringing) quiet(); });
  addEventListener("keydown", () => { hear(); if (ringing) quiet(); });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") { awake(timer()?.dataset.state === "going"); tick(); }
  });

  // --- the box's new date; of other devices' weighings live.js hears ---
  const look = () => {
    if (main.querySelector("[data-await]") && document.visibilityState === "visible") document.dispatchEvent(new Event("siccast:renew"));
  };

  const shown = (event) => {
    for (const pad of main.querySelectorAll("[data-keypad]")) pad.hidden = false;
    if (main.querySelector("[data-unsent]")) hold();
    const here = timer();
    if (here && here.dataset.key !== key) {
      key = here.dataset.key;
      ends = Date.now() + 1000 * Number(here.dataset.left);
    }
    if (here?.dataset.state === "over") over(here);
    else if (here && rung === key) over(here); // it rang here a moment before the server counted to the end
    else if (!here && ringing) quiet();
    tick();
    awake(here?.dataset.state === "going");
    // A renewal takes the focus from nobody, an answer from nobody who went on; what is being typed is never selected: the
    // next key would replace it.
    const isFree = document.activeElement === document.body && !step()?.hasAttribute("data-keep");
    const field = (isFree || !(event?.detail?.isRenewal || event?.detail?.isElsewhere)) && main.querySelector("[data-wants-focus]");
    if (field && !main.querySelector("[data-unsent]") && matchMedia("(pointer: fine)").matches) {
      step()?.querySelector("[data-focus]")?.removeAttribute("data-focus"); // where it would go without a field
      field.focus();
      field.select();
    }
  };
  document.addEventListener("siccast:shown", shown);
  setInterval(tick, TICK_MS);
  setInterval(look, AWAIT_MS);
  shown();
})();
