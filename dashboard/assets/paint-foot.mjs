import { $, attr, flag, keyed, make, text } from "./dom.mjs";
import { age, known, showChannel } from "./units.mjs";
import { plain } from "./words.mjs";

// paintFoot draws the instruments, the links, what was refused, and the recorder.
export function paintFoot(snapshot, system, extra, now, broken) {
  const answers = snapshot.answers.filter((a) => a.state === "degraded")
    .map((a) => ({ name: `${a.name}: degraded`, quality: "uncertain", reason: a.why, answer: true }));
  keyed($("chips"), [...snapshot.channels, ...answers], (c) => c.name, createChip, (el, c) => updateChip(el, c, system, extra));
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
  const bad = c.quality === "bad" || (!c.answer && !known(c.value));
  const name = plain(c.name);
  attr(el, "data-quality", c.quality);
  flag(el, "hatched", bad);
  flag(el, "answer", !!c.answer);
  text(el.querySelector("b"), c.quality === "uncertain" && !c.answer ? `${name}: ${c.reason || c.quality}` : name);
  const shown = showChannel(c.value, c.unit, system);
  const words = c.answer ? c.reason : bad ? c.reason || "no value" : shown;
  text(el.querySelector(".what"), words);
  text(el.querySelector("i"), c.answer ? "" : known(c.age_s) ? age(c.age_s + extra) : "never came");
  attr(el, "title", c.reason ? `${name}: ${c.reason}` : null);
}
