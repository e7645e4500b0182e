// What the page says, from a snapshot. No element is touched here.

import { known, number } from "./units.mjs";
import { mastView } from "./scale.mjs";
import { rank } from "./sounding.mjs";

const ACTIVITIES = {
  still: "standing still",
  raising_light: "raising, light",
  raising_loaded: "raising, loaded",
  lowering_light: "lowering, light",
  lowering_loaded: "lowering, loaded",
  in_slips: "in slips",
};

const OPERATIONS = {
  drilling: "drilling", reaming: "reaming", connection: "connection", tripping_in: "tripping in", tripping_out: "tripping out",
  slip_and_cut: "slip and cut", holding: "holding",
};

// operation says what the hoist is at, and at which stand; "" where it is not known.
export function operation(work) {
  const name = OPERATIONS[work?.operation];
  if (!name) return "";
  return `${name}${/^tripping/.test(work.operation) && work.stands > 0 ? `, stand ${work.stands}` : ""}`;
}

// activity returns null when it is not known.
export const activity = (name) => ACTIVITIES[name] ?? null;

// plain turns a snake case name into words.
export const plain = (name) => String(name ?? "").replaceAll("_", " ");

// answer returns {state, why} of one question; a question that is not in the list
// is taken as answered.
export function answer(snapshot, name) {
  const a = snapshot.answers.find((x) => x.name === name);
  return a ? { state: a.state, why: a.why } : { state: "good", why: "" };
}

// gone says which of the two stop-margin answers cannot be given.
export function gone(snapshot) {
  return { crown: answer(snapshot, "crown").state === "gone", floor: answer(snapshot, "floor").state === "gone" };
}

// whyNoChannel says why a channel gives no number.
export function whyNoChannel(snapshot, names) {
  for (const name of names) {
    const c = snapshot.channels.find((x) => x.name === name);
    if (c && (c.reason || c.quality !== "good")) return `${plain(name)}: ${c.reason || c.quality}`;
  }
  const missing = names.filter((name) => !snapshot.channels.some((x) => x.name === name));
  if (missing.length === names.length) return `no ${names.map(plain).join(" or ")} reading`;
  return "nothing to tell it by now";
}

// Alarms that ask for the brake now: these take the middle of the page.
const STOP = new Set(["overhoist", "crown_limit_passed", "floor_approach", "cannot_stop", "lowering_too_fast"]);

// act says what the driller's next seconds are about.
//
//   level     "emergency", "high", ... or null: nothing to be done now
//   side      "crown", "floor" or null
//   heading   what is happening
//   seconds   to act; null = not known or none ahead
//   size      0 (small) to 3 (the largest thing on the page)
//   time      the text in place of the number; "" = there is no time to speak of,
//             null = not known
//   sentence, rest   the first thing to do, and what comes after it
export function act(snapshot) {
  const est = snapshot.estimate;
  const view = mastView(snapshot.mast, est, gone(snapshot));
  const alarm = snapshot.alarms.filter((a) => a.active && STOP.has(a.alarm))
    .sort((a, b) => rank(b.priority) - rank(a.priority))[0];
  const seconds = known(est.seconds_to_act) ? Math.max(0, est.seconds_to_act) : null;
  let level = alarm ? alarm.priority : null;
  if (view.touches) level = "emergency";
  const side = view.touches ?? (alarm ? (view.direction === "up" ? "crown" : "floor") : null);
  const [sentence, rest] = firstSentence(alarm?.response || (view.touches ? todo(view) : ""));
  return {
    level, side, seconds, sentence, rest,
    heading: heading(view, alarm),
    size: level ? 3 : seconds === null ? 0 : seconds <= 3 ? 2 : seconds <= 10 ? 1 : 0,
    time: timeWords(est, view, seconds, level),
  };
}

function heading(view, alarm) {
  if (view.noRest) return "The brake as it is cannot stop the block";
  if (view.touches === "crown") return "The block may rest above the crown limit";
  if (view.touches === "floor") return "The block may rest below the floor limit";
  return alarm ? alarm.title : "";
}

