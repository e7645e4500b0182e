import { $, attr, flag, keyed, make, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { ANSWERS } from "./matrix.mjs";
import { age, known, showChannel } from "./units.mjs";
import { answer, plain } from "./words.mjs";

// paintFoot draws the instruments, what they can answer, the links, what was refused,
// and the recorder.
export function paintFoot(snapshot, system, extra, now, broken) {
  keyed($("chips"), [...snapshot.channels, { name: "answers" }], (c) => c.name,
    (c) => (c.name === "answers" ? createAnswers() : createChip()),
    (el, c) => (c.name === "answers" ? updateAnswers(el, snapshot) : updateChip(el, c, system, extra)));
  // Two rows, whatever comes: the strip must not take the room of the brakes.
  $("chips").style.setProperty("--columns", Math.max(7, Math.ceil((snapshot.channels.length + 3) / 2)));
  keyed($("links"), snapshot.links, (l) => l.source, () => make("li"), (el, l) => {
    const fine = l.state === "connected" || l.state === "subscribed";
    text(el, `${l.source}: ${l.state} ${age((now - l.since_ms) / 1000)}${l.detail && !fine ? `, ${l.detail}` : ""}`);
    flag(el, "bad", !fine);
  });
  const refused = snapshot.rejects.reduce((sum, r) => sum + r.count, 0);
  text($("rejects"), `refused ${refused}${broken ? `, broken here ${broken}` : ""}`);
  $("rejects").disabled = refused === 0;
  text($("recorder"), snapshot.recorder ? `recorder: ${snapshot.recorder}` : "recording");
  flag($("recorder"), "bad", snapshot.recorder !== "");
}

function createAnswers() {
  const button = make("button", "", ...ANSWERS.map((name) => make("span", "answer", make("i", "state"), name.replace("brake ", ""), make("span", "said"))));
  button.type = "button";
  attr(button, "aria-haspopup", "dialog");
  button.addEventListener("click", () => drawers.show("matrix"));
  return make("li", "chip answers", button);
}

// updateAnswers marks each question: a full square answered, a half one degraded, a
// hatched one gone.
function updateAnswers(el, snapshot) {
  ANSWERS.forEach((name, i) => {
    const { state } = answer(snapshot, name), part = el.querySelectorAll(".answer")[i];
    attr(part, "data-state", state);
    text(part.querySelector(".said"), ` ${state}`);
  });
}

export function showRejects(snapshot) {
  text($("more-title"), "Messages that were refused");
  $("more-list").replaceChildren(...snapshot.rejects.map((r) =>
    make("li", "", `${r.count} from ${r.source}: ${r.reason}${r.last ? `, last: ${r.last}` : ""}`)));
  drawers.show("more");
}

export function showSickness(sick) {
  text($("more-title"), "The monitor itself is not well");
  $("more-list").replaceChildren(...sick.map((words) => make("li", "", words)));
  drawers.show("more");
}

function createChip() {
  return make("li", "chip", make("b"), make("span", "", make("span", "what"), make("i")));
}

function updateChip(el, c, system, extra) {
  const bad = c.quality === "bad" || !known(c.value);
  const name = plain(c.name);
  attr(el, "data-quality", c.quality);
  flag(el, "hatched", bad);
  text(el.querySelector("b"), c.quality === "uncertain" ? `${name}: ${c.reason || c.quality}` : name);
  const shown = showChannel(c.value, c.unit, system);
  const words = bad ? c.reason || "no value" : shown;
  text(el.querySelector(".what"), words);
  text(el.querySelector("i"), known(c.age_s) ? age(c.age_s + extra) : bad && c.reason ? "" : "never came");
  attr(el, "title", c.reason ? `${name}: ${c.reason}` : null);
}
