import { $, flag, hide, make, place, text, value } from "./dom.mjs";
import { paintKept, paintPace, tint } from "./paint-kept.mjs";
import { direction, fraction, niceCeil } from "./scale.mjs";
import { age, known, number, show } from "./units.mjs";
import { answer, partPriority, whyNoChannel } from "./words.mjs";

const percent = (x) => `${(100 * x).toFixed(2)}%`;
const part = (id, name) => $(id).querySelector(`.${name}`);

// paintTiles draws the numbers and their bars. extra is the age of the snapshot, s.
// now is the server's clock, ms.
export function paintTiles(snapshot, system, extra, now) {
  const heard = snapshot.newest_ms > 0 ? (snapshot.server_ms - snapshot.newest_ms) / 1000 + extra : null;
  paintSpeed(snapshot, system);
  paintLoad(snapshot, system);
  paintHeat(snapshot, system);
  paintFriction(snapshot);
  paintMargin(snapshot);
  paintAuxiliary(snapshot);
  paintKept(snapshot, system, now);
  paintPace(snapshot, system, answer(snapshot, "brake heat").state !== "gone");

  ages("speed", channelAge(snapshot, ["drum_speed", "drum_counts", "block_height"], extra));
  ages("load", channelAge(snapshot, ["hook_load"], extra));
  ages("heat", heard, "estimate, ");
  for (const id of ["speed", "load", "heat", "friction", "margin", "auxiliary", "line", "saver-proof"]) {
    tint($(id), partPriority(snapshot, id));
  }
  for (const [id, name] of [["heat", "brake heat"], ["friction", "friction"], ["margin", "brake margin"], ["auxiliary", "auxiliary"]]) {
    flag($(id), "degraded", answer(snapshot, name).state === "degraded");
  }
}

function ages(id, seconds, before = "") {
  const words = age(seconds);
  text(part(id, "age"), words === null ? "never" : `${before}${words} old`);
}

function channelAge(snapshot, names, extra) {
  const all = snapshot.channels.filter((c) => names.includes(c.name) && known(c.age_s)).map((c) => c.age_s);
  return all.length ? Math.min(...all) + extra : null;
}

function whyAnswer(snapshot, name, channels) {
  const { why } = answer(snapshot, name);
  return why || whyNoChannel(snapshot, channels);
}

// given returns a number of the estimate, or null when its answer is gone.
function given(snapshot, name, field) {
  return answer(snapshot, name).state === "gone" ? null : snapshot.estimate[field];
}

function bar(id, x, lo, hi) {
  const f = fraction(x, lo, hi);
  flag(part(id, "bar"), "hatched", f === null);
  if (f !== null) place(part(id, "fill"), { width: percent(f) });
}

function mark(id, x, lo, hi) {
  const f = fraction(x, lo, hi);
  hide(part(id, "mark"), f === null);
  if (f !== null) place(part(id, "mark"), { left: percent(f) });
  return f;
}

// ends labels a bar: its end, and the mark where there is room for the words.
function ends(id, top, at, words) {
  text(part(id, "hi"), at !== null && at > 0.45 ? "" : top);
  const el = part(id, "at");
  text(el, at === null ? "" : words);
  const half = Math.min(0.48, 0.011 * words.length); // of the bar, that the words take on each side
  if (at !== null) place(el, { left: percent(Math.min(1 - half, Math.max(0.05 + half, at))) });
}

function paintSpeed(snapshot, system) {
  const v = snapshot.estimate.velocity_mps, safe = given(snapshot, "floor", "safe_lowering_mps");
  const top = niceCeil(Math.max(2.5, known(v) ? Math.abs(v) : 0));
  const size = show(known(v) ? Math.abs(v) : null, "speed", system);
  const way = { up: " up", down: " down", still: "", unknown: "" }[direction(v)];
  value(part("speed", "value"), size.text, size.unit + way, whyNoChannel(snapshot, ["drum_speed", "drum_counts", "block_height"]));
  bar("speed", known(v) ? Math.abs(v) : null, 0, top);
  const up = direction(v) === "up"; // the limit is one of lowering
  const at = mark("speed", up ? null : safe, 0, top);
  const end = show(top, "speed", system), limit = show(safe, "speed", system);
  const words = known(safe) && safe > top ? `can stop from more than ${end.text}` : `can stop from ${limit.text}`;
  ends("speed", `${end.text} ${end.unit}`, at, words);
  if (!known(safe) && !up) {
    text(part("speed", "hi"), "");
    text(part("speed", "at"), "speed it can stop from: not known");
    place(part("speed", "at"), { left: "50%" });
  }
}

