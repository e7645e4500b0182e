import { attr, flag, hide, make, place, text } from "./dom.mjs";
import { mastView, spread, ticks } from "./scale.mjs";
import { convert, known, number, show } from "./units.mjs";

const percent = (x) => `${x.toFixed(3)}%`;

// Mast draws one mast strip into an element, at any size: the travel from floor to crown to
// scale, the block where it is, and ahead of it the stretch that it needs to stop.
//
// Options:
//
//   full  scale, figures and labels beside the strip, and the reasons for what is not
//         known; without it the strip fills its element and the words are its label
//   ids   the parts carry their names as ids, for a page that has only one mast
//
// mast.css sizes a full one by --mast-unit (1rem where it is not set).
export class Mast {
  #host;
  #full;
  #parts = {};

  constructor(host, { full = false, ids = false } = {}) {
    this.#host = host;
    this.#full = full;
    flag(host, "mast", true);
    flag(host, "small", !full);
    if (!full) attr(host, "role", "img");
    const part = (name, className, tag = "div") => {
      const el = make(tag, className);
      if (ids) el.id = name;
      this.#parts[name] = el;
      return el;
    };
    const strip = part("strip", "strip");
    strip.append(
      part("zone-crown", "zone"), part("zone-floor", "zone"), part("rope", "rope"), part("ticks", "ticks"),
      part("unknown-up", "hatched unknown"), part("unknown-down", "hatched unknown"),
      part("shadow-bound", "shadow beyond"), part("shadow-expected", "shadow expected"), part("shadow-end", "shadow-end"),
      part("saver", "saver"), part("limit-crown", "limit"), part("limit-floor", "limit"), part("block", "block"),
    );
    host.replaceChildren(strip);
    if (!full) return;
    const pointer = part("flag", "flag"), labels = part("labels", "labels");
    pointer.append(part("height", "", "span"));
    for (const name of ["crown", "saver", "floor", "rest", "bound"]) labels.append(part(`label-${name}`, "", "span"));
    host.append(pointer, labels, part("why-up", "why-mast"), part("why-down", "why-mast"));
  }

  // draw shows state, a plain object whose numbers are SI and may be null:
  //
  //   crown_height_m, crown_limit_m, crown_saver_m, floor_limit_m    the mast
  //   height_m, velocity_mps, rest_up_m, rest_up_bound_m, rest_down_m, rest_down_bound_m,
  //   cannot_stop, blind                                            what is estimated
  //   gone    {crown, floor}: true where stopping that way cannot be answered
  //   why     {crown, floor, height}: the reasons for what is not known
  //   level   priority of the alarm that asks for the brake, or null
  //
  // system is the system of units. It returns what it has drawn, as mastView does.
  draw(state, system) {
    const p = this.#parts, why = state.why ?? {};
    const view = mastView(state, state, state.gone);
    hide(p.strip, !view.drawable);
    if (!view.drawable) {
      this.#pointer(null, "mast heights not known");
      this.#describe("mast heights not known");
      return view;
    }
    // % from the top, in steps that cannot be seen: what has not moved needs no layout.
    const steps = this.#full ? 50 : 4;
    const at = (m) => Math.round(steps * 100 * (1 - Math.min(1, Math.max(0, m / view.top)))) / steps;
    const span = (el, range) => {
      hide(el, range === null || !range.every(known));
      if (!el.hidden) place(el, { top: percent(at(range[1])), height: percent(at(range[0]) - at(range[1])) });
    };
    const tone = view.touches ? "emergency" : null;
    span(p["zone-crown"], [state.crown_limit_m, view.top]);
    span(p["zone-floor"], [0, state.floor_limit_m]);
    line(p["limit-crown"], state.crown_limit_m, at, view.touches === "crown" ? tone : null);
    line(p["limit-floor"], state.floor_limit_m, at, view.touches === "floor" ? tone : null);
    line(p.saver, state.crown_saver_m, at, null);

    const toward = view.direction;
    span(p["shadow-expected"], view.expected);
    span(p["shadow-bound"], view.beyond);
    attr(p["shadow-bound"], "data-toward", toward);
    attr(p["shadow-bound"], "data-priority", tone ?? state.level ?? null);
    this.#end(view, at);
    hide(p.block, view.height === null);
    hide(p.rope, view.height === null);
    if (view.height !== null) {
      place(p.block, { top: percent(at(view.height)) });
      place(p.rope, { top: "0", height: percent(at(view.height)) });
    }
    span(p["unknown-up"], view.unknownUp ? [view.height ?? 0, view.top] : null);
    span(p["unknown-down"], view.unknownDown && view.height !== null ? [0, view.height] : null);
    this.#describe(describe(view, state, system));
    if (!this.#full) return view;
    whyUnknown(p["why-up"], view.unknownUp, "above", why.crown, at, (view.top + (view.height ?? view.top / 2)) / 2);
    whyUnknown(p["why-down"], view.unknownDown, "below", why.floor, at, (view.height ?? view.top / 2) / 2);
    this.#ticks(view.top, system, at);
    this.#pointer(view.height === null ? null : show(view.height, "length", system), why.height ?? "", at(view.height ?? view.top / 2));
    this.#labels(view, state, system, at);
    return view;
  }

  // end draws the far end of a shadow that has reached a limit.
  #end(view, at) {
    const el = this.#parts["shadow-end"];
    hide(el, view.touches === null);
    if (!view.touches) return;
    attr(el, "data-toward", view.direction);
    attr(el, "data-priority", "emergency");
    place(el, view.direction === "up"
      ? { top: percent(at(view.bound)), bottom: "auto" }
      : { top: "auto", bottom: percent(100 - at(view.bound)) });
  }

