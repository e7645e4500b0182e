import { $, flag, text } from "./dom.mjs";

let timer = 0;

// toast says for six seconds what came of what a person asked.
export function toast(words) {
  text($("toast"), words);
  flag($("toast"), "shown", true);
  clearTimeout(timer);
  timer = setTimeout(() => flag($("toast"), "shown", false), 6000);
}
