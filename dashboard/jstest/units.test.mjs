import test from "node:test";
import assert from "node:assert/strict";
import { age, clock, convert, number, show, showChannel } from "../assets/units.mjs";

const near = (got, want, tol) => assert.ok(Math.abs(got - want) <= tol, `got ${got}, want ${want} within ${tol}`);

// Factors: NIST SP 811 appendix B.8: 1 ft = 0.3048 m exact; 1 lbf = 4.448222 N;
// 1 kip-force = 4.448222 kN; 1 psi = 6.894757 kPa.
test("published factors", () => {
  near(convert(0.3048, "length", "oilfield").value, 1, 1e-12);
  near(convert(4.448222, "force", "oilfield").value, 1, 1e-6);
  near(convert(1, "speed", "oilfield").value, 196.8504, 1e-4); // 60/0.3048 ft/min
  near(convert(100, "temperature", "oilfield").value, 212, 1e-9);
  near(convert(-40, "temperature", "oilfield").value, -40, 1e-9);
  assert.equal(showChannel(6.894757, "kPa", "oilfield"), "1.0 psi");
  assert.equal(showChannel(100, "degC", "oilfield"), "212 °F");
  assert.equal(showChannel(100, "degC", "metric"), "100 °C");
});

// 2000 lbf x 5280 ft = 8896.443 N x 1609.344 m = 14.3174 MJ, by hand.
test("ton-miles of line work", () => near(convert(14.3174, "work", "oilfield").value, 1, 1e-4));

test("metric leaves numbers as they are", () => {
  for (const q of ["length", "speed", "force", "temperature", "work"]) assert.equal(convert(12.5, q, "metric").value, 12.5);
});

test("not known is never a number", () => {
  for (const x of [null, undefined, NaN, Infinity, "12"]) {
    assert.equal(show(x, "length", "oilfield").text, null);
    assert.equal(showChannel(x, "kN", "metric"), null);
  }
  assert.equal(age(null), null);
});

test("number", () => {
  assert.equal(number(1486, 0), "1\u202f486");
  assert.equal(number(-0.004, 2), "0.00"); // no minus sign on zero
  assert.equal(number(-0.84, 2), "\u22120.84");
  assert.equal(number(402117.25, 2), "402\u202f117.25");
});

test("age", () => {
  assert.deepEqual([0.1, 9.99, 41.7, 119, 121, 7199, 7201].map(age), ["0.1 s", "10.0 s", "41 s", "119 s", "2 min", "119 min", "2 h"]);
});

test("clock shows the offset", () => {
  const noon = Date.UTC(2026, 10, 1, 12, 0, 5);
  assert.equal(clock(noon, 0), "12:00:05 +00:00");
  assert.equal(clock(noon, 330), "17:30:05 +05:30");
  assert.equal(clock(noon, -210), "08:30:05 \u221203:30");
  assert.equal(clock(Date.UTC(2026, 10, 1, 23, 59, 59), 60), "00:59:59 +01:00");
});

test("a channel with a foreign unit is shown as it came", () => assert.equal(showChannel(7, "furlong", "oilfield"), "7 furlong"));
