// Entries in the service log: what each asks for, and what it will change. No element
// is touched here.

import { direction } from "./scale.mjs";
import { known, show, toSI, when } from "./units.mjs";

// A field has the act's own key (its name says the unit in which it is sent), words, a
// quantity for the person's unit, and whether it is needed.
const field = (key, words, quantity, needed) => ({ key, words, quantity, needed });
const PASSED = { key: "passed", words: "Result", choice: [["passed", true], ["failed", false]], needed: true };

export const FORMS = {
  crown_saver_test: {
    title: "Crown saver proof test",
    hint: "Empty block, slowly, as the rig's own procedure says. Enter what was measured.",
    fields: [PASSED, field("trip_height_m", "It tripped with the block at", "measured", true),
      field("run_on_m", "The block ran on by", "measured", true), field("speed_mps", "Speed at the trip", "speed", false)],
  },
  brake_test: {
    title: "Holding test of the brake",
    hint: "Enter the load that the service brake held, or did not hold.",
    fields: [PASSED, field("hook_load_kN", "Load on the hook", "force", true),
      field("pressure_MPa", "Pressure applied", "pressure", false), field("held_s", "Held for", "time", false)],
  },
  line_slipped: {
    title: "Line slipped",
    hint: "Enter it as soon as line was slipped: heights counted from the drum are wrong until a reference is set.",
    fields: [field("length_m", "Length slipped", "measured", true)],
  },
  line_cut: {
    title: "Line cut",
    hint: "Enter the length cut off. A slip before it counts with it.",
    fields: [field("length_m", "Length cut", "measured", true)],
  },
  reference_set: {
    title: "Calibrate by hand",
    hint: "Bring the block to rest at a height that you can measure, and enter that height above the floor.",
    fields: [field("block_height_m", "Height of the block, measured", "measured", true),
      field("hook_load_kN", "Load on the hook, if it differs from the reading", "force", false),
      field("wraps", "Wraps on the drum, dead wraps included", "count", false)],
  },
};

const UNITLESS = { time: "s", count: "wraps" };

export const unitOf = (quantity, system) => UNITLESS[quantity] ?? show(0, quantity, system).unit;

// mapVoid tells whether line was slipped or cut since the last reference: the wraps
// are needed then.
export const mapVoid = (s) => s.service.line_moved_ms > 0 && s.service.line_moved_ms >= (s.service.reference_ms ?? 0);

// read turns what was written into the act's work, or says what is wrong with it.
export function read(name, written, system, snapshot) {
  const work = {};
  for (const f of FORMS[name].fields) {
    const text = String(written[f.key] ?? "").trim();
    const needed = f.needed || (f.key === "wraps" && mapVoid(snapshot));
    if (text === "") {
      if (needed) return { wrong: f.key, why: `${f.words}: nothing is entered${f.key === "wraps" ? ", and line was slipped or cut since the last reference" : ""}` };
      continue;
    }
    if (f.choice) {
      work[f.key] = text === "true";
      continue;
    }
    const x = UNITLESS[f.quantity] ? toSI(text, "plain", system) : toSI(text, f.quantity, system);
    if (x === null) return { wrong: f.key, why: `${f.words}: “${text}” is not a number` };
    work[f.key] = x;
  }
  return { work };
}

// effects says, one sentence each, what an entry will change, as of snapshot.
export function effects(name, work, snapshot, system, now) {
  const say = (x, quantity, signed) => {
    const { text, unit } = show(x, quantity, system);
    return `${signed && x > 0 ? "+" : ""}${text} ${unit}`;
  };
  switch (name) {
    case "crown_saver_test": return crownSaver(work, snapshot, say);
    case "brake_test": return [
      `The holding test goes on record as ${work.passed ? "passed" : "failed"}, at ${say(work.hook_load_kN, "force")}.`,
      work.passed ? "The alarm that a holding test is due ends, if it stands." : "An alarm is raised: the brake's holding test failed.",
      "Friction health is judged by the readings as before."];
    case "line_slipped": case "line_cut": return lineMoved(name, work, snapshot, say);
  }
  return reference(work, snapshot, say, now);
}

