import test from "node:test";
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { ANSWERS, FEEDS, matrix } from "../assets/matrix.mjs";

// The table that the detectors' own test writes: what is answered when a channel is bad.
const lines = readFileSync(new URL("../../detect/ANSWERS.md", import.meta.url), "utf8").split("\n").filter((l) => l.startsWith("| "));
const cells = (line) => line.split("|").slice(1, -1).map((c) => c.trim());
const grade = (cell) => cell.split(":")[0];

test("what feeds what is what the detectors say", () => {
  const head = cells(lines[0]).slice(1);
  assert.deepEqual([...head].sort(), [...ANSWERS].sort());
  const rows = Object.fromEntries(lines.slice(1).map((l) => [cells(l)[0], cells(l).slice(1)]));
  const none = rows.none;
  let held = 0;
  for (const [name, row] of Object.entries(rows)) {
    if (name === "none" || name === "all" || name.includes(" and ")) continue;
    head.forEach((answer, i) => {
      const lost = row[i] !== none[i] && grade(row[i]) !== "good" ? grade(row[i]) : undefined;
      assert.equal(FEEDS[name]?.[answer], lost, `${name} for ${answer}`);
      held++;
    });
  }
  assert.ok(held >= 48, `only ${held} cells were compared`);
  for (const name of Object.keys(FEEDS)) assert.ok(rows[name], `${name} has no row`);
});

test("a lost channel is lost where it is used, and only there", () => {
  const rows = matrix({ channels: [{ name: "hook_load", quality: "good" }, { name: "brake_pressure", quality: "bad" }, { name: "bit_depth", quality: "bad" }] });
  assert.deepEqual(rows[0].cells.map((c) => c.use), ["helps", "needs", "helps", "", "needs", ""]);
  assert.ok(rows[0].cells.every((c) => !c.lost));
  assert.deepEqual(rows[1].cells.map((c) => c.lost), [false, false, true, true, false, true]);
  assert.ok(rows[2].cells.every((c) => c.use === "" && !c.lost));
});
