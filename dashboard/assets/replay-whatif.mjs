// What if: settings of the rig file, the comparison under them, and a sweep drawn
// against its value.

import { $, make, text } from "./dom.mjs";
import { ask } from "./replay-data.mjs";
import { utc } from "./replay-time.mjs";
import { known, number } from "./units.mjs";
import { plain } from "./words.mjs";

const SVG = "http://www.w3.org/2000/svg";

// What an engineer asks first stands before the rest.
const FIRST = ["brakes.service.dead_time", "drawworks.drive.release", "brakes.service.friction", "reeving.lines", "mast.crown_limit", "mast.floor_limit"];

export const isSweep = (set) => /=[^:]+:[^:]+:[^:]+$/.test(set);

const signed = (x, digits) => (x > 0 ? "+" : "") + number(x, digits);

export class WhatIf {
  settings = [];
  #keys = [];
  #changed;

  // changed is called when the settings have changed.
  constructor(changed) {
    this.#changed = changed;
    $("what-key").addEventListener("change", () => this.#about(true));
    $("what-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#add();
    });
  }

  // offer lists the keys of the rig file in force in a run, and the catalogue's alarms.
  async offer(run, alarms) {
    this.#keys = await ask(`/api/replay/keys?run=${encodeURIComponent(run)}`);
    const first = FIRST.map((p) => this.#keys.find((k) => k.path === p)).filter(Boolean);
    const group = (label, keys) => {
      const g = make("optgroup", "", ...keys.map((k) => new Option(k.path, k.path)));
      g.label = label;
      return g;
    };
    const old = $("what-key").value;
    $("what-key").replaceChildren(group("often asked", first), group("all numbers of the rig file", this.#keys.filter((k) => !FIRST.includes(k.path))));
    if (this.#keys.some((k) => k.path === old)) $("what-key").value = old;
    const names = [...new Set(["overhoist", "crown_limit_passed", "floor_approach", "lowering_too_fast", ...alarms])];
    $("what-alarm").replaceChildren(...names.map((n) => new Option(plain(n), n)));
    this.#about(!$("what-value").value);
    this.#list();
  }

  #key() {
    return this.#keys.find((k) => k.path === $("what-key").value);
  }

  #about(fill) {
    const k = this.#key();
    if (!k) return;
    const parts = [k.value ? `recorded: ${k.value}` : "the rig file does not say"];
    if (k.what) parts.push(`a ${k.what}`);
    if (k.want) parts.push(`want ${k.want}`);
    if (k.unit) parts.push(`unit as ${k.unit}`);
    text($("what-about"), parts.join("; "));
    if (fill) $("what-value").value = k.value;
  }

  #add() {
    const k = this.#key(), value = $("what-value").value.trim();
    if (!k || !value) return;
    const set = `${k.path}=${value}`;
    this.settings = [...this.settings.filter((s) => !s.startsWith(`${k.path}=`)), set];
    this.#list();
    this.#changed();
  }

  clear() {
    this.settings = [];
    this.#list();
    this.#changed();
  }

  #list() {
    $("what-list").replaceChildren(...this.settings.map((set) => {
      const out = make("button", "", "remove");
      out.type = "button";
      out.setAttribute("aria-label", `remove ${set}`);
      out.addEventListener("click", () => {
        this.settings = this.settings.filter((s) => s !== set);
        this.#list();
        this.#changed();
      });
      return make("li", "", make("code", "", set), out);
    }));
    $("what-run").disabled = this.settings.length === 0;
    text($("what-run"), this.settings.some(isSweep) ? "sweep" : "compare");
  }

  get sweeps() {
    return this.settings.some(isSweep);
  }

  // show writes what a comparison has found.
  show(shift, settings, go) {
    const box = $("what-result");
    if (!shift) return box.replaceChildren();
    const rows = shift.alarms.map((a) => {
      const at = Date.parse(a.recorded ?? a.changed);
      const name = make("button", "", plain(a.alarm) + (a.channel ? `: ${plain(a.channel)}` : ""));
      name.type = "button";
      name.addEventListener("click", () => go(at));
      return make("tr", "", make("th", "", name), make("td", "", fate(a)), make("td", "num", a.shift_s === null ? "" : `${signed(a.shift_s, 2)} s`));
    });
    const table = (caption, head, body, none) => {
      const t = make("table", "result", make("caption", "", caption));
      t.append(make("thead", "", make("tr", "", ...head.map((h) => make("th", "", h)))), make("tbody", "", ...body));
      return body.length ? t : make("p", "soft", none);
    };
    const bounds = shift.bounds.flatMap((b) => [["raising", b.rest_up_bound], ["lowering", b.rest_down_bound]].map(([way, s]) =>
      make("tr", "", make("th", "", way), s.frames === 0
        ? make("td", "", "not known on both sides in any frame")
        : make("td", "", `${signed(s.median_m, 3)} m in the middle of ${s.frames} frames; at most ${signed(s.largest_m, 3)} m at ${utc(Date.parse(s.largest_at), 1)}`))));
    box.replaceChildren(
      table(`Alarms with ${settings.join(", ")}`, ["alarm", "what becomes of it", "moves by"], rows, "No alarm on either side."),
      table("Where the block rests by (bound)", ["", "moves by"], bounds, "No bound to compare."),
    );
  }

