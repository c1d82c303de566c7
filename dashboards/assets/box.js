// Draws the charts of one box with uPlot, in the page's own colors; mouse, finger and keys walk along them.
(() => {
  "use strict";
  const drawn = document.getElementById("drawn");
  const said = drawn.dataset;
  const hosts = [document.getElementById("humidity-chart"), document.getElementById("temperature-chart")];
  const readout = document.getElementById("humidity-readout");
  const spoken = document.getElementById("humidity-said");
  const embedded = () => document.getElementById("chart-numbers").textContent;

  const DAY_S = 86400; // seconds, by definition
  const GAP_S = 2 * DAY_S; // judgement: as the small charts have it
  // Days between two ticks; judgement: spans a person counts in.
  const TICKS_S = [0.25, 0.5, 1, 2, 5, 10, 15, 30, 60, 120].map((days) => days * DAY_S);
  const STEPS_ACROSS = 120; // judgement: a held key crosses the chart in a few seconds
  const QUIET_MS = 500; // judgement: so long nothing moves before the place is spoken
  const NEAR = 1 / 150; // of what is shown; judgement: a finger's width
  const SIGN_PX = 12, SIGN_ROWS = 3, POINTS = 16; // size on the screen, rows in a crowd, units of a sign's own drawing

  let numbers = JSON.parse(embedded());
  let source = embedded();
  let asked = { view: numbers.view, days: 90, room: false };
  let table = null; // what uPlot draws, joined over one time axis
  let charts = [];
  let supposed = null; // the course with something changed, as the what-if tells it

  const parts = new Intl.DateTimeFormat("en-US", {
    timeZone: numbers.zone, day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23",
  });
  const read = (s) => Object.fromEntries(parts.formatToParts(new Date(s * 1000)).map((p) => [p.type, p.value]));
  const day = (s) => { const p = read(s); return `${p.day} ${p.month}`; };
  const moment = (s) => { const p = read(s); return `${p.day} ${p.month}, ${p.hour}:${p.minute}`; };
  const color = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const font = (ratio = 1) => `${12 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
  const fill = (words, values) => words.replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const figure = (value) => value.toFixed(numbers.decimals);

  // --- numbers ---------------------------------------------------------------------------------------------------

  const summed = (steps, digits = 0) => { let s = 0; return steps.map((step) => (step == null ? null : (s += step) / 10 ** digits)); };
  // A gap is a null of its own between two values, so that nothing is drawn where nothing is known.
  const withGaps = (at, columns) => {
    const out = [[], ...columns.map(() => [])];
    at.forEach((s, i) => {
      if (i > 0 && s - at[i - 1] > GAP_S) { out[0].push(at[i - 1] + 1); columns.forEach((_, c) => out[c + 1].push(null)); }
      out[0].push(s);
      columns.forEach((column, c) => out[c + 1].push(column[i] ?? null));
    });
    return out;
  };
  const or = (list, at) => (list.length ? list : at.map(() => null));
  // Rows of the table, by name; past and future, room and marks have times of their own.
  const ROWS = ["at", "value", "temperature", "limit", "low", "lower", "middle", "upper", "high", "limitAhead", "room", "mark", "why"];
  const joined = () => {
    const { fan, room, marks } = numbers;
    const at = summed(numbers.steps);
    const roomAt = room ? summed(room.steps) : [];
    const once = marks.at.map((s, i) => i).filter((i) => marks.at[i] !== marks.at[i - 1]);
    const columns = uPlot.join([
      withGaps(at, [summed(numbers.values, numbers.decimals), summed(numbers.temperature, 1), or(numbers.limits, at)]),
      [fan.at, fan.low, fan.lower, fan.middle, fan.upper, fan.high, or(fan.limits, fan.at)],
      withGaps(roomAt, [room ? summed(room.values, numbers.decimals) : []]),
      [once.map((i) => marks.at[i]), once.map((i) => marks.values[i]), once.map((i) => marks.why[i])],
    ]);
    return Object.fromEntries(ROWS.map((name, i) => [name, columns[i] ?? []]));
  };
  const pairs = (...names) => names.map((name) => table[name]);

  const begins = () => {
    const first = numbers.steps.length ? numbers.steps[0] : numbers.asOf - 30 * DAY_S;
    return asked.days ? Math.max(numbers.asOf - asked.days * DAY_S, first) : first;
  };
  const ends = () => {
    const last = numbers.fan.at.length ? numbers.fan.at.at(-1) : numbers.asOf;
    return asked.days ? Math.min(last, numbers.asOf + asked.days * DAY_S) : last;
  };

  // --- drawing ---------------------------------------------------------------------------------------------------
  // Sizes below are pixels, line widths and dashes too; judgement: legible at the page's own size of letters.

  const timeAxis = () => ({
    stroke: color("--soft"), font: font(), grid: { show: false }, ticks: { stroke: color("--hair"), size: 5 },
    space: (_, __, from, to, wide) => ((to - from) / (wide / 46) < DAY_S ? 96 : 46), size: 28, incrs: TICKS_S,
    values: (_, splits, __, ___, step) => splits.map(step < DAY_S ? moment : day),
  });
  const valueAxis = (unit, space) => ({
    space, stroke: color("--soft"), font: font(), grid: { stroke: color("--hair"), width: 1 }, ticks: { show: false },
    size: numbers.unit === "%" ? 48 : 64,
    values: (_, splits) => splits.map((v) => `${Number(v.toFixed(4))} ${unit}`),
  });
  // Draws on the canvas with the state of the canvas put back.
  const onCanvas = (draw) => (u) => {
    u.ctx.save();
    draw(u, u.ctx, u.bbox, devicePixelRatio);
    u.ctx.restore();
  };
  const drawNow = (isNamed) => onCanvas((u, ctx, box, ratio) => {
    const x = Math.round(u.valToPos(numbers.asOf, "x", true));
    ctx.lineWidth = ratio;
    ctx.strokeStyle = ctx.fillStyle = color("--soft");
    ctx.beginPath(); ctx.moveTo(x, box.top); ctx.lineTo(x, box.top + box.height); ctx.stroke();
    if (!isNamed) return;
    ctx.font = font(ratio);
    const wide = ctx.measureText(said.today).width;
    const left = Math.max(x - wide / 2, box.left); // beside the figures of the axis, where the box is new
    ctx.fillText(said.today, Math.min(left, box.left + box.width - wide), box.top - 5 * ratio);
  });
  const drawSilence = onCanvas((u, ctx, box, ratio) => {
    const last = numbers.steps.length ? summed(numbers.steps).at(-1) : begins();
    const left = Math.max(u.valToPos(last, "x", true), box.left);
    const right = u.valToPos(numbers.asOf, "x", true);
    if (numbers.asOf - last < GAP_S || right - left < 56 * ratio) return; // judgement: as wide as the words with some air
    ctx.fillStyle = color("--soft");
    ctx.font = font(ratio);
    ctx.textAlign = "center";
    ctx.fillText(said.silent, (left + right) / 2, box.top + box.height - 10 * ratio);
  });
  const drawLimit = onCanvas((u, ctx, box, ratio) => {
    if (numbers.limit == null) return;
    const y = u.valToPos(numbers.limit, "y", true);
    ctx.strokeStyle = color("--limit");
    ctx.lineWidth = 1.5 * ratio;
    ctx.lineCap = "round";
    ctx.setLineDash([ratio, 4 * ratio]);
    ctx.beginPath(); ctx.moveTo(box.left, y); ctx.lineTo(box.left + box.width, y); ctx.stroke();
  });
  // A sign is drawn by the very paths that it has in the key beside the chart.
  const drawSign = (ctx, name, x, y, size) => {
    ctx.save();
    ctx.translate(x - size / 2, y - size / 2);
    ctx.scale(size / POINTS, size / POINTS);
    ctx.lineWidth = 2.2;
    ctx.lineCap = ctx.lineJoin = "round";
    for (const path of document.querySelectorAll(`#chart-key .sign.${name} path`)) {
      const shape = new Path2D(path.getAttribute("d"));
      if (path.classList.contains("open")) ctx.stroke(shape); else ctx.fill(shape);
    }
    ctx.restore();
  };
  const drawEntries = onCanvas((u, ctx, box, ratio) => {
    const ends = Array(SIGN_ROWS).fill(-Infinity);
    const size = SIGN_PX * ratio;
    ctx.fillStyle = ctx.strokeStyle = color("--ink");
    for (const entry of numbers.entries) {
      if (entry.at < u.scales.x.min || entry.at > u.scales.x.max) continue;
      const x = u.valToPos(entry.at, "x", true);
      const free = ends.findIndex((end) => x - end >= size * 1.2);
      const row = free >= 0 ? free : ends.indexOf(Math.min(...ends));
      ends[row] = x;
      drawSign(ctx, entry.sign, x, box.top + size * (0.8 + 1.25 * row), size);
    }
  });
  // The course as it would be, over the one that is expected, with its own limit and the interval of its crossing.
  const drawSupposed = onCanvas((u, ctx, box, ratio) => {
    if (!supposed || numbers.view !== "humidity") return;
    const x = (s) => u.valToPos(s, "x", true);
    const y = (pct) => u.valToPos(pct, "y", true);
    const path = (row, from) => row.forEach((pct, i) => ctx[i || from ? "lineTo" : "moveTo"](x(supposed.at[from ? row.length - 1 - i : i]), y(pct)));
    ctx.beginPath(); ctx.rect(box.left, box.top, box.width, box.height); ctx.clip();
    ctx.fillStyle = color("--fresh-ring");
    ctx.globalAlpha = 0.22;
    ctx.beginPath(); path(supposed.low, 0); path([...supposed.high].reverse(), 1); ctx.closePath(); ctx.fill();
    ctx.globalAlpha = 1;
    ctx.strokeStyle = color("--fresh-ring");
    ctx.lineWidth = 2.2 * ratio;
    ctx.beginPath(); path(supposed.middle, 0); ctx.stroke();
    ctx.lineWidth = 1.5 * ratio;
    ctx.setLineDash([7 * ratio, 3 * ratio]);
    ctx.beginPath(); ctx.moveTo(box.left, y(supposed.limitPct)); ctx.lineTo(box.left + box.width, y(supposed.limitPct)); ctx.stroke();
    ctx.setLineDash([]);
    const [first, , last] = supposed.crossing;
    if (first == null) return;
    ctx.lineWidth = 4 * ratio;
    ctx.beginPath(); ctx.moveTo(x(first), y(supposed.limitPct)); ctx.lineTo(last == null ? box.left + box.width : x(last), y(supposed.limitPct)); ctx.stroke();
  });
  const drawMarks = onCanvas((u, ctx, _, ratio) => {
    ctx.fillStyle = ctx.strokeStyle = color("--fresh-ring");
    numbers.marks.at.forEach((s, i) => {
      if (s < u.scales.x.min || s > u.scales.x.max || numbers.marks.values[i] == null) return;
      const y = Math.max(u.valToPos(numbers.marks.values[i], "y", true), u.bbox.top);
      drawSign(ctx, "marked", u.valToPos(s, "x", true), y, 0.75 * SIGN_PX * ratio);
    });
  });

  const common = (host, top) => ({
    width: host.clientWidth, height: host.clientHeight, tzDate: (s) => uPlot.tzDate(new Date(s * 1000), numbers.zone),
    legend: { show: false }, padding: [top, 8, 0, 0],
    cursor: { y: false, drag: { x: false, y: false }, points: { show: false }, sync: { key: "box" } },
  });
  const line = (more) => ({ width: 1.6, points: { show: false }, ...more });

  const humidity = (host) => {
    const seen = line({ stroke: color("--seen") });
    const edge = line({ stroke: "transparent", width: 0 });
    const dotted = line({ stroke: color("--limit"), width: 1.5, dash: [1, 4] });
    const fan = color("--fan");
    const highest = (u, _, high) => [0, numbers.top ?? uPlot.rangeNum(0, high || 1, 0.05, true)[1]];
    return new uPlot({
      ...common(host, 22),
      scales: { x: { range: () => [begins(), ends()] }, y: { range: highest } },
      axes: [timeAxis(), valueAxis(numbers.unit, 36)],
      series: [
        {}, line({ stroke: color("--fresh-ring"), width: 1 }), edge, edge, edge, edge, dotted, dotted, seen,
        { ...seen, dash: [5, 4] }, edge,
      ],
      bands: [{ series: [5, 2], fill: fan }, { series: [4, 3], fill: fan }],
      hooks: { draw: [drawNow(true), drawLimit, drawSupposed, drawSilence, drawMarks, drawEntries], setCursor: [say] },
    }, pairs("at", "room", "low", "lower", "upper", "high", "limit", "limitAhead", "value", "middle", "mark"), host);
  };
  const temperature = (host) => new uPlot({
    ...common(host, 10),
    scales: { x: { range: () => [begins(), ends()] }, y: { range: (_, low, high) => [Math.floor((low ?? 20) - 1), Math.ceil((high ?? 20) + 1)] } },
    axes: [timeAxis(), valueAxis(numbers.temperatureUnit, 24)],
    series: [{}, line({ stroke: color("--fresh-ring"), width: 1.4 })],
    hooks: { draw: [drawNow(false)] },
  }, pairs("at", "temperature"), host);

  // --- what is said of a place -------------------------------------------------------------------------------------

  const isSaid = (i) => table.value[i] != null || table.middle[i] != null || table.mark[i] != null;
  const sentence = (i) => {
    const [s, unit] = [table.at[i], numbers.unit];
    if (table.middle[i] != null) {
      const at = (name) => figure(table[name][i]);
      return fill(said.expected, { when: day(s), unit, low: at("low"), lower: at("lower"), middle: at("middle"), upper: at("upper"), high: at("high") });
    }
    if (table.mark[i] != null) {
      return fill(said.marked, { when: moment(s), unit, value: figure(table.mark[i]), why: numbers.marks.reasons[table.why[i]] });
    }
    const temperature = `${table.temperature[i]?.toFixed(1) ?? "–"} ${numbers.temperatureUnit}`;
    const words = fill(said.measured, { when: moment(s), unit, value: figure(table.value[i]), temperature });
    return table.room[i] == null ? words : `${words}, ${fill(said.ofRoom, { value: figure(table.room[i]), unit })}`;
  };
  const logged = (s) => {
    const near = (ends() - begins()) * NEAR;
    return numbers.entries.filter((entry) => Math.abs(entry.at - s) <= near).map((entry) => `${moment(entry.at)} ${entry.words}`);
  };
  const nearest = (from) => {
    for (let apart = 0; apart < table.at.length; apart += 1) {
      for (const i of [from - apart, from + apart]) if (i >= 0 && i < table.at.length && isSaid(i)) return i;
    }
    return null;
  };
  let held = null; // where keys stand: more places than pixels
  const place = (u) => held ?? (u.cursor.idx == null ? null : nearest(u.cursor.idx));
  let quiet = 0;
  const say = (u) => {
    const i = place(u);
    if (i == null) return;
    readout.textContent = [sentence(i), ...logged(table.at[i])].join(". ").replace(/(\d) (?=%)/g, "$1\u202f");
    clearTimeout(quiet);
    quiet = setTimeout(() => { spoken.textContent = readout.textContent; }, QUIET_MS);
  };

  // --- walking ---------------------------------------------------------------------------------------------------

  const stops = () => table.at.map((_, i) => i).filter((i) => isSaid(i) && table.at[i] >= begins() && table.at[i] <= ends());
  const walked = (key, isFine, all, place) => {
    const step = isFine ? 1 : Math.max(1, Math.round(all.length / STEPS_ACROSS));
    const week = (way) => {
      const wanted = table.at[all[place]] + way * 7 * DAY_S; // days of a week
      const beyond = way > 0 ? all.findIndex((i) => table.at[i] >= wanted) : all.findLastIndex((i) => table.at[i] <= wanted);
      return beyond < 0 ? (way > 0 ? all.length - 1 : 0) : beyond;
    };
    return {
      ArrowLeft: () => place - step, ArrowRight: () => place + step, Home: () => 0, End: () => all.length - 1,
      PageUp: () => week(-1), PageDown: () => week(1),
    }[key]?.();
  };
  const walk = (event) => {
    const [u] = charts;
    if (!u || event.ctrlKey || event.altKey || event.metaKey) return;
    const all = stops();
    const here = place(u) == null ? all.findLastIndex((i) => table.at[i] <= numbers.asOf) : all.indexOf(place(u));
    const next = all.length ? walked(event.key, event.shiftKey, all, Math.max(here, 0)) : undefined;
    if (next === undefined) return;
    event.preventDefault();
    held = all[Math.min(Math.max(next, 0), all.length - 1)];
    u.setCursor({ left: u.valToPos(table.at[held], "x"), top: u.over.clientHeight / 2 });
    say(u);
  };
  // A finger that moves along the chart reads it; up and down it scrolls the page (touch-action in the sheet).
  const scrub = (event) => {
    held = null;
    if (event.pointerType === "mouse" || !charts.length) return;
    const u = charts[hosts.indexOf(event.currentTarget)];
    u.setCursor({ left: event.clientX - u.over.getBoundingClientRect().left, top: u.over.clientHeight / 2 });
  };

  // --- what is asked for --------------------------------------------------------------------------------------------

  const draw = () => {
    charts.forEach((chart) => chart.destroy());
    held = null;
    table = joined();
    hosts[1].parentElement.hidden = table.temperature.every((degrees) => degrees == null); // nothing was measured
    charts = table.at.length ? [humidity(hosts[0]), temperature(hosts[1])] : [];
  };
  const query = () => new URLSearchParams({ view: asked.view, ...(asked.room ? { room: 1 } : {}) });
  let isAwaited = false;
  const press = () => {
    if (isAwaited) return; // buttons say what is drawn, not what is on its way
    const pressed = { view: asked.view, days: String(asked.days) };
    for (const [name, value] of Object.entries(pressed)) {
      drawn.querySelectorAll(`button[data-${name}]`).forEach((button) => button.setAttribute("aria-pressed", String(button.dataset[name] === value)));
    }
    drawn.querySelector("button[data-room]").setAttribute("aria-pressed", String(asked.room));
    drawn.querySelectorAll("[data-about]").forEach((about) => { about.hidden = about.dataset.about !== asked.view; });
    document.querySelector(".of-room").hidden = !asked.room;
    const picture = `${said.picture}?${new URLSearchParams({ ...Object.fromEntries(query()), days: asked.days })}`;
    document.querySelector("[data-take$='humidity.svg'], [data-take*='humidity.svg?']").dataset.take = picture;
    document.getElementById("take-drawing").href = picture;
    document.getElementById("print-picture").src = `${picture}&at=${Math.round(numbers.asOf)}`;
  };
  const isEmbedded = () => asked.view === "humidity" && !asked.room;
  const load = async () => {
    source = embedded();
    if (isEmbedded()) return JSON.parse(source);
    const answer = await fetch(`${said.numbers}?${query()}`);
    if (!answer.ok) throw new Error(answer.statusText);
    return answer.json();
  };
  const show = async (change) => {
    const before = asked;
    asked = { ...asked, ...change };
    const wanted = asked;
    isAwaited = true;
    try {
      const found = await load();
      if (asked !== wanted) return; // something else was asked for meanwhile
      numbers = found;
      draw();
    } catch {
      asked = before;
      readout.textContent = spoken.textContent = said.failed;
    }
    isAwaited = false;
    press();
  };

  drawn.addEventListener("click", (event) => {
    const { dataset } = event.target.closest("button") ?? {};
    if (dataset?.view) show({ view: dataset.view });
    else if (dataset?.days) show({ days: Number(dataset.days) });
    else if (dataset && "room" in dataset) show({ room: !asked.room });
  });
  hosts[0].addEventListener("keydown", walk);
  for (const host of hosts) ["pointerdown", "pointermove"].forEach((name) => host.addEventListener(name, scrub));
  document.querySelectorAll(".drawn").forEach((part) => { part.hidden = false; });
  new ResizeObserver(() => charts.forEach((chart, i) => chart.setSize({ width: hosts[i].clientWidth, height: hosts[i].clientHeight }))).observe(hosts[0]);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  document.addEventListener("siccast:shown", () => (embedded() === source ? press() : show({})));
  document.addEventListener("siccast:supposed", ({ detail }) => { supposed = detail; charts[0]?.redraw(); });
  document.fonts.ready.then(() => { draw(); press(); });
})();
