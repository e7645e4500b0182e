import { $, attr, flag, glyph, hide, make, place, text } from "./dom.mjs";
import { fraction } from "./scale.mjs";
import { convert, known, number, show, when } from "./units.mjs";

// paintKept draws what the service log comes to: the line's work to its goal and the
// crown saver's proof. now is the server's clock, ms.
export function paintKept(snapshot, system, now) {
  const k = snapshot.service;
  const work = show(k.line_work_since_cut_MJ, "work", system), goal = convert(k.line_work_goal_MJ, "work", system);
  const row = $("line");
  const part = known(k.line_work_since_cut_MJ) && known(k.line_work_goal_MJ) && k.line_work_goal_MJ > 0 ? k.line_work_since_cut_MJ / k.line_work_goal_MJ : null;
  hide(row.querySelector(".bar"), part === null);
  if (part !== null) {
    place(row.querySelector(".fill"), { width: `${(100 * (fraction(part, 0, 1.2) ?? 0)).toFixed(2)}%` });
    place(row.querySelector(".mark"), { left: `${(100 / 1.2).toFixed(2)}%` });
  }
  const since = k.line_cut_ms > 0 ? "since the cut" : "no cut on record";
  line(row.querySelector(".value"), part === null ? `${work.text} ${work.unit}` : `${k.line_cut_ms > 0 ? "" : "≥ "}${number(100 * part, 0)} %`,
    part === null ? `${since}; no goal stated` : `of ${number(goal.value, 0)} ${goal.unit}`);
  attr(row, "title", k.line_cut_ms > 0 ? null : "no cut is on record: what the line did before is not known");
  proof(k, now);
}

function line(el, big, small) {
  const key = `${big}|${small}`;
  if (el.dataset.shown === key) return;
  el.dataset.shown = key;
  el.replaceChildren(make("span", "num", big), make("small", "", small));
}

function proof(k, now) {
  const el = $("proof");
  flag(el, "unproven", !k.crown_saver_proven);
  text(el, k.crown_saver_proven
    ? `proven ${when(k.crown_saver_test_ms, now)}${k.crown_saver_test_by ? ` by ${k.crown_saver_test_by}` : ""}`
    : `not proven: ${k.crown_saver_why || "nothing is on record"}`);
}

// stands rounds down: who goes by it stops a stand early, not late.
function stands(n) {
  const whole = Math.floor(n + 1e-9);
  return whole < 1 ? "less than a stand" : whole === 1 ? "1 stand" : `${whole} stands`;
}

// paintPace says where the brake's heat goes if the stands go on as the last ones.
export function paintPace(snapshot, system, given) {
  const w = snapshot.work, el = $("pace").querySelector(".value");
  const settles = show(w.brake_settles_C, "temperature", system);
  let big = null, small = "";
  const above = (limit) => known(limit) && snapshot.estimate.brake_temperature_bound_C >= limit;
  if (!given) small = "brake heat is not known";
  else if (above(snapshot.ratings.red_C)) big = "above red now";
  else if (above(snapshot.ratings.amber_C)) {
    big = "above amber now";
    small = known(w.stands_to_red) ? `red in ${stands(w.stands_to_red)}` : w.never_red ? "red not reached at this pace" : "";
  }
  else if (known(w.stands_to_amber)) {
    big = `amber in ${stands(w.stands_to_amber)}`;
    small = known(w.stands_to_red) ? `red in ${stands(w.stands_to_red)}` : w.never_red ? "red not reached" : "";
  } else if (w.never_amber) {
    big = "stays under amber";
    small = settles.text === null ? "" : `settles at ${settles.text} ${settles.unit}`;
  } else small = "not known: too few stands alike";
  flag(el, "hatched", !given);
  line(el, big ?? "", small);
}

// tint marks a part as the one that an alarm is about, with its colour and shape.
export function tint(el, priority) {
  attr(el, "data-priority", priority);
  const title = el.querySelector("h2");
  const drawn = title.querySelector(".glyph");
  if ((drawn?.dataset.priority ?? null) === priority) return;
  drawn?.remove();
  if (priority) {
    const svg = glyph(priority);
    svg.dataset.priority = priority;
    title.append(svg);
  }
}
