import { $, attr, flag, make, text } from "./dom.mjs";
import { direction } from "./scale.mjs";
import { known, show } from "./units.mjs";
import { act, gone } from "./words.mjs";

// paintAct draws the time to act: small while there is plenty, the largest thing on
// the page when something must be done now. It returns what it has drawn.
export function paintAct(snapshot, system) {
  const now = act(snapshot);
  attr($("act"), "data-size", now.size);
  attr($("act"), "data-priority", now.level);
  flag($("page"), "acting", now.size === 3);
  text($("act-heading"), now.heading);
  text($("act-sentence"), now.sentence);
  text($("act-rest"), now.rest);
  const words = now.sentence.length + now.rest.length;
  attr($("act"), "data-words", words < 100 ? "few" : words < 140 ? "some" : "many");
  attr($("act"), "data-no-time", now.time === "" ? "" : null);
  const el = $("seconds");
  const unknown = now.seconds === null && now.time === null;
  flag(el, "hatched", unknown);
  const key = unknown ? "?" : now.time ?? (now.seconds > 10 ? "over" : now.seconds.toFixed(1));
  if (el.dataset.shown !== key) {
    el.dataset.shown = key;
    if (unknown) el.replaceChildren("not known: where the block would stop cannot be said");
    else if (now.time !== null) el.replaceChildren(now.time);
    else if (now.seconds > 10) el.replaceChildren("over 10 s");
    else el.replaceChildren(now.seconds.toFixed(1), make("small", "", "s", make("br"), make("span", "to-act", "to act")));
  }
  text($("room"), room(snapshot, system));
  return now;
}

// room says how far from the limit ahead the block would come to rest at the latest.
function room(snapshot, system) {
  const est = snapshot.estimate, way = direction(est.velocity_mps), lost = gone(snapshot);
  const left = way === "up" && !lost.crown ? est.crown_room_m : way === "down" && !lost.floor ? est.floor_room_m : null;
  if (!known(left)) return "";
  const { text: n, unit } = show(left, "length", system);
  return `stopped now: ${n} ${unit} left to the ${way === "up" ? "crown" : "floor"} limit`;
}
