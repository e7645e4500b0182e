import assert from "node:assert/strict";
import { test } from "node:test";
import { advance, fit, follow, interleave, marks, occurrences, parseTime, rowAt, timeTicks, utc, zoom } from "../assets/replay-time.mjs";

const whole = { from: 0, to: 100000 };

test("a window stays within the recording and does not vanish", () => {
  assert.deepEqual(fit({ from: -500, to: 9500 }, whole), { from: 0, to: 10000 });
  assert.deepEqual(fit({ from: 95000, to: 105000 }, whole), { from: 90000, to: 100000 });
  assert.deepEqual(fit({ from: 50000, to: 50001 }, whole), { from: 50000, to: 50500 });
  assert.deepEqual(fit({ from: -1e9, to: 1e9 }, whole), whole);
});

test("zoom keeps what stands at the cursor in its place", () => {
  const view = { from: 20000, to: 60000 }, at = 30000;
  const next = zoom(view, 0.5, at, whole);
  assert.equal((at - next.from) / (next.to - next.from), (at - view.from) / (view.to - view.from));
});

test("the window follows the cursor when it leaves", () => {
  const view = { from: 20000, to: 30000 };
  assert.equal(follow(view, 25000, whole, true), view);
  assert.deepEqual(follow(view, 40000, whole, true), { from: 39000, to: 49000 });
  assert.deepEqual(follow(view, 40000, whole, false), { from: 35000, to: 45000 });
});

test("playing goes by the screen's time and ends at the end", () => {
  assert.deepEqual(advance(1000, 20, 60, whole), { at: 2200, over: false });
  assert.deepEqual(advance(1000, 20, 0.1, whole), { at: 1002, over: false });
  assert.deepEqual(advance(99990, 20, 1, whole), { at: 100000, over: true });
  assert.equal(advance(0, 60000, 1, whole).at, 250); // a tab that slept
});

test("the row at a time is the one at or before it", () => {
  assert.deepEqual([5, 10, 15, 20, 99].map((t) => rowAt([10, 20], t)), [-1, 0, 0, 1, 1]);
});

test("times as people write them", () => {
  const base = Date.UTC(2026, 10, 24, 5);
  assert.equal(parseTime("12:30", base), Date.UTC(2026, 10, 24, 12, 30));
  assert.equal(parseTime(" 12:30:15.2 ", base), Date.UTC(2026, 10, 24, 12, 30, 15, 200));
  assert.equal(parseTime("2026-11-24T12:30:00+01:00", base), Date.UTC(2026, 10, 24, 11, 30));
  assert.equal(parseTime("", base), null);
  for (const bad of ["25:00", "12", "noon", "12:61x"]) assert.ok(Number.isNaN(parseTime(bad, base)), bad);
  assert.equal(utc(Date.UTC(2026, 10, 24, 1, 2, 3, 4), 1), "01:02:03.0");
});

test("ticks are round and not too many", () => {
  const { list } = timeTicks({ from: 1, to: 86400000 }, 8);
  assert.ok(list.length >= 4 && list.length <= 8 && list.every((t) => t % 3600000 === 0));
});

test("an occurrence has its end and its worst", () => {
  const line = (event, at_ms, priority = "high") => ({ alarm: "overhoist", occurrence: 1, event, at_ms, priority });
  const [a] = occurrences([line("raised", 5), line("worsened", 6, "emergency"), line("acknowledged", 7), line("cleared", 9)]);
  assert.deepEqual([a.at_ms, a.worst, a.acknowledged, a.cleared], [5, "emergency", 7, 9]);
});

test("marks that would lie on one another are one, and none is lost", () => {
  const list = marks([10, 11, 12, 500, 2000].map((at_ms) => ({ at_ms })), { from: 0, to: 1000 }, 100, 20);
  assert.deepEqual(list.map((m) => m.alarms.length), [3, 1]);
});

test("least and most both stand on the line", () => {
  assert.deepEqual(interleave([1, 2], [0, null], [9, null]), { x: [1, 1, 2, 2], y: [0, 9, null, null] });
});
