import { $, attr, flag, make, text } from "./dom.mjs";
import { ANSWERS, matrix } from "./matrix.mjs";
import { known, showChannel } from "./units.mjs";
import { answer, plain } from "./words.mjs";

const STATES = { good: "good", degraded: "degraded", gone: "gone" };

// paintMatrix draws the instruments by the answers that they feed, while it is open.
export function paintMatrix(snapshot, system) {
  if (!$("matrix").open) return;
  const states = ANSWERS.map((name) => ({ name, ...answer(snapshot, name) }));
  const rows = matrix(snapshot);
  build(rows);
  const heads = $("matrix-head").querySelectorAll("th.answer");
  states.forEach((s, i) => {
    attr(heads[i], "data-state", s.state);
    text(heads[i].querySelector("b"), STATES[s.state] ?? s.state);
  });
  rows.forEach((row, i) => {
    const tr = $("matrix-body").children[i], c = row.channel;
    flag(tr, "bad", row.bad);
    text(tr.querySelector(".now"), c.quality === "bad" || !known(c.value) ? c.reason || "no value" : `${showChannel(c.value, c.unit, system)}${row.bad ? `, ${c.reason || c.quality}` : ""}`);
    row.cells.forEach((cell, j) => {
      const td = tr.querySelectorAll("td.feeds")[j];
      text(td, cell.use + (cell.lost ? ": lost" : ""));
      flag(td, "hatched", cell.lost);
    });
  });
  const why = states.filter((s) => s.state !== "good").map((s) => `${s.name} ${s.state}: ${s.why || "no reason given"}`), key = why.join("|");
  if ($("matrix-why").dataset.shown !== key) {
    $("matrix-why").dataset.shown = key;
    $("matrix-why").replaceChildren(...why.map((words) => make("li", "", words)));
  }
}

// build makes the table anew when other channels come.
function build(rows) {
  const key = rows.map((r) => r.channel.name).join();
  const table = $("matrix-table");
  if (table.dataset.shown === key) return;
  table.dataset.shown = key;
  const cell = (tag, className, scope, ...inside) => {
    const el = make(tag, className, ...inside);
    if (scope) el.scope = scope;
    return el;
  };
  $("matrix-head").replaceChildren(make("tr", "", cell("th", "", "col", "instrument"), cell("th", "", "col", "now"),
    ...ANSWERS.map((name) => cell("th", "answer", "col", name.replace("brake ", ""), make("br"), make("b")))));
  $("matrix-body").replaceChildren(...rows.map((row) => make("tr", "", cell("th", "", "row", plain(row.channel.name)),
    make("td", "now"), ...ANSWERS.map(() => make("td", "feeds")))));
}