function crownSaver(work, s, say) {
  const list = [work.passed
    ? "The crown saver counts as proven until the test is due again, or line is slipped or cut."
    : "The crown saver counts as not proven, and an alarm says so."];
  const reach = work.trip_height_m + work.run_on_m, limit = s.mast.crown_limit_m;
  list.push(`The block came to rest at ${say(reach, "measured")}: ${reach > limit ? `above the crown limit of ${say(limit, "measured")}. Look at that before you enter it as passed` : `${say(limit - reach, "measured")} under the crown limit`}.`);
  list.push(known(work.speed_mps) ? "The run-on is compared with what the monitor would have predicted at that speed." : "Without a speed the run-on cannot be compared with a prediction.");
  return list;
}

function lineMoved(name, work, s, say) {
  return [
    `${say(work.length_m, "measured")} of line ${name === "line_cut" ? "cut" : "slipped"} goes on record.`,
    "The drum-wrap map becomes void: heights from the drum are not used until a reference is set. Stopping towards crown and floor is answered less well, or not at all.",
    "The crown saver counts as not proven until it is tested again.",
    name === "line_cut" ? `The line's work, now ${say(s.service.line_work_since_cut_MJ, "work")}, starts again from nothing.` : "The line's work since the cut goes on being counted.",
  ];
}

// LARGE is a residual, m, that asks for a second measurement rather than a second look.
// Chosen here: half a metre is far beyond what a height sensor or the drum drifts in a tour.
const LARGE = 0.5;

function reference(work, s, say, now) {
  const list = [], height = s.estimate.height_m, entered = work.block_height_m;
  if (known(height)) {
    const residual = entered - height;
    list.push(`The monitor has the block at ${say(height, "measured")} now, you enter ${say(entered, "measured")}: residual ${say(residual, "measured", true)}.`);
    list.push(`Every height, and the room to the crown and the floor, moves by ${say(residual, "measured", true)}.`);
    if (!(Math.abs(residual) <= LARGE)) list.push("That is much. Measure again before you confirm: a wrong reference misplaces every stop.");
  } else list.push(`The monitor has no height now; it would start from ${say(entered, "measured")}. There is nothing to compare your figure with: measure twice.`);
  if (direction(s.estimate.velocity_mps) !== "still") list.push("The block is not known to stand still: the monitor refuses a reference while it moves.");
  list.push(mapVoid(s) ? `The drum-wrap map stands again, on ${work.wraps} wraps.` : known(work.wraps) ? `The drum is taken to hold ${work.wraps} wraps.` : "The wraps on the drum follow from its geometry.");
  if (s.service.reference_ms > 0) list.push(`It replaces the reference of ${when(s.service.reference_ms, now)}${s.service.reference_by ? ` by ${s.service.reference_by}` : ""}.`);
  if (!s.service.crown_saver_proven) list.push("The crown saver still counts as not proven: test it.");
  return list;
}

// record lists what the log comes to: [what, in words] each.
export function record(s, system, now) {
  const k = s.service;
  const say = (x, quantity) => {
    const { text, unit } = show(x, quantity, system);
    return `${text} ${unit}`;
  };
  const on = (ms, by) => (ms > 0 ? `${when(ms, now)}${by ? ` by ${by}` : ""}` : "not on record");
  const ran = known(k.run_on_m) ? `; ran on ${say(k.run_on_m, "measured")}${known(k.run_on_predicted_m)
    ? `, predicted ${say(k.run_on_predicted_m, "measured")}, ${say(k.run_on_bound_m, "measured")} at most${k.run_on_m > k.run_on_bound_m ? ": longer than predicted, look for the cause" : ""}` : ""}` : "";
  return [
    ["Crown saver", `${k.crown_saver_proven ? "proven" : `not proven: ${k.crown_saver_why || "nothing is on record"}`}. Newest test ${on(k.crown_saver_test_ms, k.crown_saver_test_by)}${ran}.`],
    ["Brake, holding test", k.brake_test_ms > 0 ? `${k.brake_test_passed ? "passed" : "FAILED"} ${when(k.brake_test_ms, now)}.` : "not on record."],
    ["Line", `moved ${on(k.line_moved_ms)}, cut ${on(k.line_cut_ms)}; ${known(k.line_work_since_cut_MJ) ? say(k.line_work_since_cut_MJ, "work") : "work not known"} since, goal ${known(k.line_work_goal_MJ) ? say(k.line_work_goal_MJ, "work") : "not stated"}.`],
    ["Reference", `${mapVoid(s) ? "void since line was slipped or cut. Last set " : "set "}${on(k.reference_ms, k.reference_by)}.`],
  ];
}
