// Draws the charts of one box with uPlot, in the page's own colors, and lets the arrow keys walk along them.
(() => {
  "use strict";
  const numbers = JSON.parse(document.getElementById("chart-numbers").textContent);
  const DAY_S = 86400; // seconds, by definition
  // Days between two ticks; judgement: spans a person counts in.
  const TICKS_S = [0.25, 0.5, 1, 2, 5, 10, 15, 30, 60, 120].map((days) => days * DAY_S);
  const zoned = (s) => uPlot.tzDate(new Date(s * 1000), numbers.zone);
  const parts = new Intl.DateTimeFormat("en-US", {
    timeZone: numbers.zone, day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23",
  });
  const read = (s) => Object.fromEntries(parts.formatToParts(new Date(s * 1000)).map((p) => [p.type, p.value]));
  const day = (s) => { const p = read(s); return `${p.day} ${p.month}`; };
  const moment = (s) => { const p = read(s); return `${p.day} ${p.month}, ${p.hour}:${p.minute}`; };
  const color = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const font = () => `12px ${getComputedStyle(document.body).fontFamily}`;

  // Past and future share one time axis: gaps are null, so that nothing is drawn where nothing is known.
  const times = numbers.at.concat(numbers.fan.at);
  const blanks = (list) => list.map(() => null);
  const past = (values) => values.concat(blanks(numbers.fan.at));
  const future = (values) => blanks(numbers.at).concat(values);
  const GAP_S = 2 * DAY_S; // judgement: as the small charts have it
  const broken = (values) => values.map((v, i) => (i > 0 && numbers.at[i] - numbers.at[i - 1] > GAP_S ? null : v));

  let daysBack = 90; // judgement: a season, as the button pressed at first says
  const begins = () => {
    const first = times.length ? times[0] : numbers.asOf - 30 * DAY_S;
    return daysBack ? Math.max(numbers.asOf - daysBack * DAY_S, first) : first;
  };
  const ends = () => {
    const last = numbers.fan.at.length ? numbers.fan.at[numbers.fan.at.length - 1] : numbers.asOf;
    return daysBack ? Math.min(last, numbers.asOf + daysBack * DAY_S) : last;
  };

  // Sizes below are pixels, line widths and dashes too; judgement: legible at the page's own size of letters.
  const timeAxis = () => ({
    stroke: color("--soft"), font: font(), grid: { show: false }, ticks: { stroke: color("--hair"), size: 5 },
    space: (_, __, from, to, wide) => ((to - from) / (wide / 46) < DAY_S ? 96 : 46), size: 28, incrs: TICKS_S,
    values: (_, splits, __, ___, step) => splits.map(step < DAY_S ? moment : day),
  });
  const valueAxis = (unit, space) => ({
    space,
    stroke: color("--soft"), font: font(), grid: { stroke: color("--hair"), width: 1 }, ticks: { show: false }, size: 46,
    values: (_, splits) => splits.map((v) => `${v} ${unit}`),
  });

  const drawNow = (u) => {
    const { ctx, bbox } = u;
    const ratio = devicePixelRatio;
    ctx.save();
    ctx.lineWidth = ratio;
    const x = Math.round(u.valToPos(numbers.asOf, "x", true));
    ctx.strokeStyle = color("--soft");
    ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
    ctx.restore();
  };
  const drawSilence = (u) => {
    const { ctx, bbox } = u;
    const ratio = devicePixelRatio;
    const last = numbers.at.length ? numbers.at[numbers.at.length - 1] : begins();
    const left = Math.max(u.valToPos(last, "x", true), bbox.left);
    const right = u.valToPos(numbers.asOf, "x", true);
    if (numbers.asOf - last < GAP_S || right - left < 56 * ratio) return; // judgement: as wide as the words with some air
    ctx.save();
    ctx.fillStyle = color("--soft");
    ctx.font = `${12 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
    ctx.textAlign = "center";
    ctx.fillText("no data", (left + right) / 2, bbox.top + bbox.height - 10 * ratio);
    ctx.restore();
  };
  const drawLimit = (u) => {
    const { ctx, bbox } = u;
    const ratio = devicePixelRatio;
    ctx.save();
    const y = u.valToPos(numbers.limitPct, "y", true);
    ctx.strokeStyle = color("--limit");
    ctx.lineWidth = 1.5 * ratio;
    ctx.lineCap = "round";
    ctx.setLineDash([ratio, 4 * ratio]);
    ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(bbox.left + bbox.width, y); ctx.stroke();
    ctx.restore();
  };
  const drawEntries = (u) => {
    const { ctx, bbox } = u;
    const ratio = devicePixelRatio;
    ctx.save();
    const r = 4.5 * ratio;
    const y = bbox.top + 9 * ratio;
    for (const entry of numbers.entries) {
      if (entry.at < u.scales.x.min || entry.at > u.scales.x.max) continue;
      const x = u.valToPos(entry.at, "x", true);
      ctx.beginPath();
      ctx.fillStyle = ctx.strokeStyle = color("--ink");
      ctx.lineWidth = 1.4 * ratio;
      if (entry.sign === "fill") {
        ctx.moveTo(x - r, y - r); ctx.lineTo(x + r, y - r); ctx.lineTo(x, y + r); ctx.closePath(); ctx.fill();
      } else if (entry.sign === "scale") {
        ctx.rect(x - 0.7 * r, y + 2 * r, 1.4 * r, 1.4 * r); ctx.fill();
      } else {
        ctx.arc(x, y + 2.7 * r, 0.75 * r, 0, 2 * Math.PI); ctx.stroke();
      }
    }
    ctx.restore();
  };

  const common = (host) => ({
    width: host.clientWidth, height: host.clientHeight, tzDate: zoned, legend: { show: false },
    padding: [10, 8, 0, 0],
    cursor: { y: false, drag: { x: false, y: false }, points: { show: false }, sync: { key: "box" } },
    hooks: { draw: [drawNow] },
  });

  const humidity = (host, readout) => {
    const line = { stroke: color("--seen"), width: 1.6, points: { show: false } };
    const edge = { stroke: "transparent", width: 0, points: { show: false } };
    const options = {
      ...common(host),
      scales: { x: { range: () => [begins(), ends()] }, y: { range: [0, numbers.topPct] } },
      axes: [timeAxis(), valueAxis("%", 36)],
      series: [{}, line, edge, { ...line, dash: [5, 4] }, edge],
      bands: [{ series: [4, 2], fill: color("--fan") }],
    };
    options.hooks.draw.push(drawLimit, drawSilence, drawEntries);
    options.hooks.setCursor = [(u) => say(u, readout)];
    return new uPlot(options, [
      times, past(broken(numbers.humidityPct)), future(numbers.fan.low), future(numbers.fan.middle),
      future(numbers.fan.high),
    ], host);
  };

  const temperature = (host) => new uPlot({
    ...common(host),
    scales: { x: { range: () => [begins(), ends()] }, y: { range: (_, low, high) => [Math.floor(low - 1), Math.ceil(high + 1)] } },
    axes: [timeAxis(), valueAxis(numbers.temperatureUnit, 24)],
    series: [{}, { stroke: color("--fresh-ring"), width: 1.4, points: { show: false } }],
  }, [times, past(broken(numbers.temperature))], host);

  const say = (u, readout) => {
    const i = u.cursor.idx;
    if (i == null || times[i] == null) return;
    const ahead = i >= numbers.at.length;
    const j = i - numbers.at.length;
    readout.textContent = ahead
      ? `${day(times[i])}: expected ${numbers.fan.middle[j]} % (${numbers.fan.low[j]} – ${numbers.fan.high[j]})`
      : `${moment(times[i])}: ${numbers.humidityPct[i]} %, ${numbers.temperature[i]} ${numbers.temperatureUnit}`;
  };

  const STEPS_ACROSS = 120; // judgement: a held key crosses the chart in a few seconds
  const walk = (u, event) => {
    const stride = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!stride || !times.length) return;
    event.preventDefault();
    const step = event.shiftKey ? stride : stride * Math.max(1, Math.round(times.length / STEPS_ACROSS));
    const here = u.cursor.idx == null ? numbers.at.length - 1 : u.cursor.idx;
    const next = Math.min(Math.max(here + step, 0), times.length - 1);
    u.setCursor({ left: u.valToPos(times[next], "x"), top: u.over.clientHeight / 2 });
  };

  const hosts = [document.getElementById("humidity-chart"), document.getElementById("temperature-chart")];
  const readout = document.getElementById("humidity-readout");
  let charts = [];
  const draw = () => {
    charts.forEach((chart) => chart.destroy());
    charts = times.length ? [humidity(hosts[0], readout), temperature(hosts[1])] : [];
  };
  const buttons = [...document.querySelectorAll(".spans button")];
  for (const button of buttons) {
    button.addEventListener("click", () => {
      daysBack = Number(button.dataset.days);
      buttons.forEach((other) => other.setAttribute("aria-pressed", String(other === button)));
      draw();
    });
  }
  hosts[0].addEventListener("keydown", (event) => charts.length && walk(charts[0], event));
  new ResizeObserver(() => charts.forEach((chart, i) => chart.setSize({ width: hosts[i].clientWidth, height: hosts[i].clientHeight }))).observe(hosts[0]);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  document.fonts.ready.then(draw);
})();
