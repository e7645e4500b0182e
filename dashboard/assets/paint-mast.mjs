import { $, hide, make, text } from "./dom.mjs";
import { Mast } from "./mast.mjs";
import { answer, gone, whyNoChannel } from "./words.mjs";

let mast = null;
const note = make("p", "mast-note");

// paintMast draws the cabin's strip. level is the priority of the alarm that asks for
// the brake, or null.
export function paintMast(snapshot, system, level) {
  if (!mast) {
    mast = new Mast($("mast"), { full: true, ids: true });
    $("mast").append(note);
  }
  const worse = ["crown", "floor"].map((name) => answer(snapshot, name)).find((a) => a.state === "degraded");
  hide(note, !worse);
  text(note, worse?.why || "degraded");
  note.title = `Stopping is answered less well: ${note.textContent}`;
  return mast.draw({
    ...snapshot.mast, ...snapshot.estimate, level, gone: gone(snapshot),
    why: {
      crown: answer(snapshot, "crown").why, floor: answer(snapshot, "floor").why,
      height: whyNoChannel(snapshot, ["drum_counts", "block_height"]),
    },
  }, system);
}
