// The plots of the replay page: one uPlot each, on one time axis.

import { make, text } from "./dom.mjs";
import { interleave } from "./replay-time.mjs";
import { convert, known, number } from "./units.mjs";

// Which lines a plot has: column, look, name, factor, "off" where it may lie off the scale. A line's look says what it is, the same in all plots:
//
//   main     what the monitor takes it to be
//   reading  as the instrument said
//   soft     expected
//   bound    99 % stay within
//   truth    what really happened, where a simulator wrote it
export const PLOTS = [
  { id: "height", title: "block height", quantity: "length", share: 2.2, from: "zero", marks: "mast", lines: [
    ["reading.block_height", "reading", "sensor"], ["rest_m", "soft", "rests at"], ["rest_bound_m", "bound", "rests by"],
    ["truth.height", "truth", "truth"], ["height_m", "main", "block"]] },
  { id: "speed", title: "block speed, up positive", quantity: "speed", lines: [
    ["safe_lowering_mps", "bound", "lowering limit", -1, "off"], ["truth.velocity", "truth", "truth"], ["velocity_mps", "main", "block"]] },
  { id: "load", title: "hook load", quantity: "force", lines: [
    ["reading.hook_load", "reading", "indicator"], ["truth.hook_load", "truth", "truth"], ["hook_load_kN", "main", "taken as"]] },
  { id: "pressure", title: "brake pressure", quantity: "pressure", lines: [
    ["reading.emergency_pressure", "soft", "emergency release"], ["reading.brake_pressure", "reading", "service"]] },
  { id: "heat", title: "brake temperature", quantity: "temperature", marks: "heat", lines: [
    ["reading.brake_temperature", "reading", "sensor"], ["truth.brake_temperature", "truth", "truth"],
    ["brake_temperature_bound_C", "bound", "bound"], ["brake_temperature_C", "main", "expected"]] },
  { id: "friction", title: "brake friction, against commissioned", lines: [
    ["friction_low", "bound", "low"], ["friction_high", "bound", "high"], ["truth.friction", "truth", "truth"], ["friction_factor", "main", "found"]] },
  { id: "act", title: "seconds to act", unit: "s", lines: [["seconds_to_act", "main", "to the limit ahead"]] },
  { id: "margin", title: "brake margin", lines: [["brake_margin", "main", "capacity over demand"]] },
  { id: "auxiliary", title: "auxiliary brake", lines: [["auxiliary_share", "main", "share of the braking"]] },
  { id: "coil", title: "auxiliary coil", unit: "A", lines: [["reading.auxiliary_current", "reading", "current"]] },
  { id: "drum", title: "drum speed", unit: "rpm", lines: [["reading.drum_speed", "reading", "encoder"]] },
];

const LOOKS = {
  main: { width: 1.8, dash: [], tone: "--ink" },
  reading: { width: 1.2, dash: [], tone: "--edge" },
  soft: { width: 1.2, dash: [1, 3], tone: "--ink" },
  bound: { width: 1.2, dash: [6, 3], tone: "--ink" },
  truth: { width: 1.4, dash: [8, 2, 1, 2], tone: "--fill" },
};

const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const GUTTER = 72; // px: 4.5rem

const SVG = "http://www.w3.org/2000/svg";
function svg(tag, attributes) {
  const el = document.createElementNS(SVG, tag);
  for (const [k, v] of Object.entries(attributes)) el.setAttribute(k, v);
  return el;
}

// shownUnit is the unit of a plot under a system of units.
export const shownUnit = (plot, system) => (plot.quantity ? convert(0, plot.quantity, system).unit : plot.unit ?? "");

// scaled turns a number of a line into what is drawn.
function scaled(plot, line, system) {
  const sign = line[3] ?? 1;
  return (x) => (known(x) ? (plot.quantity ? convert(sign * x, plot.quantity, system).value : sign * x) : null);
}

// digits of a number on a plot.
const decimals = (plot, system) => (plot.quantity ? Math.max(1, convert(0, plot.quantity, system).decimals) : 2);

// What no rig file changes.
const SAME = /^(reading\.|truth\.|velocity_mps$|hook_load_kN$)/;

// linesOf returns the lines of a plot that a run has, and those of the run under a
// change, which are drawn wide and pale under them.
export function linesOf(plot, has, changed) {
  const own = plot.lines.filter(([name]) => has.has(name));
  const other = changed ? own.filter(([name]) => changed.has(name) && !SAME.test(name)) : [];
  return [...other.map((line) => ({ line, changed: true })), ...own.map((line) => ({ line, changed: false }))];
}

