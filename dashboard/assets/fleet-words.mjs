// What the page of all rigs says, from tiles and lists of alarms. No element is touched here.

import { rank } from "./sounding.mjs";
import { age, known, show } from "./units.mjs";
import { activity, alarmKey } from "./words.mjs";

const FAR = 30; // s; an end that is further away calls for nobody yet

// silence is how old, ms, the newest reading of a tile or a snapshot may be.
export const silence = (of) => Math.max(2000, of?.silence_ms ?? 0);

// tileView says what a tile shows. now is the server's clock, ms; tile is null where
// nothing has been heard of the rig.
//
//   live     its newest reading is young enough
//   age      of that reading, in words; says so where there is none
//   time     {number, unit} to act; null = no number
//   words    in its place
//   unknown  it is not known
//   size     0 to 3: how large the time is
export function tileView(tile, now, system) {
  const ms = tile && tile.newest_ms > 0 ? Math.max(0, now - tile.newest_ms) : null;
  const live = ms !== null && ms <= silence(tile);
  const heard = ms === null ? "nothing heard" : age(ms / 1000);
  if (!live) {
    return { live, age: heard, doing: "", time: null, words: ms === null ? "nothing heard yet" : "no reading", unknown: false, size: 0, brake: null, blind: "" };
  }
  const doing = activity(tile.activity) ?? "activity not known";
  const heat = show(tile.brake_temperature_bound_C, "temperature", system);
  const brake = heat.text === null ? null : `brake to ${heat.text} ${heat.unit}`;
  const blind = tile.blind ? `blind: ${tile.blind === "both" ? "crown and floor" : tile.blind}` : "";
  const common = { live, age: heard, doing, brake, blind, unknown: false };
  if (tile.cannot_stop) return { ...common, time: null, words: "cannot stop", size: 2 };
  if (known(tile.seconds_to_act)) {
    const s = Math.max(0, tile.seconds_to_act);
    if (s > FAR) return { ...common, time: null, words: `over ${FAR} s to act`, size: 0 };
    return { ...common, time: { number: s < 10 ? s.toFixed(1) : s.toFixed(0), unit: "s to act" }, words: "", size: s <= 1.5 ? 3 : s <= 5 ? 2 : s <= 10 ? 1 : 0 };
  }
  if (tile.nothing_ahead) return { ...common, time: null, words: "no limit ahead", size: 0 };
  if (blind) return { ...common, doing: activity(tile.activity) ?? "", time: null, words: "", size: 0 };
  return { ...common, time: null, words: "time to act not known", unknown: true, size: 0 };
}

// heatBar places the brake's bound and its limits on a bar of 0 to 1.15 times red;
// null where that cannot be said.
export function heatBar(tile) {
  const red = tile?.red_C, at = (x) => (known(x) && known(red) && red > 0 ? Math.min(1, Math.max(0, x / (1.15 * red))) : null);
  return { fill: at(tile?.brake_temperature_bound_C), amber: at(tile?.amber_C), red: at(red) };
}

const STOP = new Set(["overhoist", "crown_limit_passed", "floor_approach", "cannot_stop", "lowering_too_fast"]);

// stopLevel is the priority of the alarm that asks for the brake, or null.
export const stopLevel = (tile) => (tile && STOP.has(tile.alarm) ? tile.priority : null);

// entries lists the alarms of all rigs that filters let through, those that a person has
// not seen first, then the most urgent, then the newest.
//
//   lists    by rig: {standing, shelved, out_of_service, elsewhere}
//   filters  {rig, least, unseen, aside}
export function entries(lists, filters) {
  const all = [];
  for (const [rig, list] of lists) {
    if (filters.rig && rig !== filters.rig) continue;
    const from = filters.aside ? [...(list.shelved ?? []), ...(list.out_of_service ?? [])] : list.standing ?? [];
    for (const a of from) {
      if (rank(a.priority) < rank(filters.least)) continue;
      if (filters.unseen && !a.can_ack) continue;
      all.push({ rig, elsewhere: Boolean(list.elsewhere), aside: filters.aside, key: `${rig}|${alarmKey(a)}|${a.until_ms ?? ""}`, ...a });
    }
  }
  return all.sort((a, b) => Boolean(b.can_ack) - Boolean(a.can_ack) || rank(b.priority) - rank(a.priority) ||
    (b.since_ms ?? 0) - (a.since_ms ?? 0) || (a.key < b.key ? -1 : 1));
}

// steady puts next into the order that is shown while somebody points at the list: what
// stays keeps its place, what is new comes last.
export function steady(shown, next, held) {
  if (!held) return next;
  const place = new Map(shown.map((key, i) => [key, i]));
  return next.map((x, i) => ({ x, at: place.get(x.key) ?? shown.length + i })).sort((a, b) => a.at - b.at).map(({ x }) => x);
}

// why says in one line what is behind an alarm, and for how long.
export function why(a, now) {
  if (a.aside) {
    const until = a.until_ms > 0 ? `for ${age((a.until_ms - now) / 1000)} more` : "until it is returned";
    return `${a.until_ms > 0 ? "shelved" : "out of service"} by ${a.person}, ${until}: ${a.reason}`;
  }
  if (a.elsewhere) return a.hidden > 0 ? `and ${a.hidden} more: open the rig to see them` : "open the rig to acknowledge it";
  const parts = [`for ${age((now - a.since_ms) / 1000)}`];
  if (!a.active) parts.push("condition over");
  if (a.acknowledged_by) parts.push(`seen by ${a.acknowledged_by}`);
  if (a.input_bad) parts.push("input bad: held");
  if (a.hidden > 0) parts.push(`${a.hidden} under it`);
  if (a.reason) parts.push(a.reason);
  return parts.join(", ");
}

// Hold is the time in which nothing moves, so that what is under a finger stays there.
const HOLD = 3000; // ms after the last touch
const HOLD_AT_MOST = 20000; // ms in all: a hand that lies on the mouse does not hide who needs help

export class Hold {
  #first = -Infinity;
  #last = -Infinity;

  touch(mono) {
    if (mono - this.#last > HOLD) this.#first = mono;
    this.#last = mono;
  }

  held(mono) {
    return mono - this.#last <= HOLD && mono - this.#first <= HOLD_AT_MOST;
  }
}
