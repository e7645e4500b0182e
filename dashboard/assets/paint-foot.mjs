import { $, attr, flag, keyed, make, text } from "./dom.mjs";
import { age, known, showChannel } from "./units.mjs";
import { plain } from "./words.mjs";

// paintFoot draws the instruments, the links, what was refused, and the recorder.
export function paintFoot(snapshot, system, extra, now, broken) {
  const degraded = snapshot.answers.filter((a) => a.state === "degraded");
  const last = degraded.length ? [{ name: "answers", answers: degraded }] : [];
  keyed($("chips"), [...snapshot.channels, ...last], (c) => c.name,
    (c) => (c.answers ? createAnswers() : createChip()),
    (el, c) => (c.answers ? updateAnswers(el, c.answers) : updateChip(el, c, system, extra)));
  // Two rows, whatever comes: the strip must not take the room of the brakes.
  $("chips").style.setProperty("--columns", Math.max(7, Math.ceil((snapshot.channels.length + 2 * last.length) / 2)));
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

function showAnswers(answers) {
  text($("more-title"), "Answers that are degraded");
  $("more-list").replaceChildren(...answers.map((a) => make("li", "", make("b", "", a.name), `: ${a.why}`)));
  $("more").showModal();
}

function createAnswers() {
  const button = make("button");
  button.type = "button";
  button.addEventListener("click", () => showAnswers(JSON.parse(button.dataset.answers)));
  const el = make("li", "chip answers", button);
  attr(el, "data-quality", "uncertain");
  return el;
}

function updateAnswers(el, answers) {
  const button = el.firstChild;
  attr(button, "data-answers", JSON.stringify(answers));
  text(button, answers.length === 1 ? `${answers[0].name} degraded: ${answers[0].why}` : `degraded: ${answers.map((a) => a.name).join(", ")}`);
}

export function showRejects(snapshot) {
  text($("more-title"), "Messages that were refused");
  $("more-list").replaceChildren(...snapshot.rejects.map((r) =>
    make("li", "", `${r.count} from ${r.source}: ${r.reason}${r.last ? `, last: ${r.last}` : ""}`)));
  $("more").showModal();
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