// Plot is one plot. draw hands it data, mark what lies over and under it.
export class Plot {
  #el = make("div", "plot");
  #legend = make("div", "legend");
  #holder = make("div", "u");
  #items = [];
  #twins = new Map();
  #u = null;
  #under = { gaps: [], alarms: [], marks: [] };

  constructor(plot, host, { system, has, changed, height, width }) {
    this.plot = plot;
    this.system = system;
    this.lines = linesOf(plot, has, changed);
    this.#el.append(this.#legend, this.#holder);
    this.#el.dataset.plot = plot.id;
    host.append(this.#el);
    this.#legend.append(make("strong", "", plot.title), make("span", "soft", shownUnit(plot, system)));
    for (const l of this.lines) this.#item(l);
    this.#build(width, height);
  }

  // item writes a line's name and number; what it is under a change stands behind it.
  #item({ line, changed }) {
    const look = LOOKS[line[1]], value = make("span", "num");
    const sample = svg("svg", { viewBox: "0 0 27 10", "aria-hidden": "true" });
    sample.append(svg("line", { x1: 0, x2: 27, y1: 5, y2: 5, stroke: `var(${changed ? "--beyond" : look.tone})`,
      "stroke-width": changed ? 5 : look.width + 0.4, "stroke-dasharray": changed ? "" : look.dash.join(" ") }));
    this.#items.push(value);
    if (changed) {
      const twin = make("span", "item", sample, value);
      twin.title = `${line[2]} under the change`;
      this.#twins.set(line[0], twin);
      return;
    }
    this.#legend.append(make("span", "item", sample, line[2], value, ...(this.#twins.has(line[0]) ? [this.#twins.get(line[0])] : [])));
  }

  #build(width, height) {
    const { plot, system } = this;
    const series = [{}, ...this.lines.map(({ line, changed }) => ({
      stroke: () => tone(changed ? "--beyond" : LOOKS[line[1]].tone), width: changed ? 5 : LOOKS[line[1]].width,
      dash: changed ? undefined : LOOKS[line[1]].dash, auto: line[4] !== "off", points: { show: false }, spanGaps: false,
    }))];
    const axis = { stroke: () => tone("--ink"), font: "12px DejaVu Sans, Verdana, sans-serif", grid: { stroke: () => tone("--hatch-b"), width: 0.6 }, ticks: { show: false } };
    this.#u = new uPlot({
      width, height, padding: [4, 0, 2, 0], legend: { show: false }, cursor: { show: false }, ms: 1,
      scales: { x: { time: false, range: (_u, lo, hi) => [lo, hi] }, y: { range: (_u, lo, hi) => this.#range(lo, hi) } },
      axes: [{ ...axis, size: 0, values: () => [], space: 90 }, {
        ...axis, size: GUTTER, space: 26, gap: 6,
        values: (_u, list) => list.map((v) => (Math.abs(v) >= 1000 ? number(v, 0) : String(Number(v.toFixed(3))).replace("-", "\u2212"))),
      }],
      series,
      hooks: { drawClear: [(u) => this.#drawUnder(u)], draw: [(u) => this.#drawOver(u)] },
    }, this.#empty(), this.#holder);
    this.system = system;
  }

  #empty() {
    return [[0, 1], ...this.lines.map(() => [null, null])];
  }

  // range leaves room about what is known, and takes marks in where they are near.
  #range(lo, hi) {
    const { plot, system } = this;
    if (!known(lo) || !known(hi)) [lo, hi] = [0, 1];
    if (plot.from === "zero") lo = Math.min(0, lo);
    for (const m of this.#under.marks) {
      const v = plot.quantity ? convert(m.value, plot.quantity, system).value : m.value;
      if (v > hi && v - hi < 0.35 * (hi - lo)) hi = v;
    }
    const room = Math.max((hi - lo) * 0.06, 1e-6 * Math.abs(hi), 0.005);
    return [plot.from === "zero" && lo === 0 ? -room * 0.5 : lo - room, hi + room];
  }

  // draw shows the answers of the server for the run, and for the one under a change.
  draw(view, data, other) {
    const tables = [];
    for (const [answer, changed] of [[data, false], [other, true]]) {
      const lines = this.lines.filter((l) => l.changed === changed);
      if (!answer || !lines.length) continue;
      let x = answer.t;
      const ys = lines.map(({ line }) => {
        const c = answer.columns[line[0]], turn = scaled(this.plot, line, this.system);
        if (answer.raw) return c.min.map(turn);
        const both = interleave(answer.t, c.min.map(turn), c.max.map(turn));
        x = both.x;
        return both.y;
      });
      tables.push({ x, ys, changed });
    }
    this.#u.setData(this.#together(tables), false);
    this.#u.setScale("x", { min: view.from, max: view.to });
  }