function todo(view) {
  return view.touches === "crown" ? "Stop hoisting and set the brake now." : "Stop lowering and set the brake now.";
}

function firstSentence(words) {
  const end = words.search(/[.!](\s|$)/);
  return end < 0 ? [words, ""] : [words.slice(0, end + 1), words.slice(end + 1).trim()];
}

function timeWords(est, view, seconds, level) {
  if (seconds !== null) return null;
  if (view.touches) return "now";
  if (est.nothing_ahead || view.direction === "still") return level ? "" : "no limit ahead";
  return null;
}

// Which alarms speak of which part of the page.
const PARTS = {
  speed: ["lowering_too_fast"],
  load: ["overload"],
  heat: ["brake_hot", "brake_very_hot", "brake_heading_hot", "brake_hot_very_hot"],
  friction: ["brake_fade"],
  margin: ["brake_margin_low", "brake_creep", "brake_not_proven", "brake_pressure_low", "emergency_brake_set"],
  auxiliary: ["auxiliary_brake_weak", "auxiliary_brake_lost", "auxiliary_weak", "auxiliary_lost", "coolant_hot", "coolant_flow_low"],
  line: ["line_work_due", "line_work_over"],
  "saver-proof": ["crown_saver_not_proven", "crown_saver_tripped"],
  mast: ["overhoist", "crown_limit_passed", "floor_approach", "cannot_stop", "position_not_calibrated", "heights_disagree", "blind"],
};

// partPriority returns the highest priority of an active alarm about a part, or null.
export function partPriority(snapshot, part) {
  const about = snapshot.alarms.filter((a) => a.active && PARTS[part].includes(a.alarm));
  return about.map((a) => a.priority).sort((a, b) => rank(b) - rank(a))[0] ?? null;
}

// listed returns the alarms without those that a person has put aside: they stand in
// lists of their own.
export const listed = (alarms) => alarms.filter((a) => a.state !== "shelved" && a.state !== "out_of_service");

export const alarmTitle = (a) => (a.channel ? `${a.title}: ${plain(a.channel)}` : a.title);

// alarmReason says why an alarm stands.
export function alarmReason(a) {
  return a.reason || (known(a.value) && known(a.limit) ? `${number(a.value, 2)} against ${number(a.limit, 2)} ${a.unit}` : "");
}

// alarmState says in words where an alarm stands.
export function alarmState(a) {
  const parts = [];
  if (!a.active) parts.push("condition over");
  if (a.can_ack) parts.push("not acknowledged");
  else if (a.active || /ack/.test(a.state)) parts.push(a.acknowledged_by ? `acknowledged by ${a.acknowledged_by}` : "acknowledged");
  if (/latch/.test(a.state)) parts.push("kept until reset");
  if (a.input_bad) parts.push("input bad: held");
  if (a.hidden > 0) parts.push(`${a.hidden} under it, hidden by design`);
  if (a.chatters) parts.push("comes and goes: three times or more within a minute");
  if (a.stale) parts.push("has stood for more than 24 h");
  return parts.join(", ");
}

// shortState is alarmState for one line, where the buttons say the rest.
export function shortState(a) {
  const parts = [];
  if (!a.active) parts.push("over");
  else if (!a.can_ack) parts.push("acknowledged");
  if (a.input_bad) parts.push("input bad");
  if (a.hidden > 0) parts.push(`${a.hidden} under it`);
  if (a.chatters) parts.push("chatters");
  if (a.stale) parts.push("old");
  return parts.join(", ");
}

// sickness says in one line that the monitor itself is not well; "" where it is. sick is
// the list of sentences that say why, the worst first.
export function sickness(sick) {
  if (!sick?.length) return "";
  const more = sick.length > 1 ? ` (and ${sick.length - 1} more)` : "";
  return `Do not rely on this monitor now. ${sick[0]}${more}`;
}

export const alarmKey = (a) => `${a.alarm}|${a.channel ?? ""}|${a.occurrence}`;
