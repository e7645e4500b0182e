import test from "node:test";
import assert from "node:assert/strict";
import { act, activity, partPriority, whyNoChannel } from "../assets/words.mjs";

const snapshot = (est, alarms = []) => ({
  mast: { crown_height_m: 44, crown_limit_m: 41, floor_limit_m: 1.5 }, estimate: { blind: "", ...est }, alarms, channels: [], answers: [],
});
const rising = { height_m: 38, velocity_mps: 2, rest_up_m: 39.5 };
const overhoist = { alarm: "overhoist", title: "Overhoist", priority: "high", active: true, response: "Set the brake." };

test("calm while there is time", () => {
  const a = act(snapshot({ ...rising, height_m: 10, rest_up_bound_m: 12, seconds_to_act: 14.2 }));
  assert.deepEqual([a.level, a.size, a.seconds], [null, 0, 14.2]);
});

test("the number grows as the time shrinks", () =>
  assert.deepEqual([12, 9, 2].map((s) => act(snapshot({ ...rising, rest_up_bound_m: 40, seconds_to_act: s })).size), [0, 1, 2]));

test("an alarm takes the middle of the page with its own words", () => {
  const a = act(snapshot({ ...rising, rest_up_bound_m: 40.2, seconds_to_act: 0.4 }, [overhoist]));
  assert.deepEqual([a.level, a.size, a.sentence], ["high", 3, "Set the brake."]);
});

test("a bound at the limit needs no alarm to be shown", () => {
  const a = act(snapshot({ ...rising, rest_up_bound_m: 41, seconds_to_act: 0 }));
  assert.deepEqual([a.level, a.side, a.size, a.seconds], ["emergency", "crown", 3, 0]);
  assert.match(a.sentence, /set the brake/);
});

test("an alarm whose condition is over does not hold the page", () =>
  assert.equal(act(snapshot({ ...rising, velocity_mps: 0, nothing_ahead: true }, [{ ...overhoist, active: false }])).size, 0));

test("the first thing to do is told apart from the rest", () => {
  const long = { ...overhoist, response: "Set the brake now. Do not wait. Clear the floor." };
  const a = act(snapshot({ ...rising, rest_up_bound_m: 40.2, seconds_to_act: 0.4 }, [long]));
  assert.deepEqual([a.sentence, a.rest], ["Set the brake now.", "Do not wait. Clear the floor."]);
});

test("a block that stands above the limit has no time to count", () => {
  const a = act(snapshot({ height_m: 43.9, velocity_mps: 0, nothing_ahead: true }, [{ ...overhoist, alarm: "crown_limit_passed", priority: "emergency" }]));
  assert.deepEqual([a.level, a.size, a.time], ["emergency", 3, ""]);
});

test("not known is not nothing ahead", () => {
  assert.equal(act(snapshot({ ...rising, rest_up_bound_m: null, seconds_to_act: null })).time, null);
  assert.equal(act(snapshot({ height_m: 10, velocity_mps: 0, nothing_ahead: true })).time, "no limit ahead");
});

test("cannot stop", () => {
  const a = act(snapshot({ height_m: 20, velocity_mps: -2, cannot_stop: true, seconds_to_act: null }));
  assert.deepEqual([a.level, a.side, a.time], ["emergency", "floor", "now"]);
});

test("reasons", () => {
  const s = snapshot({});
  assert.equal(whyNoChannel(s, ["hook_load"]), "no hook load reading");
  s.channels = [{ name: "hook_load", quality: "bad", reason: "lost" }];
  assert.equal(whyNoChannel(s, ["hook_load"]), "hook load: lost");
  assert.equal(activity("unknown"), null);
  assert.equal(partPriority(snapshot({}, [overhoist, { alarm: "blind", priority: "emergency", active: false }]), "mast"), "high");
});
