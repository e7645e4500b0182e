// Small helpers that touch elements only when something has changed: a button that
// is rebuilt ten times a second cannot keep the focus.

export const $ = (id) => document.getElementById(id);

export function text(el, value) {
  if (el.textContent !== value) el.textContent = value;
}

export function attr(el, name, value) {
  if (value === null || value === undefined) {
    if (el.hasAttribute(name)) el.removeAttribute(name);
  } else if (el.getAttribute(name) !== String(value)) el.setAttribute(name, value);
}

export function flag(el, name, on) {
  if (el.classList.contains(name) !== on) el.classList.toggle(name, on);
}

export function hide(el, hidden) {
  if (el.hidden !== hidden) el.hidden = hidden;
}

// What place has set, as it was given: a browser hands a style back in its own spelling.
const placed = new WeakMap();

export function place(el, styles) {
  let old = placed.get(el);
  if (!old) placed.set(el, (old = {}));
  for (const [name, value] of Object.entries(styles)) {
    if (old[name] !== value) el.style[name] = old[name] = value;
  }
}

export function make(tag, className, ...children) {
  const el = document.createElement(tag);
  if (className) el.className = className;
  el.append(...children);
  return el;
}

const SVG = "http://www.w3.org/2000/svg";
const BARS = { low: 1, medium: 2, high: 3, emergency: 4 };

// glyph draws a priority as filled slanted bars, one to four of four: it can be told
// without colour.
export function glyph(priority) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 32 20");
  svg.setAttribute("class", "glyph");
  svg.setAttribute("aria-hidden", "true");
  for (let i = 0; i < 4; i++) {
    const bar = document.createElementNS(SVG, "path");
    bar.setAttribute("d", `M${1 + i * 7.5} 19 l4 -18 h5 l-4 18z`);
    bar.setAttribute("class", i < (BARS[priority] ?? 0) ? "on" : "off");
    svg.append(bar);
  }
  return svg;
}

// value shows a number with its unit, or, hatched, that it is not known and why.
export function value(el, number, unit, why) {
  const key = number === null ? `?${why}` : `${number}|${unit}`;
  if (el.dataset.shown === key) return;
  el.dataset.shown = key;
  flag(el, "hatched", number === null);
  if (number === null) el.replaceChildren(make("strong", "", "not known"), ` ${why}`);
  else el.replaceChildren(make("span", "num", number), unit);
}

// keyed makes the children of list match items, reusing those with the same key.
export function keyed(list, items, key, create, update) {
  const old = new Map([...list.children].map((el) => [el.dataset.key, el]));
  items.forEach((item, i) => {
    const k = key(item);
    let el = old.get(k);
    if (el) old.delete(k);
    else {
      el = create(item);
      el.dataset.key = k;
    }
    if (list.children[i] !== el) list.insertBefore(el, list.children[i] ?? null);
    update(el, item);
  });
  for (const el of old.values()) el.remove();
}