  #describe(words) {
    if (!this.#full) attr(this.#host, "aria-label", words);
  }

  #pointer(shown, why, top = 50) {
    if (!this.#full) return;
    const el = this.#parts.height, pointer = this.#parts.flag;
    flag(pointer, "hatched", shown === null);
    const key = shown ? `${shown.text} ${shown.unit}` : why;
    if (el.dataset.shown !== key) {
      el.dataset.shown = key;
      if (shown) el.replaceChildren(shown.text, make("small", "", shown.unit));
      else el.replaceChildren(`height not known: ${why}`);
    }
    place(pointer, { top: percent(Math.min(96, Math.max(4, top))) });
  }

  #ticks(top, system, at) {
    const box = this.#parts.ticks;
    const key = `${top}|${system}`;
    if (box.dataset.shown === key) return;
    box.dataset.shown = key;
    const { value: hi, unit } = convert(top, "length", system);
    box.replaceChildren(...ticks(hi).slice(1).map((t) => {
      const el = make("span", "tick", `${number(t, 0)} ${unit}`);
      place(el, { top: percent(at((t / hi) * top)) });
      return el;
    }));
  }

  // labels writes what the marks mean beside them, moved apart where they meet.
  #labels(view, state, system, at) {
    const list = [
      ["label-crown", state.crown_limit_m, (m) => `crown limit ${say(m, system)}`, ""],
      ["label-saver", state.crown_saver_m, (m) => `crown saver ${say(m, system)}`, "soft"],
      ["label-floor", state.floor_limit_m, (m) => `floor limit ${say(m, system)}`, ""],
      ["label-rest", view.noRest ? null : view.rest, (m) => `rests by ${say(m, system)}`, ""],
      ["label-bound", view.bound, (m) => (view.noRest ? "no rest point" : `latest ${say(m, system)}`),
        view.touches ? "loud" : "soft"],
    ];
    const shown = list.filter(([, m]) => known(m));
    const height = this.#parts.labels.clientHeight || 1;
    const gap = (100 * 1.5 * parseFloat(getComputedStyle(this.#parts.labels).fontSize)) / height;
    const tops = spread(shown.map(([, m]) => at(m)), gap, 1, 99);
    for (const [name, m, words, className] of list) {
      const el = this.#parts[name];
      const i = shown.findIndex(([other]) => other === name);
      hide(el, i < 0);
      if (i < 0) continue;
      text(el, words(m));
      if (el.className !== className) el.className = className;
      attr(el, "data-priority", className === "loud" ? "emergency" : null);
      place(el, { top: percent(tops[i]) });
    }
  }
}

function line(el, height, at, priority) {
  hide(el, !known(height));
  if (known(height)) place(el, { top: percent(at(height)) });
  attr(el, "data-priority", priority);
}

function whyUnknown(el, unknown, where, why, at, middle) {
  hide(el, !unknown);
  if (!unknown) return;
  const words = `stopping ${where} is not known`;
  if (el.dataset.shown !== words + why) {
    el.dataset.shown = words + why;
    el.replaceChildren(make("strong", "", words), why || "no answer");
  }
  place(el, { top: percent(Math.min(88, Math.max(10, at(middle)))) });
}

const say = (m, system) => {
  const { text: n, unit } = show(m, "length", system);
  return `${n} ${unit}`;
};

// describe says in words what a strip without labels shows.
function describe(view, state, system) {
  const words = [view.height === null ? "height not known" : `block at ${say(view.height, system)}`];
  if (view.direction === "up" || view.direction === "down") words.push(`moving ${view.direction}`);
  if (view.noRest) words.push("no rest point");
  else if (known(view.bound)) words.push(`at rest by ${say(view.bound, system)} at the latest`);
  if (view.touches) words.push(`its stop reaches the ${view.touches} limit`);
  if (view.unknownUp) words.push("stopping above is not known");
  if (view.unknownDown) words.push("stopping below is not known");
  return words.join(", ");
}
