import test from "node:test";
import assert from "node:assert/strict";
import { entries, heatBar, Hold, steady, stopLevel, tileView, why } from "../assets/fleet-words.mjs";
import { clockAt, due, putAside, story } from "../assets/tour-words.mjs";

const now = 1_800_000_000_000;
const tile = (more) => ({ rig: "r", newest_ms: now - 100, activity: "still", nothing_ahead: true, brake_temperature_bound_C: 100, amber_C: 250, red_C: 350, blind: "", ...more });

test("two seconds without a reading, to the millisecond, and nothing is believed", () => {
  assert.equal(tileView(tile({ newest_ms: now - 2000 }), now, "metric").live, true);
  const lost = tileView(tile({ newest_ms: now - 2001, seconds_to_act: 3, nothing_ahead: false }), now, "metric");
  assert.deepEqual([lost.live, lost.time, lost.words, lost.brake, lost.doing], [false, null, "no reading", null, ""]);
  assert.equal(tileView(tile({ newest_ms: now - 15000, silence_ms: 15000 }), now, "metric").live, true, "a rig that reports every five seconds");
  assert.equal(tileView(tile({ newest_ms: now - 15001, silence_ms: 15000 }), now, "metric").live, false);
  assert.equal(tileView(null, now, "metric").words, "nothing heard yet");
  assert.equal(tileView(tile({ newest_ms: NaN }), now, "metric").live, false);
});

test("time to act: its size, its end, and what is not known", () => {
  const of = (more) => tileView(tile({ nothing_ahead: false, ...more }), now, "metric");
  assert.deepEqual([12, 9.96, 4.04, 0, -1].map((s) => { const v = of({ seconds_to_act: s }); return [v.time.number, v.size]; }),
    [["12", 0], ["10.0", 1], ["4.0", 2], ["0.0", 3], ["0.0", 3]]);
  assert.equal(of({ seconds_to_act: 31 }).words, "over 30 s to act");
  assert.deepEqual([of({}).unknown, of({}).words], [true, "time to act not known"]);
  assert.deepEqual([of({ blind: "both" }).unknown, of({ blind: "both" }).blind], [false, "blind: crown and floor"]);
  assert.deepEqual([of({ cannot_stop: true }).words, of({ cannot_stop: true }).size], ["cannot stop", 2]);
});

test("brake heat in the person's units; 100 degC = 212 degF", () => {
  assert.equal(tileView(tile(), now, "metric").brake, "brake to 100 °C");
  assert.equal(tileView(tile(), now, "oilfield").brake, "brake to 212 °F");
  assert.equal(tileView(tile({ brake_temperature_bound_C: null }), now, "metric").brake, null);
});

test("the heat bar ends beyond red, and is not drawn without it", () => {
  const bar = heatBar(tile({ brake_temperature_bound_C: 175 }));
  assert.ok(Math.abs(bar.red - 1 / 1.15) < 1e-12 && Math.abs(bar.fill - 0.5 / 1.15) < 1e-12 && bar.amber < bar.red);
  assert.equal(heatBar(tile({ brake_temperature_bound_C: 900 })).fill, 1);
  assert.deepEqual(heatBar(tile({ red_C: null })), { fill: null, amber: null, red: null });
});

test("only an alarm that asks for the brake colours the shadow", () =>
  assert.deepEqual([stopLevel(tile({ alarm: "overhoist", priority: "high" })), stopLevel(tile({ alarm: "brake_hot", priority: "high" })), stopLevel(null)], ["high", null, null]));

const alarm = (name, priority, more) => ({ alarm: name, title: name, priority, occurrence: 1, active: true, can_ack: true, since_ms: now - 5000, ...more });
const lists = new Map([
  ["a", { standing: [alarm("low", "low"), alarm("seen", "emergency", { can_ack: false })], shelved: [{ alarm: "s", title: "s", priority: "medium", person: "P", reason: "work", until_ms: now + 60000 }], out_of_service: [] }],
  ["b", { standing: [alarm("new", "high", { since_ms: now - 1 }), alarm("old", "high", { since_ms: now - 9 })], shelved: [], out_of_service: [] }],
  ["c", { elsewhere: true, standing: [alarm("far", "high", { can_ack: undefined, hidden: 2 })], shelved: [], out_of_service: [] }],
]);
const names = (filters) => entries(lists, { rig: "", least: "low", unseen: false, aside: false, ...filters }).map((a) => a.alarm);

