import { $, attr, flag, hide, make, place, text } from "./dom.mjs";
import { mastView, spread, ticks } from "./scale.mjs";
import { convert, known, number, show } from "./units.mjs";
import { answer, gone, whyNoChannel } from "./words.mjs";

const percent = (x) => `${x.toFixed(3)}%`;

// paintMast draws the strip: the block where it is, and ahead of it the stretch that
// it needs to stop.
export function paintMast(snapshot, system, level) {
  const { mast } = snapshot;
  const view = mastView(mast, snapshot.estimate, gone(snapshot));
  hide($("strip"), !view.drawable);
  if (!view.drawable) {
    paintFlag(null, "mast heights not known");
    return view;
  }
  const at = (m) => 100 * (1 - Math.min(1, Math.max(0, m / view.top))); // % from the top
  const span = (el, range) => {
    hide(el, range === null || !range.every(known));
    if (!el.hidden) place(el, { top: percent(at(range[1])), height: percent(at(range[0]) - at(range[1])) });
  };
  const tone = view.touches ? "emergency" : null;
  span($("zone-crown"), [mast.crown_limit_m, view.top]);
  span($("zone-floor"), [0, mast.floor_limit_m]);
  line($("limit-crown"), mast.crown_limit_m, at, view.touches === "crown" ? tone : null);
  line($("limit-floor"), mast.floor_limit_m, at, view.touches === "floor" ? tone : null);
  line($("saver"), mast.crown_saver_m, at, null);
  paintTicks(view.top, system, at);

  const toward = view.direction;
  span($("shadow-expected"), view.expected);
  span($("shadow-bound"), view.beyond);
  attr($("shadow-bound"), "data-toward", toward);
  attr($("shadow-bound"), "data-priority", tone ?? level);
  const end = $("shadow-end");
  hide(end, view.touches === null);
  if (view.touches) {
    const tip = percent(at(view.bound));
    attr(end, "data-toward", toward);
    attr(end, "data-priority", "emergency");
    place(end, toward === "up" ? { top: tip, bottom: "auto" } : { top: "auto", bottom: percent(100 - at(view.bound)) });
  }
  hide($("block"), view.height === null);
  hide($("rope"), view.height === null);
  if (view.height !== null) {
    place($("block"), { top: percent(at(view.height)) });
    place($("rope"), { top: "0", height: percent(at(view.height)) });
  }
  span($("unknown-up"), view.unknownUp ? [view.height ?? 0, view.top] : null);
  span($("unknown-down"), view.unknownDown && view.height !== null ? [0, view.height] : null);
  whyUnknown($("why-up"), view.unknownUp, "above", snapshot, "crown", at, (view.top + (view.height ?? view.top / 2)) / 2);
  whyUnknown($("why-down"), view.unknownDown, "below", snapshot, "floor", at, (view.height ?? view.top / 2) / 2);
  paintFlag(view.height === null ? null : show(view.height, "length", system),
    whyNoChannel(snapshot, ["drum_counts", "block_height"]), at(view.height ?? view.top / 2));
  paintLabels(view, mast, system, at);
  return view;
}

function line(el, height, at, priority) {
  hide(el, !known(height));
  if (known(height)) place(el, { top: percent(at(height)) });
  attr(el, "data-priority", priority);
}

function whyUnknown(el, unknown, where, snapshot, name, at, middle) {
  hide(el, !unknown);
  if (!unknown) return;
  const { why } = answer(snapshot, name);
  const words = `stopping ${where} is not known`;
  if (el.dataset.shown !== words + why) {
    el.dataset.shown = words + why;
    el.replaceChildren(make("strong", "", words), why || "no answer");
  }
  place(el, { top: percent(Math.min(88, Math.max(10, at(middle)))) });
}

function paintFlag(shown, why, top = 50) {
  const el = $("height");
  flag($("flag"), "hatched", shown === null);
  const key = shown ? `${shown.text} ${shown.unit}` : why;
  if (el.dataset.shown !== key) {
    el.dataset.shown = key;
    if (shown) el.replaceChildren(shown.text, make("small", "", shown.unit));
    else el.replaceChildren(`height not known: ${why}`);
  }
  place($("flag"), { top: percent(Math.min(96, Math.max(4, top))) });
}

function paintTicks(top, system, at) {
  const box = $("ticks");
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

const say = (m, system) => {
  const { text: n, unit } = show(m, "length", system);
  return `${n} ${unit}`;
};

// paintLabels writes what the marks mean beside them, moved apart where they meet.
function paintLabels(view, mast, system, at) {
  const list = [
    ["label-crown", mast.crown_limit_m, (m) => `crown limit ${say(m, system)}`, ""],
    ["label-saver", mast.crown_saver_m, (m) => `crown saver ${say(m, system)}`, "soft"],
    ["label-floor", mast.floor_limit_m, (m) => `floor limit ${say(m, system)}`, ""],
    ["label-rest", view.noRest ? null : view.rest, (m) => `rests by ${say(m, system)}`, ""],
    ["label-bound", view.bound, (m) => (view.noRest ? "no rest point" : `latest ${say(m, system)}`),
      view.touches ? "loud" : "soft"],
  ];
  const shown = list.filter(([, m]) => known(m));
  const height = $("labels").clientHeight || 1;
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const gap = (100 * 1.6 * rem) / height;
  const tops = spread(shown.map(([, m]) => at(m)), gap, 1, 99);
  for (const [id, m, words, className] of list) {
    const el = $(id);
    const i = shown.findIndex(([other]) => other === id);
    hide(el, i < 0);
    if (i < 0) continue;
    text(el, words(m));
    if (el.className !== className) el.className = className;
    attr(el, "data-priority", className === "loud" ? "emergency" : null);
    place(el, { top: percent(tops[i]) });
  }
}