function paintLoad(snapshot, system) {
  const load = snapshot.estimate.hook_load_kN, rating = snapshot.ratings.hook_load_kN;
  const size = show(load, "force", system);
  value(part("load", "value"), size.text, size.unit, whyNoChannel(snapshot, ["hook_load"]));
  const top = known(rating) ? rating * 1.1 : niceCeil(Math.max(1000, known(load) ? load * 1.2 : 0));
  bar("load", load, 0, top);
  const at = mark("load", rating, 0, top);
  const end = show(top, "force", system), limit = show(rating, "force", system);
  ends("load", `${end.text} ${end.unit}`, at, `rating ${limit.text} ${limit.unit}`);
}

function paintHeat(snapshot, system) {
  const t = given(snapshot, "brake heat", "brake_temperature_C"), hi = given(snapshot, "brake heat", "brake_temperature_bound_C");
  const { amber_C: amber, red_C: red } = snapshot.ratings;
  const size = show(t, "temperature", system), bound = show(hi, "temperature", system);
  const column = $("heat").querySelector(".column");
  value(part("heat", "value"), size.text, size.unit, whyAnswer(snapshot, "brake heat", ["brake_pressure", "hook_load"]));
  text($("heat-bound-text"), bound.text === null ? "" : `at most ${bound.text} ${bound.unit}`);
  const hottest = Math.max(known(hi) ? hi : 0, known(t) ? t : 0);
  const top = known(red) ? Math.max(red * 1.12, hottest * 1.05) : niceCeil(Math.max(300, hottest));
  const f = fraction(t, 0, top), fb = fraction(hi, 0, top);
  flag(column, "hatched", f === null);
  if (f !== null) place($("heat-fill"), { height: percent(f) });
  hide($("heat-bound"), f === null || fb === null || fb <= f);
  if (!$("heat-bound").hidden) place($("heat-bound"), { bottom: percent(f), height: percent(fb - f) });
  const box = { top: column.offsetTop, height: column.offsetHeight };
  for (const [id, limit, words] of [["amber", amber, "amber"], ["red", red, "red"]]) {
    const at = fraction(limit, 0, top);
    hide($(id), at === null);
    hide($(`${id}-label`), at === null);
    if (at === null) continue;
    const y = `${(box.top + box.height * (1 - at)).toFixed(1)}px`;
    place($(id), { top: y });
    place($(`${id}-label`), { top: y });
    const { text: n, unit } = show(limit, "temperature", system);
    text($(`${id}-label`), `${words} ${n} ${unit}`);
  }
}

const FRICTION_TOP = 1.3, MARGIN_TOP = 4;

function paintFriction(snapshot) {
  const [f, lo, hi] = ["friction_factor", "friction_low", "friction_high"].map((field) => given(snapshot, "friction", field));
  const interval = known(lo) && known(hi) ? `${number(lo, 2)} to ${number(hi, 2)}` : "";
  small("friction", known(f) ? number(f, 2) : null, interval, whyAnswer(snapshot, "friction", ["brake_pressure"]));
  flag(part("friction", "bar"), "hatched", !known(f));
  mark("friction", f, 0, FRICTION_TOP);
  const a = fraction(lo, 0, FRICTION_TOP), b = fraction(hi, 0, FRICTION_TOP);
  hide(part("friction", "interval"), a === null || b === null);
  if (a !== null && b !== null) place(part("friction", "interval"), { left: percent(a), width: percent(b - a) });
}

function paintMargin(snapshot) {
  const m = given(snapshot, "brake margin", "brake_margin"), low = snapshot.ratings.margin;
  const shown = known(m) ? (m > MARGIN_TOP * 2.5 ? "over 10" : number(m, 1)) : null;
  small("margin", shown, known(low) ? `× the load; low under ${number(low, 1)}` : "× the load", whyAnswer(snapshot, "brake margin", ["hook_load"]));
  bar("margin", m, 0, MARGIN_TOP);
  mark("margin", low, 0, MARGIN_TOP);
}

function paintAuxiliary(snapshot) {
  const share = given(snapshot, "auxiliary", "auxiliary_share");
  const shown = known(share) ? number(100 * share, 0) : null;
  small("auxiliary", shown, "% of braking", whyAnswer(snapshot, "auxiliary", ["auxiliary_current"]));
  bar("auxiliary", share, 0, 1);
}

// small is value() for a row: the unit in small letters; a row that is not known
// gives its bar's place to the reason.
function small(id, shown, unit, why) {
  const el = part(id, "value");
  value(el, shown, "", why);
  if (shown !== null) {
    if (!el.querySelector("small")) el.append(make("small", "", unit));
    else text(el.querySelector("small"), unit);
  }
  if (part(id, "bar")) hide(part(id, "bar"), shown === null);
}
