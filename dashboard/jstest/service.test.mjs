import test from "node:test";
import assert from "node:assert/strict";
import { effects, FORMS, mapVoid, read, record } from "../assets/service.mjs";
import { toSI } from "../assets/units.mjs";

const snapshot = (more = {}) => ({
  mast: { crown_limit_m: 41 }, estimate: { height_m: 18.2, velocity_mps: 0 },
  service: { crown_saver_proven: true, line_moved_ms: 1000, reference_ms: 2000, line_work_since_cut_MJ: 10240, ...more },
});

test("what a person writes comes back in the act's unit", () => {
  // 1 ft = 0.3048 m exactly, 1 lbf = 4.4482216152605 N exactly (NIST SP 811, appendix B).
  assert.equal(toSI("100", "length", "oilfield").toFixed(12), "30.480000000000");
  assert.equal(toSI("10", "force", "oilfield").toFixed(9), "44.482216153");
  assert.equal(toSI("18,4", "measured", "metric"), 18.4);
  assert.equal(toSI(" −3.5 ", "length", "metric"), -3.5);
  assert.equal(toSI("212", "temperature", "oilfield").toFixed(9), "100.000000000");
  for (const bad of ["", "x", "1e3", "1.2.3", "12 m", "Infinity", "NaN", "0x10", "1 000", "--1", "."]) assert.equal(toSI(bad, "length", "metric"), null, bad);
});

test("an entry is read whole or not at all", () => {
  for (const [name, form] of Object.entries(FORMS)) {
    const first = form.fields.find((f) => f.needed);
    const { work, wrong } = read(name, {}, "metric", snapshot());
    assert.equal(work, undefined, name);
    assert.equal(wrong, first.key, name);
  }
  assert.deepEqual(read("brake_test", { passed: "false", hook_load_kN: "1500", held_s: "" }, "metric", snapshot()).work, { passed: false, hook_load_kN: 1500 });
  assert.equal(read("brake_test", { passed: "true", hook_load_kN: "1500", held_s: "long" }, "metric", snapshot()).wrong, "held_s");
});

test("the wraps are needed after line was moved", () => {
  const moved = snapshot({ line_moved_ms: 3000 });
  assert.equal(mapVoid(moved), true);
  assert.equal(mapVoid(snapshot()), false);
  assert.equal(mapVoid(snapshot({ line_moved_ms: 0, reference_ms: 0 })), false);
  assert.equal(read("reference_set", { block_height_m: "18" }, "metric", moved).wrong, "wraps");
  assert.deepEqual(read("reference_set", { block_height_m: "18" }, "metric", snapshot()).work, { block_height_m: 18 });
});

test("the second look says the residual, and when it is much", () => {
  const say = (height, s = snapshot()) => effects("reference_set", { block_height_m: height }, s, "metric", 5000).join(" ");
  assert.match(say(18.35), /residual \+0\.15 m/);
  assert.doesNotMatch(say(18.35), /Measure again/);
  assert.doesNotMatch(say(18.7), /Measure again/); // half a metre is the boundary, inside
  assert.match(say(17.6), /residual −0\.60 m.*Measure again/);
  const blind = { ...snapshot(), estimate: { height_m: null, velocity_mps: null } };
  assert.match(say(18, blind), /no height now.*measure twice.*not known to stand still/);
  assert.doesNotMatch(say(18, blind), /residual/);
});

test("a run-on past the crown limit is said", () => {
  const say = (run) => effects("crown_saver_test", { passed: true, trip_height_m: 40, run_on_m: run }, snapshot(), "metric", 5000).join(" ");
  assert.match(say(0.5), /0\.50 m under the crown limit/);
  assert.match(say(1.2), /above the crown limit/);
  assert.match(say(0.5), /cannot be compared/);
});

test("nothing says that something is safe", () => {
  const all = Object.keys(FORMS).flatMap((name) => effects(name, { passed: true, trip_height_m: 1, run_on_m: 1, hook_load_kN: 1, length_m: 1, block_height_m: 1 }, snapshot(), "metric", 5000));
  assert.ok(all.length > 12);
  assert.doesNotMatch(all.concat(record(snapshot(), "metric", 5000).flat()).join(" "), /\bsafe\b/i);
});
