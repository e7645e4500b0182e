import test from "node:test";
import assert from "node:assert/strict";
import { direction, fraction, mastView, niceCeil, spread, ticks } from "../assets/scale.mjs";

const mast = { crown_height_m: 44, crown_limit_m: 41, crown_saver_m: 40, floor_limit_m: 1.5 };
const up = (h, bound) => ({ height_m: h, velocity_mps: 1.5, rest_up_m: bound - 0.6, rest_up_bound_m: bound, blind: "" });
const down = (h, bound) => ({ height_m: h, velocity_mps: -1.5, rest_down_m: bound + 0.6, rest_down_bound_m: bound, blind: "" });

test("fraction", () => {
  assert.equal(fraction(5, 0, 10), 0.5);
  assert.equal(fraction(-5, 0, 10), 0);
  assert.equal(fraction(50, 0, 10), 1);
  for (const bad of [null, undefined, NaN, Infinity]) assert.equal(fraction(bad, 0, 10), null);
  assert.equal(fraction(1, 3, 3), null);
});

test("niceCeil never cuts", () => {
  for (let x = 0.001; x < 1e5; x *= 1.37) {
    const top = niceCeil(x);
    assert.ok(top >= x * (1 - 1e-9) && top <= 2 * x, `${x} -> ${top}`);
  }
  assert.equal(niceCeil(2.5), 3);
  assert.equal(niceCeil(NaN), 1);
});

test("ticks", () => {
  assert.deepEqual(ticks(44), [0, 10, 20, 30, 40]);
  assert.deepEqual(ticks(144.36), [0, 20, 40, 60, 80, 100, 120, 140]);
  assert.deepEqual(ticks(NaN), []);
});

test("the shadow lies in the direction of travel", () => {
  let v = mastView(mast, up(20, 22));
  assert.deepEqual([v.direction, v.expected, v.beyond, v.touches], ["up", [20, 21.4], [21.4, 22], null]);
  v = mastView(mast, down(20, 18));
  assert.deepEqual([v.direction, v.expected, v.beyond, v.touches], ["down", [18.6, 20], [18, 18.6], null]);
  v = mastView(mast, { ...up(20, 22), velocity_mps: 0.01 });
  assert.deepEqual([v.direction, v.expected, v.beyond], ["still", null, null]);
});

test("touching is at the limit, not beyond it", () => {
  assert.equal(mastView(mast, up(38, 40.999)).touches, null);
  assert.equal(mastView(mast, up(38, 41)).touches, "crown");
  assert.equal(mastView(mast, up(38, 47)).touches, "crown");
  assert.equal(mastView(mast, down(4, 1.501)).touches, null);
  assert.equal(mastView(mast, down(4, 1.5)).touches, "floor");
  assert.equal(mastView(mast, down(4, -2)).touches, "floor");
});

test("the limit behind is no matter", () => {
  assert.equal(mastView(mast, { ...down(42, 39), rest_up_bound_m: 43 }).touches, null);
});

test("what is not known is not drawn as known", () => {
  let v = mastView(mast, { ...up(20, 22), rest_up_bound_m: null });
  assert.deepEqual([v.unknownUp, v.unknownDown, v.bound, v.beyond], [true, false, null, null]);
  v = mastView(mast, { ...up(20, 22), blind: "crown" });
  assert.deepEqual([v.unknownUp, v.bound, v.touches], [true, null, null]);
  v = mastView(mast, up(40, 42), { crown: true });
  assert.deepEqual([v.unknownUp, v.bound, v.touches], [true, null, null]);
  v = mastView(mast, { ...up(20, 22), height_m: null });
  assert.deepEqual([v.height, v.unknownUp, v.unknownDown, v.bound], [null, true, true, null]);
  v = mastView(mast, { ...up(20, 22), velocity_mps: null });
  assert.deepEqual([v.direction, v.unknownUp, v.unknownDown], ["unknown", true, true]);
  assert.equal(mastView({}, up(20, 22)).drawable, false);
  assert.equal(direction(NaN), "unknown");
});

test("no rest point reaches to the end of the travel", () => {
  const v = mastView(mast, { ...down(20, 0), rest_down_m: null, rest_down_bound_m: null, cannot_stop: true });
  assert.deepEqual([v.noRest, v.touches, v.beyond, v.unknownDown], [true, "floor", [0, 20], false]);
});

test("spread keeps labels apart, inside, and in order", () => {
  for (const wanted of [[5, 5, 5], [0, 1, 99, 100], [50], [100, 100, 100, 98], [3, 90, 4, 91, 5]]) {
    const got = spread(wanted, 4, 1, 99);
    const sorted = [...got].sort((a, b) => a - b);
    sorted.forEach((x, i) => {
      assert.ok(x >= 1 - 1e-9 && x <= 99 + 1e-9, `${wanted} -> ${got}`);
      if (i) assert.ok(x - sorted[i - 1] >= 4 - 1e-9, `${wanted} -> ${got}`);
    });
  }
});
