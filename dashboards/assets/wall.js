// Moves the whole wall by some pixels each minute, so that nothing bright stands in one place for months.
(() => {
  "use strict";
  const STEPS = [[0, 0], [4, 2], [8, 4], [4, 6], [0, 8], [-4, 6], [-8, 4], [-4, 2]];
  const EACH_MS = 60000;
  setInterval(() => {
    const [x, y] = STEPS[Math.floor(Date.now() / EACH_MS) % STEPS.length];
    document.body.style.translate = `${x}px ${y}px`;
  }, EACH_MS);
})();
