// Drawers lie beside the mast strip and above the alarms, which stay live: one at a
// time, closed by its button, by Escape, and by what must be seen at once.

import { $ } from "./dom.mjs";

let back = null; // what had the focus before

export const openDrawer = () => document.querySelector("dialog[open]");

// show opens a drawer and closes the one that was open. focus is the element that gets
// the focus; null = the first that can take it.
export function show(id, focus = null) {
  const dialog = $(id), was = openDrawer();
  if (was === dialog) return;
  if (was) was.close();
  else back = document.activeElement;
  dialog.show();
  (focus ?? dialog.querySelector("input:not([disabled]), button:not([disabled]):not([hidden])"))?.focus({ preventScroll: true });
  dialog.scrollTop = 0;
}

// close closes what is open; the focus goes back to where it came from.
export function close() {
  const dialog = openDrawer();
  if (!dialog) return;
  const inside = dialog.contains(document.activeElement) || document.activeElement === document.body;
  dialog.close();
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
