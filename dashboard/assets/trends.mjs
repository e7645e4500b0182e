/* global uPlot */
import { $, attr, make, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { niceCeil } from "./scale.mjs";
import { age, clockOf, convert, known, number } from "./units.mjs";

// What is drawn: names of the answer, words, quantity, the limits to draw beside it, and
// where the scale ends for a range of values (in the unit that is shown).
const PLOTS = [
  { low: "height_m", words: "height of the block", quantity: "length", limits: (s) => [s.mast.crown_limit_m, s.mast.floor_limit_m], ends: (lo, hi, top) => [0, Math.max(top, hi)] },
  { low: "velocity_mps", words: "speed, up positive", quantity: "speed", limits: () => [0], ends: (lo, hi) => { const most = niceCeil(Math.max(Math.abs(lo), Math.abs(hi), 0.5)); return [-most, most]; } },
  { low: "hook_load_kN", words: "hook load", quantity: "force", limits: (s) => [s.ratings.hook_load_kN], ends: (lo, hi) => [0, niceCeil(hi * 1.02 || 1)] },
  { low: "brake_temperature_C", high: "brake_temperature_bound_C", words: "brake heat with its bound", quantity: "temperature", limits: (s) => [s.ratings.amber_C, s.ratings.red_C], ends: (lo, hi) => [Math.min(0, lo), niceCeil(hi * 1.02)] },
];
const EVERY = { "15m": 4000, "12h": 30000 }; // ms between two looks at what is open
const path = `/api/rigs/${encodeURIComponent(document.body.dataset.rig)}/trend?span=`;

// Trends draws the last minutes or hours, for as long as its drawer is open: each step
// from its least to its greatest value, so that no peak is lost; a gap is a gap.
export class Trends {
  #span = "15m";
  #next = 0; // when to ask again, by performance.now()
  #answer = null;
  #plots = [];
  #shown = "";

  constructor() {
    $("trends-button").addEventListener("click", () => { this.#next = 0; drawers.show("trends"); });
    for (const span of Object.keys(EVERY)) $(`span-${span}`).addEventListener("click", () => this.#choose(span));
  }

  #choose(span) {
    this.#span = span;
    this.#next = 0;
    this.#answer = null;
    for (const other of Object.keys(EVERY)) attr($(`span-${other}`), "aria-pressed", String(other === span));
  }

  paint(snapshot, system, now) {
    if (!$("trends").open) {
      this.#drop();
      return;
    }
    const mono = performance.now();
    if (mono >= this.#next) {
      this.#next = mono + EVERY[this.#span];
      this.#fetch(this.#span);
    }
    const theme = document.documentElement.dataset.theme, box = $("plots");
    const key = `${this.#answer?.key}|${system}|${theme}|${box.clientWidth}x${box.clientHeight}`;
    if (!this.#answer || key === this.#shown) return;
    this.#shown = key;
    const a = this.#answer;
    text($("trends-since"), a.since_ms > 0 ? `kept since ${clockOf(a.since_ms)} (${age((now - a.since_ms) / 1000)}), since the monitor's start` : "nothing kept yet");
    this.#draw(a, snapshot, system);
  }

  async #fetch(span) {
    try {
      const answer = await fetch(path + span, { signal: AbortSignal.timeout(5000) });
      if (!answer.ok) throw new Error(`the monitor answered ${answer.status}`);
      const a = await answer.json();
      if (span === this.#span) this.#answer = { ...a, key: `${span}|${performance.now()}` };
    } catch (error) {
      text($("trends-since"), `not drawn: ${error.message}`);
    }
  }

  #draw(a, snapshot, system) {
    this.#drop();
    const box = $("plots");
    const width = Math.floor(box.clientWidth / (box.clientWidth > 600 ? 2 : 1)) - 8;
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const height = Math.max(7 * rem, box.clientWidth > 600 ? Math.floor(box.clientHeight / 2) - 2.2 * rem : 9 * rem);
    const first = a.first_ms / 1000, step = a.step_ms / 1000;
    const x = Array.from({ length: a.steps }, (_, i) => first + (i + 0.5) * step);
    for (const p of PLOTS) {
      const to = (v) => convert(v, p.quantity, system).value;
      const lo = a.min[p.low].map(to), hi = a.max[p.high ?? p.low].map(to);
      const { unit, decimals } = convert(0, p.quantity, system);
      const seen = { lo: Math.min(...lo.filter(known)), hi: Math.max(...hi.filter(known)) };
      const none = !known(seen.lo);
      const words = none ? `nothing known in this time` : `${number(seen.lo, decimals)} to ${number(seen.hi, decimals)} ${unit}`;
      const holder = make("figure", "plot", make("figcaption", "", make("b", "", p.words), ` ${words}`));
      box.append(holder);
      const [bottom, top] = none ? [0, 1] : p.ends(seen.lo, seen.hi, to(snapshot.mast.crown_height_m) ?? 0);
      const limits = p.limits(snapshot).map(to).filter(known);
      this.#plots.push(new uPlot(options({ width, height, rem, first, last: first + a.steps * step, bottom, top, limits, step, unit }), [x, lo, hi], holder));
      attr(holder.querySelector("canvas"), "role", "img");
      attr(holder.querySelector("canvas"), "aria-label", `${p.words}: ${words}`);
    }
  }

  #drop() {
    for (const plot of this.#plots) plot.destroy();
    this.#plots = [];
    this.#shown = "";
    if ($("plots").firstChild) $("plots").replaceChildren();
  }
}

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function options({ width, height, rem, first, last, bottom, top, limits, step }) {
  const font = `${Math.round(0.85 * rem)}px "DejaVu Sans", Verdana, sans-serif`;
  const axis = { stroke: css("--muted"), font, ticks: { stroke: css("--edge"), size: 4 }, grid: { show: false }, border: { show: true, stroke: css("--edge"), width: 1 } };
  return {
    width, height, legend: { show: false }, cursor: { show: false }, padding: [6, 8, 0, 0],
    scales: { x: { time: true, range: () => [first, last] }, y: { range: () => [bottom, top] } },
    axes: [
      { ...axis, size: 1.7 * rem, space: 5 * rem, values: (_, at) => at.map((s) => clockOf(s * 1000)) },
      { ...axis, size: 3.4 * rem, space: 1.8 * rem, values: (_, at) => at.map((v) => number(v, Math.abs(top) < 10 && !Number.isInteger(v) ? 1 : 0)) },
    ],
    series: [{}, { show: true, paths: () => null, points: { show: false } }, { show: true, paths: () => null, points: { show: false } }],
    hooks: { draw: [(u) => { drawLimits(u, limits); drawSteps(u, step); }] },
  };
}

// drawSteps fills each step from its least to its greatest value, a pixel high at least.
function drawSteps(u, step) {
  const [x, lo, hi] = u.data, ctx = u.ctx;
  const wide = Math.max(1, Math.abs(u.valToPos(x[0] + step, "x", true) - u.valToPos(x[0], "x", true)));
  ctx.save();
  ctx.fillStyle = css("--ink");
  for (let i = 0; i < x.length; i++) {
    if (!known(lo[i]) && !known(hi[i])) continue;
    const a = u.valToPos(known(hi[i]) ? hi[i] : lo[i], "y", true), b = u.valToPos(known(lo[i]) ? lo[i] : hi[i], "y", true);
    const thick = Math.max(2 * devicePixelRatio, b - a);
    ctx.fillRect(u.valToPos(x[i], "x", true) - wide / 2, (a + b - thick) / 2, Math.ceil(wide), thick);
  }
  ctx.restore();
}

function drawLimits(u, limits) {
  const { left, width } = u.bbox, ctx = u.ctx;
  ctx.save();
  ctx.strokeStyle = css("--muted");
  ctx.lineWidth = devicePixelRatio;
  ctx.setLineDash([6 * devicePixelRatio, 4 * devicePixelRatio]);
  for (const limit of limits) {
    const y = u.valToPos(limit, "y", true);
    if (!(y >= u.bbox.top && y <= u.bbox.top + u.bbox.height)) continue;
    ctx.beginPath();
    ctx.moveTo(left, y);
    ctx.lineTo(left + width, y);
    ctx.stroke();
  }
  ctx.restore();
}
