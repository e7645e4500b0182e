// Drawers lie beside the mast strip and above the alarms, which stay live: one at a
// time, closed by its button, by Escape, and by what must be seen at once.

import { $ } from "./dom.mjs";

let back = null; // what had the focus before

export const openDrawer = () => document.querySelector("dialog[open]");

// On a narrow page a drawer lies over its lower part, and the page is moved so that what must
// be done and the first alarm are seen above it.
const narrow = matchMedia("(max-width: 1000px), (max-aspect-ratio: 1/1)");
let before = 0;

function raise() {
  if (openDrawer() && narrow.matches) document.querySelector("main").scrollIntoView();
}

new ResizeObserver(raise).observe(document.body); // as a banner goes, all moves up

// show opens a drawer and closes the one that was open. focus is the element that gets
// the focus; null = the first that can take it.
export function show(id, focus = null) {
  const dialog = $(id), was = openDrawer();
  if (was === dialog) return;
  if (was) was.close();
  else back = document.activeElement;
  if (!was) before = scrollY;
  dialog.show();
  (focus ?? dialog.querySelector("input:not([disabled]), button:not([disabled]):not([hidden])"))?.focus({ preventScroll: true });
  dialog.scrollTop = 0;
  raise();
}

// close closes what is open; the focus goes back to where it came from.
export function close() {
  const dialog = openDrawer();
  if (!dialog) return;
  const inside = dialog.contains(document.activeElement) || document.activeElement === document.body;
  dialog.close();
  if (narrow.matches) scrollTo(0, before);
  if (inside && back?.isConnected) back.focus();
  back = null;
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && openDrawer()) {
    event.preventDefault();
    close();
  }
});
document.addEventListener("click", (event) => {
  if (event.target.closest?.("[data-close]")) close();
});
