// The replay page by keyboard, mouse and finger. desk is the page: {shown, view, at, playing}
// as they are now, and what may be asked of it.

import { $, hide, place } from "./dom.mjs";
import { GUTTER } from "./replay-plots.mjs";
import { pan, zoom } from "./replay-time.mjs";

const KEYS = {
  ArrowLeft: (d, e) => d.step(e.shiftKey ? -10 : -1), ArrowRight: (d, e) => d.step(e.shiftKey ? 10 : 1), " ": (d) => (d.playing ? d.pause() : d.playOn()),
  "+": (d) => d.look(zoom(d.view, 0.5, d.at, d.shown.whole)), "=": (d) => d.look(zoom(d.view, 0.5, d.at, d.shown.whole)),
  "-": (d) => d.look(zoom(d.view, 2, d.at, d.shown.whole)), 0: (d) => d.look(d.shown.whole),
  PageUp: (d) => d.look(pan(d.view, -0.8, d.shown.whole)), PageDown: (d) => d.look(pan(d.view, 0.8, d.shown.whole)),
  Home: (d) => d.go(d.shown.whole.from), End: (d) => d.go(d.shown.whole.to),
  "[": (d) => d.toAlarm(-1), "]": (d) => d.toAlarm(1), ",": (d) => d.faster(-1), ".": (d) => d.faster(1),
};

// keys lets the whole page be steered by keys.
export function keys(desk) {
  document.addEventListener("keydown", (event) => {
    if (!desk.shown || event.ctrlKey || event.metaKey || event.altKey) return;
    const el = event.target, on = KEYS[event.key];
    const writes = el.matches("select, textarea, input:not([type=range])");
    const presses = event.key === " " && el.matches("button, a, [role=tab]");
    const scrolls = ["Home", "End", "PageUp", "PageDown"].includes(event.key) && el.closest(".side");
    if (!on || writes || presses || scrolls) return;
    event.preventDefault();
    on(desk, event);
  });
}

// timeAt is the time at a place of the screen.
function timeAt(desk, clientX) {
  const box = $("plots").getBoundingClientRect();
  const share = (clientX - box.left - GUTTER) / (box.width - GUTTER);
  return desk.view.from + Math.min(1, Math.max(0, share)) * (desk.view.to - desk.view.from);
}

// pointer takes hands on the plots: a click sets the cursor, a drag zooms, a finger scrubs.
export function pointer(desk) {
  let start = null;
  const area = $("plots"), band = $("band");
  area.addEventListener("pointerdown", (e) => {
    if (!desk.shown || e.button !== 0 || e.target.closest(".alarm-mark")) return;
    start = { x: e.clientX, t: timeAt(desk, e.clientX) };
    if (e.pointerType === "mouse") area.setPointerCapture(e.pointerId);
    desk.pause();
    desk.go(start.t, { still: true });
  });
  area.addEventListener("pointermove", (e) => {
    if (!start) return;
    if (e.pointerType !== "mouse" || e.shiftKey) return desk.go(timeAt(desk, e.clientX), { still: true }); // a finger scrubs
    const box = area.getBoundingClientRect(), wide = Math.abs(e.clientX - start.x) > 5;
    hide(band, !wide);
    if (wide) place(band, { left: `${Math.min(e.clientX, start.x) - box.left}px`, width: `${Math.abs(e.clientX - start.x)}px` });
  });
  const end = (e) => {
    if (!start) return;
    const from = start;
    start = null;
    hide(band, true);
    if (e.type === "pointerup" && e.pointerType === "mouse" && !e.shiftKey && Math.abs(e.clientX - from.x) > 5) {
      const to = timeAt(desk, e.clientX);
      desk.look({ from: Math.min(from.t, to), to: Math.max(from.t, to) });
    }
  };
  area.addEventListener("pointerup", end);
  area.addEventListener("pointercancel", end);
  area.addEventListener("wheel", (e) => {
    if (!desk.shown || !e.ctrlKey) return;
    e.preventDefault();
    desk.look(zoom(desk.view, e.deltaY > 0 ? 1.25 : 0.8, timeAt(desk, e.clientX), desk.shown.whole));
  }, { passive: false });
  area.addEventListener("dblclick", () => desk.shown && desk.look(desk.shown.whole));
}

// overview moves the window by hand on the strip of the whole recording.
export function overview(desk) {
  const box = $("overview");
  const move = (e) => {
    const area = box.getBoundingClientRect(), { whole } = desk.shown;
    const middle = whole.from + ((e.clientX - area.left) / area.width) * (whole.to - whole.from), half = (desk.view.to - desk.view.from) / 2;
    desk.look({ from: middle - half, to: middle + half });
  };
  box.addEventListener("pointerdown", (e) => {
    if (!desk.shown) return;
    box.setPointerCapture(e.pointerId);
    move(e);
  });
  box.addEventListener("pointermove", (e) => box.hasPointerCapture(e.pointerId) && move(e));
}
