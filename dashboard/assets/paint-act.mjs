import { $, attr, flag, text, make } from "./dom.mjs";
import { act } from "./words.mjs";

// paintAct draws the time to act: small while there is plenty, the largest thing on
// the page when something must be done now. It returns what it has drawn.
export function paintAct(snapshot) {
  const now = act(snapshot);
  attr($("act"), "data-size", now.size);
  attr($("act"), "data-priority", now.level);
  flag($("page"), "acting", now.size === 3);
  text($("act-heading"), now.heading);
  text($("act-sentence"), now.sentence);
  const el = $("seconds");
  const unknown = now.seconds === null && now.time === null;
  flag(el, "hatched", unknown);
  const key = unknown ? "?" : now.time ?? (now.seconds > 10 ? "over" : now.seconds.toFixed(1));
  if (el.dataset.shown !== key) {
    el.dataset.shown = key;
    if (unknown) el.replaceChildren("not known: where the block would stop cannot be said");
    else if (now.time !== null) el.replaceChildren(now.time);
    else if (now.seconds > 10) el.replaceChildren("over 10 s");
    else el.replaceChildren(now.seconds.toFixed(1), make("small", "", "s to act"));
  }
  return now;
}
