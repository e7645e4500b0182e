import test from "node:test";
import assert from "node:assert/strict";
import { decide, quiet } from "../assets/sounding.mjs";

const alarm = (over = {}) => ({ alarm: "overhoist", channel: "", occurrence: 1, priority: "high", sounds: true, active: true, ...over });

// run feeds steps [alarms, options] and returns the pattern after each.
function run(...steps) {
  let s = quiet;
  return steps.map(([alarms, options]) => (s = decide(s, alarms, options)).pattern);
}

test("a new alarm sounds and goes on", () => assert.deepEqual(run([[]], [[alarm()]], [[alarm()]]), [null, "high", "high"]));

test("the highest priority is heard", () =>
  assert.deepEqual(run([[alarm(), alarm({ alarm: "brake_hot", priority: "emergency" }), alarm({ alarm: "x", priority: "low" })]]), ["emergency"]));

test("silence ends the present sound only", () =>
  assert.deepEqual(run([[alarm()]], [[alarm()], { silence: true }], [[alarm()]], [[alarm(), alarm({ alarm: "brake_hot", priority: "medium" })]]),
    ["high", null, null, "medium"]));

test("a higher priority of the silenced alarm is heard", () =>
  assert.deepEqual(run([[alarm()]], [[alarm()], { silence: true }], [[alarm({ priority: "emergency" })]]), ["high", null, "emergency"]));

test("a lower priority of the silenced alarm is not", () =>
  assert.deepEqual(run([[alarm()]], [[alarm()], { silence: true }], [[alarm({ priority: "medium" })]]), ["high", null, null]));

test("a new occurrence of the silenced alarm is heard", () =>
  assert.deepEqual(run([[alarm()]], [[alarm()], { silence: true }], [[alarm({ occurrence: 2 })]]), ["high", null, "high"]));

test("acknowledged ends it", () => assert.deepEqual(run([[alarm()]], [[alarm({ sounds: false })]]), ["high", null]));

test("a return to normal never starts a sound", () => {
  assert.deepEqual(run([[alarm({ active: false })]]), [null]);
  assert.deepEqual(run([[alarm({ sounds: false })]], [[alarm({ active: false })]]), [null, null]);
});

test("a return to normal does not end the sound of what nobody acknowledged", () =>
  assert.deepEqual(run([[alarm()]], [[alarm({ active: false })]]), ["high", "high"]));

test("silence lasts through the return to normal", () =>
  assert.deepEqual(run([[alarm()]], [[alarm()], { silence: true }], [[alarm({ active: false })]]), ["high", null, null]));

test("a stale page is heard, keeps what it heard, and can be silenced", () => {
  assert.deepEqual(run([[], { stale: true }]), ["high"]);
  assert.deepEqual(run([[alarm({ priority: "emergency" })]], [[], { stale: true }]), ["emergency", "emergency"]);
  assert.deepEqual(run([[], { stale: true }], [[], { stale: true, silence: true }], [[], { stale: true }], [[]], [[], { stale: true }]),
    ["high", null, null, null, "high"]);
});

test("what was silenced before the server fell silent stays so", () =>
  assert.deepEqual(run([[alarm({ priority: "emergency" })]], [[alarm({ priority: "emergency" })], { silence: true }], [[], { stale: true }]),
    ["emergency", null, "high"]));

test("an unknown priority is heard as nothing rather than breaking the horn", () =>
  assert.deepEqual(run([[alarm({ priority: "purple" })]]), [null]));