test("what nobody has seen first, then the most urgent, then the newest", () =>
  assert.deepEqual(names({}), ["new", "old", "low", "seen", "far"]));

test("each filter, and two together", () => {
  assert.deepEqual(names({ rig: "a" }), ["low", "seen"]);
  assert.deepEqual(names({ least: "high" }), ["new", "old", "seen", "far"]);
  assert.deepEqual(names({ unseen: true }), ["new", "old", "low"]);
  assert.deepEqual(names({ aside: true }), ["s"]);
  assert.deepEqual(names({ rig: "a", unseen: true }), ["low"]);
});

test("held, what is shown keeps its place and what is new comes last", () => {
  const shown = ["x", "y", "z"], next = ["n", "z", "x"].map((key) => ({ key }));
  assert.deepEqual(steady(shown, next, true).map((a) => a.key), ["x", "z", "n"]);
  assert.deepEqual(steady(shown, next, false).map((a) => a.key), ["n", "z", "x"]);
});

test("the hold ends three seconds after the last touch, and after twenty in all", () => {
  const h = new Hold();
  assert.equal(h.held(0), false);
  h.touch(1000);
  assert.deepEqual([h.held(4000), h.held(4001)], [true, false]);
  for (let t = 10000; t <= 40000; t += 500) h.touch(t);
  assert.deepEqual([h.held(30000), h.held(30001), h.held(40000)], [true, false, false]);
});

test("why an alarm stands, in words", () => {
  const [far] = entries(lists, { rig: "c", least: "low" });
  assert.equal(why(far, now), "and 2 more: open the rig to see them");
  assert.equal(why({ ...alarm("x", "low", { active: false, acknowledged_by: "P", reason: "late" }) }, now), "for 5.0 s, condition over, seen by P, late");
  assert.equal(why({ ...lists.get("a").shelved[0], aside: true }, now), "shelved by P, for 60 s more: work");
});

test("what is due is told first; a test that never was, is", () => {
  const s = { service: { crown_saver_proven: false, crown_saver_why: "line was cut", brake_test_ms: now - 3600000, brake_test_passed: true, line_work_since_cut_MJ: 90, line_work_goal_MJ: 100, reference_ms: 0 },
    answers: [{ name: "crown", state: "gone", why: "not calibrated" }], channels: [{ name: "hook_load", quality: "bad", reason: "lost" }, { name: "drum_speed", quality: "good", reason: "" }] };
  const list = due(s, now, "metric");
  assert.deepEqual(list.filter((d) => d.now).map((d) => d.words), ["Crown saver not proven: line was cut", "Line work since the cut 90 MJ, 90 % of 100 MJ",
    "Height reference not on record", "crown: cannot be told: not calibrated", "Reading hook load: lost"]);
  assert.deepEqual(list.filter((d) => !d.now).map((d) => d.words), ["Brake holding test 60 min ago"]);
  assert.ok(due({ service: { line_work_since_cut_MJ: null } }, now, "metric").some((d) => d.words === "Line work since the cut is not known"));
});

test("put aside, by whom and for how long", () =>
  assert.equal(putAside({ person: "P", reason: "work", until_ms: 0, active: true }, now), "out of service by P, until it is returned: work (its condition is present)"));

test("the story of one rig is newest first and leaves out the alarms' own workings", () => {
  const at = (event, rig, time) => ({ event, rig, time, alarm: "brake_hot", priority: "high" });
  const events = [at("raised", "a", "2026-11-24T06:00:00Z"), at("raised", "b", "2026-11-24T06:01:00Z"), at("input_bad", "a", "2026-11-24T06:02:00Z"), at("acknowledged", "a", "2026-11-24T06:03:00Z")];
  assert.deepEqual(story(events, "a", false).map((e) => e.what), ["acknowledged", "raised"]);
  assert.deepEqual(story(events, "a", true).map((e) => e.what), ["acknowledged", "input bad", "raised"]);
});

test("the day stands beside the time where it is another", () => {
  const noon = Date.UTC(2026, 10, 24, 12);
  assert.equal(clockAt(noon - 3600000, noon, 60), "12:00:00");
  assert.equal(clockAt(noon - 86400000, noon, 60), "2026-11-23 13:00:00");
});