  // showSweep draws how long before the limit the alarm comes, against the value.
  showSweep(result) {
    const box = $("what-result");
    const points = result.sweep, key = result.key;
    const rows = points.map((p) => make("tr", "", make("th", "", p.value), make("td", "num", lead(p))));
    const t = make("table", "result", make("caption", "", `${plain(points[0]?.alarm)}: seconds before ${points[0]?.limit_passed
      ? "the block, as recorded, passed the limit" : "the block came nearest to the limit, which it did not pass"}`));
    t.append(make("thead", "", make("tr", "", make("th", "", key), make("th", "", "lead"))), make("tbody", "", ...rows));
    box.replaceChildren(sweepPlot(points, key), t);
  }

  clearResult() {
    $("what-result").replaceChildren();
  }
}

function fate(a) {
  switch (a.fate) {
    case "comes": return `comes, at ${utc(Date.parse(a.changed), 1)}`;
    case "goes": return `goes; was at ${utc(Date.parse(a.recorded), 1)}`;
    case "stays": return `stays at ${utc(Date.parse(a.recorded), 1)}`;
  }
  return `moves, ${utc(Date.parse(a.recorded), 1)} to ${utc(Date.parse(a.changed), 1)}`;
}

const lead = (p) => (p.raised === null ? "not raised" : p.lead_s === null ? `raised at ${utc(Date.parse(p.raised), 1)}` : `${number(p.lead_s, 2)} s`);

function el(tag, attributes, words) {
  const e = document.createElementNS(SVG, tag);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (words !== undefined) e.textContent = words;
  return e;
}

// sweepPlot is a small plot of lead time against value; a ring on the axis is a value
// under which the alarm is not raised.
export function sweepPlot(points, key) {
  const W = 320, H = 190, L = 44, B = 40, T = 12, R = 12;
  const plot = el("svg", { viewBox: `0 0 ${W} ${H}`, class: "sweep-plot", role: "img", "aria-label": `lead time against ${key}` });
  const xs = points.map((p) => parseFloat(p.value));
  const leads = points.map((p) => p.lead_s).filter(known);
  const [x0, x1] = [Math.min(...xs), Math.max(...xs)];
  const [y0, y1] = [Math.min(0, ...leads), Math.max(1, ...leads)];
  const x = (v) => L + (x1 > x0 ? (v - x0) / (x1 - x0) : 0.5) * (W - L - R), y = (v) => H - B - ((v - y0) / (y1 - y0)) * (H - B - T);
  for (const v of [y0, y0 + (y1 - y0) / 2, y1]) {
    plot.append(el("line", { class: "grid", x1: L, x2: W - R, y1: y(v), y2: y(v) }), el("text", { x: L - 5, y: y(v) + 4, "text-anchor": "end" }, number(v, 1)));
  }
  plot.append(el("text", { x: 2, y: 10 }, "s"));
  const line = points.map((p, i) => (known(p.lead_s) ? `${i && known(points[i - 1].lead_s) ? "L" : "M"}${x(xs[i]).toFixed(1)} ${y(p.lead_s).toFixed(1)}` : "")).join("");
  if (line) plot.append(el("path", { class: "line", d: line }));
  points.forEach((p, i) => plot.append(known(p.lead_s) ? el("circle", { class: "dot", cx: x(xs[i]), cy: y(p.lead_s), r: 3.2 })
    : el("circle", { class: "not", cx: x(xs[i]), cy: H - B, r: 4 })));
  for (const i of new Set([0, points.length - 1])) {
    plot.append(el("text", { x: x(xs[i]), y: H - B + 16, "text-anchor": i === 0 && points.length > 1 ? "start" : "end" }, points[i]?.value ?? ""));
  }
  plot.append(el("text", { x: (L + W) / 2, y: H - 6, "text-anchor": "middle" }, key));
  return plot;
}
