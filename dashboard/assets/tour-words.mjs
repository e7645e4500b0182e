// What the tour-change page says of a rig. No element is touched here.

import { age, known, show } from "./units.mjs";
import { plain } from "./words.mjs";

const DAY = 86400000; // ms

const ago = (ms, now) => (ms > 0 ? `${age((now - ms) / 1000)} ago` : "not on record");

// due lists what somebody should do, each {words, now}: now is whether it is due already.
export function due(s, now, system) {
  const k = s.service ?? {}, list = [];
  if (!k.crown_saver_proven) list.push({ words: `Crown saver not proven: ${k.crown_saver_why || "no passing test on record"}`, now: true });
  else list.push({ words: `Crown saver proven ${ago(k.crown_saver_test_ms, now)}${k.crown_saver_test_by ? ` by ${k.crown_saver_test_by}` : ""}`, now: false });
  list.push({ words: `Brake holding test ${ago(k.brake_test_ms, now)}${k.brake_test_ms > 0 && !k.brake_test_passed ? ": not passed" : ""}`, now: !(k.brake_test_ms > 0) || !k.brake_test_passed });
  const work = show(k.line_work_since_cut_MJ, "work", system), goal = show(k.line_work_goal_MJ, "work", system);
  const part = known(k.line_work_since_cut_MJ) && k.line_work_goal_MJ > 0 ? k.line_work_since_cut_MJ / k.line_work_goal_MJ : null;
  list.push({
    words: work.text === null ? "Line work since the cut is not known" :
      `Line work since the cut ${work.text} ${work.unit}${goal.text === null ? ", no goal stated" : `, ${Math.round(100 * (part ?? 0))} % of ${goal.text} ${goal.unit}`}`,
    now: part === null ? goal.text !== null : part >= 0.9,
  });
  list.push({ words: `Height reference ${ago(k.reference_ms, now)}${k.reference_by ? ` by ${k.reference_by}` : ""}`, now: !(k.reference_ms > 0) });
  for (const a of s.answers ?? []) {
    if (a.state !== "good") list.push({ words: `${plain(a.name)}: ${a.state === "gone" ? "cannot be told" : "told with less certainty"}${a.why ? `: ${a.why}` : ""}`, now: a.state === "gone" });
  }
  for (const c of s.channels ?? []) {
    if (c.quality !== "good") list.push({ words: `Reading ${plain(c.name)}: ${c.reason || c.quality}`, now: c.quality === "bad" });
  }
  return list.sort((a, b) => b.now - a.now);
}

// putAside says who has put an alarm aside, for how long and why.
export function putAside(a, now) {
  const until = a.until_ms > 0 ? `for ${age((a.until_ms - now) / 1000)} more` : "until it is returned";
  return `${a.until_ms > 0 ? "shelved" : "out of service"} by ${a.person}, ${until}: ${a.reason}${a.active ? " (its condition is present)" : ""}`;
}

const WORDS = {
  raised: "raised", cleared: "over", acknowledged: "acknowledged", reset: "reset", silenced: "silenced", worsened: "became more urgent",
  eased: "became less urgent", input_bad: "input bad", input_back: "input back", shelved: "shelved", unshelved: "taken off the shelf",
  suppressed: "hidden by design", unsuppressed: "shown again", out_of_service: "taken out of service", returned_to_service: "returned to service",
  refused: "an act was refused", limit_changed: "a limit was changed", clock_jumped: "the clock was set", journal_break: "the journal has a break",
  proof_tested: "proof test", line_serviced: "line slipped or cut", reference_set: "height reference set",
};

// What a tour change leaves out unless asked: it tells of the alarms' own workings.
const QUIET = new Set(["input_bad", "input_back", "suppressed", "unsuppressed", "silenced", "eased"]);

// story returns the entries of one rig, newest first, as {ms, what, alarm, who, why}.
export function story(events, rig, every) {
  return events.filter((e) => e.rig === rig && (every || !QUIET.has(e.event))).reverse().map((e) => ({
    ms: Date.parse(e.time), what: WORDS[e.event] ?? plain(e.event), priority: e.priority,
    alarm: e.alarm ? `${plain(e.alarm)}${e.channel ? `, ${plain(e.channel)}` : ""}` : "", who: e.person ?? "", why: e.reason ?? "",
  }));
}

// clockAt writes an instant as local day and time; the day only where it is not today.
export function clockAt(ms, now, offset) {
  const two = (n) => String(n).padStart(2, "0");
  const d = new Date(ms + offset * 60000), today = new Date(now + offset * 60000);
  const time = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}:${two(d.getUTCSeconds())}`;
  const same = Math.floor(d.getTime() / DAY) === Math.floor(today.getTime() / DAY);
  return same ? time : `${d.getUTCFullYear()}-${two(d.getUTCMonth() + 1)}-${two(d.getUTCDate())} ${time}`;
}
