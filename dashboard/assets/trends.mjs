import { $ } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
export class Trends {
  constructor() { $("trends-button").addEventListener("click", () => drawers.show("trends")); }
  paint() {}
}
