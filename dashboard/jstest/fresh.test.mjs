import test from "node:test";
import assert from "node:assert/strict";
import { Freshness, STALE_AFTER, backoff, parse } from "../assets/fresh.mjs";

const HOUR = 3600e3;
// snap is a snapshot that left the server at its clock time t, held for held ms.
const snap = (t, held = 0) => ({ sent_ms: t, held_ms: held, server_ms: t - held });

// live returns a Freshness that has had ten good snapshots, the last at mono 1000.
// The server's clock is an hour ahead of the page's, which must not matter.
function live() {
  const f = new Freshness();
  f.connected();
  for (let m = 100; m <= 1000; m += 100) f.received(snap(HOUR + m - 5), m, 7e9 + m);
  return f;
}

test("stale before the first snapshot", () => assert.ok(new Freshness().stale(5, 5)));

test("fresh, then stale just after two seconds without news", () => {
  const f = live();
  assert.ok(!f.stale(1000 + STALE_AFTER, 7e9 + 1000 + STALE_AFTER));
  assert.ok(f.stale(1001 + STALE_AFTER, 7e9 + 1001 + STALE_AFTER));
});

test("a sleep in which the monotonic clock stood still is seen", () => {
  assert.ok(live().stale(1010, 7e9 + 1000 + 60e3));
});

test("a wall clock that was set back does not hide the silence", () => {
  assert.ok(live().stale(4000, 7e9 - HOUR));
});

test("after a sleep the buffered snapshot is not believed, a new connection is", () => {
  const f = live();
  f.received(snap(HOUR + 1100), 1105, 7e9 + 1105 + 60e3);
  assert.ok(f.stale(1105, 7e9 + 1105 + 60e3));
  f.connected();
  f.received(snap(HOUR + 61e3), 1200, 7e9 + 1200 + 60e3);
  assert.ok(!f.stale(1210, 7e9 + 1210 + 60e3));
});

test("a snapshot that the server has held for long is stale on arrival", () => {
  const f = new Freshness();
  f.connected();
  f.received(snap(HOUR, 90e3), 10, 7e9);
  assert.ok(f.stale(10, 7e9));
  assert.equal(f.age(10, 7e9), 90e3);
});

test("snapshots that come ever later on one connection become stale", () => {
  const f = live();
  f.received(snap(HOUR + 1100), 4200, 7e9 + 4200); // 3.1 s on the way
  assert.ok(f.stale(4200, 7e9 + 4200));
});

test("numbers that are none are stale", () => {
  const f = new Freshness();
  f.connected();
  f.received({}, 10, 10);
  assert.ok(f.stale(10, 10));
});

test("backoff grows to eight seconds and spreads", () => {
  const mid = [0, 1, 2, 3, 4, 5, 6, 50].map((n) => backoff(n, 0.5));
  assert.deepEqual(mid, [250, 500, 1000, 2000, 4000, 8000, 8000, 8000]);
  assert.ok(backoff(3, 0) < backoff(3, 1));
});

test("an empty, broken or foreign frame is no snapshot", () => {
  for (const bad of ["", " ", "{", "null", "[]", "7", '"x"', '{"rig":"a"}', '{"rig":"a","server_ms":1,"estimate":null,"mast":{}}']) {
    assert.equal(parse(bad), null, bad);
  }
  const s = parse('{"rig":"a","server_ms":1,"estimate":{},"mast":{},"channels":null}');
  assert.deepEqual([s.channels, s.alarms], [[], []]);
});
