import { $ } from "./dom.mjs";
import { Mast } from "./mast.mjs";
import { answer, gone, whyNoChannel } from "./words.mjs";

let mast = null;

// paintMast draws the cabin's strip. level is the priority of the alarm that asks for
// the brake, or null.
export function paintMast(snapshot, system, level) {
  mast ??= new Mast($("mast"), { full: true, ids: true });
  return mast.draw({
    ...snapshot.mast, ...snapshot.estimate, level, gone: gone(snapshot),
    why: {
      crown: answer(snapshot, "crown").why, floor: answer(snapshot, "floor").why,
      height: whyNoChannel(snapshot, ["drum_counts", "block_height"]),
    },
  }, system);
}
