// The tiles of the page of all rigs.

import { $, attr, flag, glyph, hide, make, place, text } from "./dom.mjs";
import { heatBar, stopLevel, tileView } from "./fleet-words.mjs";
import { Mast } from "./mast.mjs";

const percent = (x) => `${(100 * x).toFixed(2)}%`;

// Tiles draws one tile a rig. A tile never moves in the document, only where it is shown:
// what has the focus keeps it.
export class Tiles {
  #of = new Map(); // by rig: the tile's parts
  #order = [];

  constructor() {
    $("rigs").addEventListener("keydown", (event) => this.#move(event));
    $("rigs").addEventListener("focusin", (event) => this.#stop(event.target.closest(".rig")));
  }

  // arrange shows the rigs in this order; those that are not in it are removed.
  arrange(order) {
    if (order.length === this.#order.length && order.every((rig, i) => rig === this.#order[i])) return;
    this.#order = [...order];
    for (const [rig, t] of this.#of) {
      if (!order.includes(rig)) {
        t.el.remove();
        this.#of.delete(rig);
      }
    }
    order.forEach((rig, i) => place(this.#tile(rig).el, { order: String(i) }));
    if (!$("rigs").querySelector('[tabindex="0"]')) this.#stop(this.#of.get(order[0])?.el);
  }

  // first tells whether order would move a tile that is shown.
  moves(order) {
    return order.some((rig, i) => rig !== this.#order[i]);
  }

  // paint draws a rig's tile as of now, the server's clock, ms; tile is null where
  // nothing has been heard, who is who watches the rig.
  paint(rig, tile, who, now, system) {
    const t = this.#tile(rig), v = tileView(tile, now, system);
    flag(t.el, "lost-link", !v.live);
    attr(t.el, "data-size", v.size);
    attr(t.el, "data-priority", tile?.priority || null);
    flag(t.el, "seen", tile !== null && tile.unacknowledged === 0);
    text(t.age, v.age);
    text(t.doing, v.doing);
    hide(t.doing, v.doing === "");
    if (v.time) {
      text(t.number, v.time.number);
      text(t.unit, ` ${v.time.unit}`);
    } else {
      text(t.number, v.size > 0 ? v.words : "");
      text(t.unit, v.size > 0 ? "" : v.words);
    }
    flag(t.seconds, "hatched", v.unknown);
    hide(t.seconds, !v.time && v.words === "");
    text(t.blind, v.blind);
    hide(t.blind, v.blind === "");
    text(t.brake, v.brake ?? "brake heat not known");
    flag(t.brake, "hatched", v.brake === null);
    hide(t.brake, !v.live);
    text(t.who, who);
    t.mast.draw(v.live ? { ...tile, level: stopLevel(tile) } : { crown_height_m: tile?.crown_height_m ?? null, crown_limit_m: tile?.crown_limit_m, floor_limit_m: tile?.floor_limit_m, blind: "both" }, system);
    this.#heat(t, v.live ? tile : null, tile);
    this.#alarm(t, tile);
    hide(t.tag, !(tile?.alarms > 0));
  }

  #heat(t, tile, limits) {
    const bar = heatBar(tile), marks = heatBar(limits);
    flag(t.heat, "hatched", bar.fill === null);
    if (bar.fill !== null) place(t.fill, { height: percent(bar.fill) });
    for (const [el, at] of [[t.amber, marks.amber], [t.red, marks.red]]) {
      hide(el, at === null);
      if (at !== null) place(el, { bottom: percent(at) });
    }
  }

  #alarm(t, tile) {
    const n = tile?.alarms ?? 0;
    const words = n === 0 ? "" : tile.title;
    const key = `${tile?.priority ?? ""}|${words}|${n}|${tile?.unacknowledged ?? 0}`;
    if (t.tag.dataset.shown === key) return;
    t.tag.dataset.shown = key;
    const more = n > 1 ? `+${n - 1}` : "";
    t.tag.replaceChildren(...(n > 0 ? [glyph(tile.priority), make("span", "hush", `${tile.priority}: `)] : []),
      make("span", n > 0 ? "words" : "", words), make("span", "more", more));
  }

  #tile(rig) {
    const known = this.#of.get(rig);
    if (known) return known;
    const t = { el: make("a", "rig") };
    for (const name of ["age", "number", "unit", "name"]) t[name] = make(name === "number" ? "b" : "span", name);
    for (const name of ["doing", "seconds", "blind", "brake", "who", "tag"]) t[name] = make("p", name);
    for (const name of ["heat", "fill", "amber", "red"]) t[name] = make("div", name);
    const strip = make("div", "strip-place");
    t.mast = new Mast(strip);
    t.seconds.append(t.number, t.unit);
    t.heat.append(t.fill, t.amber, t.red);
    t.name.textContent = rig;
    t.el.href = `/cabin/${encodeURIComponent(rig)}`;
    t.el.tabIndex = -1;
    t.el.append(make("div", "head", t.name, t.age), strip, t.heat, make("div", "says", t.seconds, t.blind, t.doing, t.brake), t.who, t.tag);
    // In the document the rigs stand by name, whatever the order of need.
    const next = [...this.#of.keys()].filter((other) => other > rig).sort()[0];
    $("rigs").insertBefore(t.el, next === undefined ? null : this.#of.get(next).el);
    this.#of.set(rig, t);
    return t;
  }

  // The tiles are one stop of the tab key; within them the arrows move.
  #stop(el) {
    if (!el || el.tabIndex === 0) return;
    for (const t of this.#of.values()) if (t.el.tabIndex === 0) t.el.tabIndex = -1;
    el.tabIndex = 0;
  }

  #move(event) {
    const columns = getComputedStyle($("rigs")).gridTemplateColumns.split(" ").length;
    const step = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: columns, ArrowUp: -columns, Home: -Infinity, End: Infinity }[event.key];
    const at = this.#order.findIndex((rig) => this.#of.get(rig).el === document.activeElement);
    if (step === undefined || at < 0) return;
    event.preventDefault();
    const to = Math.min(this.#order.length - 1, Math.max(0, at + step));
    const el = this.#of.get(this.#order[to]).el;
    el.focus();
    el.scrollIntoView({ block: "nearest" });
  }
}
