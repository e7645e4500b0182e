import { may } from "./acts.mjs";
import { $, attr, glyph, hide, keyed, make, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { sentence } from "./post.mjs";
import { toast } from "./toast.mjs";
import { age, clockOf } from "./units.mjs";
import { alarmTitle } from "./words.mjs";

let act = null; // act(do, alarm, more), as AlarmList's

// tendAside hands over what asks the server.
export function tendAside(ask) {
  act = ask;
  $("aside").addEventListener("click", () => drawers.show("aside-drawer"));
}

// paintAside keeps in view what a person has put aside, and returns how many lines of
// the alarms' place it takes. now is the server's clock, ms.
export function paintAside(snapshot, now) {
  const shelved = snapshot.shelved, removed = snapshot.out_of_service;
  const n = shelved.length + removed.length;
  hide($("aside"), n === 0);
  if (n > 0) text($("aside"), line(shelved, removed, now));
  attr($("aside"), "data-standing", [...shelved, ...removed].some((a) => a.active) || null);
  if (!$("aside-drawer").open) return n > 0 ? 1 : 0;
  const items = [...shelved.map((a) => ({ ...a, undo: "unshelve" })), ...removed.map((a) => ({ ...a, undo: "return_to_service" }))];
  keyed($("aside-list"), items, (a) => `${a.undo}|${a.alarm}|${a.channel ?? ""}`, create, (el, a) => update(el, a, now));
  if (n === 0) drawers.close();
  return n > 0 ? 1 : 0;
}

function line(shelved, removed, now) {
  const names = (list, end) => list.map((a) => `${alarmTitle(a)}${a.active ? " (would stand now)" : ""}${end(a)}`).join(", ");
  const parts = [];
  if (shelved.length) parts.push(`Shelved: ${names(shelved, (a) => `, ${age((a.until_ms - now) / 1000)} left`)}`);
  if (removed.length) parts.push(`Out of service: ${names(removed, () => "")}`);
  return parts.join(". ");
}

function create(item) {
  const back = make("button", "", item.undo === "unshelve" ? "unshelve" : "return to service");
  back.type = "button";
  const el = make("li", "aside-item", glyph(item.priority), make("span", "what"), back);
  back.addEventListener("click", async () => {
    hide($("aside-refused"), true);
    const why = await act(item.undo, item, {});
    if (why) {
      text($("aside-refused"), sentence(why));
      hide($("aside-refused"), false);
    } else if (why === "") toast(`${alarmTitle(item)}: back in the list of alarms`);
  });
  return el;
}

function update(el, a, now) {
  const until = a.until_ms > 0 ? `shelved until ${clockOf(a.until_ms)}, ${age((a.until_ms - now) / 1000)} left` : "out of service until it is returned";
  text(el.querySelector(".what"), `${alarmTitle(a)} (${a.priority}${a.active ? ", the condition is present" : ""}): ${until}, by ${a.person}: ${a.reason}`);
  hide(el.querySelector("button"), a.undo === "unshelve" ? !may.acknowledge() : !may.manage());
}
