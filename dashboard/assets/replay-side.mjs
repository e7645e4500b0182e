// The panels beside the plots: alarms, and every value at the cursor.

import { attr, flag, glyph, hide, make, text } from "./dom.mjs";
import { lasted, utc } from "./replay-time.mjs";
import { known, showChannel } from "./units.mjs";
import { activity, plain } from "./words.mjs";

// tabs makes one panel seen at a time, by touch or arrow key.
export function tabs(list) {
  const all = [...list.querySelectorAll("[role=tab]")];
  const choose = (tab, focus) => {
    for (const t of all) {
      attr(t, "aria-selected", t === tab);
      attr(t, "tabindex", t === tab ? null : -1);
      hide(document.getElementById(t.getAttribute("aria-controls")), t !== tab);
    }
    if (focus) tab.focus();
  };
  for (const [i, tab] of all.entries()) {
    tab.addEventListener("click", () => choose(tab, false));
    tab.addEventListener("keydown", (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!by) return;
      event.preventDefault();
      event.stopPropagation();
      choose(all[(i + by + all.length) % all.length], true);
    });
  }
}

const EVENTS = 2000; // listed

// listAlarms shows the raisings, or every line of the journal.
export function listAlarms(list, rows, omitted, go) {
  const shown = rows.slice(0, EVENTS);
  const more = omitted + rows.length - shown.length;
  list.replaceChildren(...shown.map((a) => {
    const badge = make("span", "badge");
    if (a.event === "raised") {
      badge.dataset.priority = a.worst ?? a.priority;
      badge.append(glyph(a.worst ?? a.priority));
    } else badge.classList.add("plain");
    const when = make("time", "", utc(a.at_ms, 1));
    const what = make("span", "what", a.channel ? `${a.title}: ${plain(a.channel)}` : a.title, when);
    const button = make("button", "", badge, what, make("span", "about", about(a)));
    button.type = "button";
    button.dataset.at = a.at_ms;
    button.addEventListener("click", () => go(a.at_ms));
    return make("li", "", button);
  }));
  if (more > 0) list.append(make("li", "soft", `and ${more} more: choose a shorter stretch`));
}

function about(a) {
  const parts = [];
  if (a.event !== "raised") parts.push(plain(a.event) + (a.person ? ` by ${a.person}` : ""));
  else parts.push(plain(a.worst && a.worst !== a.priority ? `${a.priority}, later ${a.worst}` : a.priority));
  if (a.reason) parts.push(a.reason);
  if (a.event === "raised" && a.cleared !== undefined) parts.push(a.cleared ? `cleared after ${lasted(a.cleared - a.at_ms)}` : "not cleared in this stretch");
  if (a.acknowledged) parts.push(`acknowledged after ${lasted(a.acknowledged - a.at_ms)}`);
  return parts.join("; ");
}

// currentAlarm marks the newest line at or before the cursor.
export function currentAlarm(list, at) {
  let current = null;
  for (const b of list.querySelectorAll("button")) if (Number(b.dataset.at) <= at) current = b;
  for (const b of list.querySelectorAll("button[aria-current]")) if (b !== current) b.removeAttribute("aria-current");
  if (current && !current.hasAttribute("aria-current")) {
    current.setAttribute("aria-current", "true");
    if (!list.contains(document.activeElement)) current.scrollIntoView({ block: "nearest" });
  }
}

const GROUPS = { reading: "readings", estimate: "estimates", truth: "what really happened (simulated)" };

// listValues makes the rows of the table of values.
export function listValues(body, columns) {
  body.replaceChildren();
  for (const from of ["reading", "estimate", "truth"]) {
    const own = columns.filter((c) => c.from === from);
    if (!own.length) continue;
    const head = make("th", "group", GROUPS[from]);
    head.colSpan = 2;
    head.scope = "rowgroup";
    body.append(make("tr", "", head));
    for (const c of own) {
      const name = make("th", "", plain(c.name.replace(/^(reading|truth)\./, "").replace(/_(mps2|mps|kN|C|MJ|m)$/, "")));
      name.scope = "row";
      const row = make("tr", "", name, make("td", "num"));
      row.dataset.column = c.name;
      row.dataset.unit = c.unit;
      body.append(row);
    }
  }
}

export function paintValues(body, frame, system) {
  for (const row of body.querySelectorAll("[data-column]")) {
    const cell = row.lastChild, x = frame?.value(row.dataset.column);
    flag(cell, "hatched", !known(x));
    text(cell, known(x) ? showChannel(x, row.dataset.unit, system) : frame?.words.nothing_ahead && row.dataset.column === "seconds_to_act" ? "no limit ahead" : "not known");
  }
}

// stateWords says what a row is.
export function stateWords(frame) {
  if (!frame) return "";
  const w = frame.words;
  if (w.break) return "nothing came";
  const parts = [activity(w.activity) ?? "activity not known"];
  if (w.cannot_stop) parts.push("the brake as it is cannot stop the block");
  if (w.blind) parts.push(`blind: ${w.blind === "both" ? "crown and floor" : w.blind}`);
  if (!w.frame) parts.push("no reading in this tick");
  return parts.join(", ");
}