  // together puts both runs on one row of times: their rows are of the same entries.
  #together(tables) {
    const [a, b] = [tables.find((t) => !t.changed), tables.find((t) => t.changed)];
    if (!a) return this.#empty();
    const others = this.lines.filter((l) => l.changed).length;
    if (!b) return [a.x, ...new Array(others).fill(a.x.map(() => null)), ...a.ys];
    const same = a.x.length === b.x.length && a.x.every((t, i) => t === b.x[i]);
    if (same) return [a.x, ...b.ys, ...a.ys];
    return uPlot.join([[b.x, ...b.ys], [a.x, ...a.ys]], [b.ys.map(() => 2), a.ys.map(() => 2)]); // 2: what the other lacks is no gap
  }

  // mark says what is drawn beside the lines: gaps, alarms, and limits.
  mark(under) {
    this.#under = under;
  }

  #drawUnder(u) {
    const { left, top, width, height } = u.bbox, c = u.ctx;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    c.fillStyle = tone("--panel");
    c.fillRect(left, top, width, height);
    for (const [from, to] of this.#under.gaps) {
      const a = u.valToPos(from, "x", true), b = u.valToPos(to, "x", true);
      if (b < left || a > left + width) continue;
      hatch(c, Math.max(a, left), top, Math.max(2, Math.min(b, left + width) - Math.max(a, left)), height);
    }
    c.restore();
  }

  #drawOver(u) {
    const { left, top, width, height } = u.bbox, c = u.ctx;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    const dpr = devicePixelRatio || 1;
    c.textAlign = "left";
    c.textBaseline = "alphabetic";
    c.font = `${11 * dpr}px DejaVu Sans, Verdana, sans-serif`;
    for (const m of this.#under.marks) {
      const value = this.plot.quantity ? convert(m.value, this.plot.quantity, this.system).value : m.value;
      const y = Math.round(u.valToPos(value, "y", true));
      if (!(y >= top && y <= top + height)) continue;
      c.fillStyle = tone("--ink");
      c.fillRect(left, y - dpr, width, 2 * dpr);
      c.fillText(m.name, left + 6 * dpr, y - 4 * dpr > top + 10 * dpr ? y - 4 * dpr : y + 13 * dpr);
    }
    for (const a of this.#under.alarms) {
      const x = Math.round(u.valToPos(a.at_ms, "x", true));
      if (x < left || x > left + width) continue;
      c.fillStyle = tone(`--${a.worst}`);
      c.fillRect(x - dpr / 2, top, Math.max(1, 1.5 * dpr), height);
    }
    c.restore();
  }

  // values writes the lines' numbers at the cursor into the legend.
  values(frame, other) {
    this.lines.forEach(({ line, changed }, i) => {
      const x = (changed ? other : frame)?.value(line[0]);
      const v = scaled(this.plot, line, this.system)(x);
      text(this.#items[i], known(v) ? number(v, decimals(this.plot, this.system)) : "–");
    });
  }

  size(width, height) {
    this.#u.setSize({ width, height });
  }

  repaint() {
    this.#u.redraw(false, true);
  }

  get legendHeight() {
    return this.#legend.offsetHeight + 2;
  }

  get canvas() {
    return this.#u.ctx.canvas;
  }

  // drawn is what the plot shows, for an export.
  get drawn() {
    const { min, max } = this.#u.scales.y;
    return { data: this.#u.data, min, max, under: this.#under };
  }

  // shown is a mark's value in the unit of the plot.
  shown(value) {
    return this.plot.quantity ? convert(value, this.plot.quantity, this.system).value : value;
  }

  get legendText() {
    return `${this.plot.title}${shownUnit(this.plot, this.system) ? `, ${shownUnit(this.plot, this.system)}` : ""}`;
  }

  remove() {
    this.#u.destroy();
    this.#el.remove();
  }
}

export const look = (kind) => LOOKS[kind];
export { tone, GUTTER };

// hatch draws "not known" on a canvas.
export function hatch(c, x, y, width, height) {
  const dpr = devicePixelRatio || 1;
  c.save();
  c.beginPath();
  c.rect(x, y, width, height);
  c.clip();
  c.fillStyle = tone("--hatch-a");
  c.fillRect(x, y, width, height);
  c.strokeStyle = tone("--edge");
  c.lineWidth = dpr;
  const step = 6 * dpr;
  c.beginPath();
  for (let a = Math.floor((x - height) / step) * step; a < x + width; a += step) {
    c.moveTo(a, y + height);
    c.lineTo(a + height, y);
  }
  c.stroke();
  c.restore();
}
