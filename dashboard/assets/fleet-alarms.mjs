// The alarms of all rigs, in one list.

import { $, attr, flag, glyph, hide, keyed, make, text } from "./dom.mjs";
import { entries, steady, why } from "./fleet-words.mjs";
import { alarmReason, alarmState, alarmTitle } from "./words.mjs";

const MOST = 150; // lines; the rest is counted

// FleetAlarms draws the alarms that the filters let through, and hands on what people ask.
export class FleetAlarms {
  #act;
  #may;
  #shown = []; // keys
  #open = null; // the alarm whose card is open

  // act(entry) acknowledges; may() tells whether this person can.
  constructor(act, may) {
    this.#act = act;
    this.#may = may;
    $("card-ack").addEventListener("click", () => this.#open && this.#act(this.#open));
    $("card").addEventListener("close", () => { this.#open = null; });
    $("filters").addEventListener("submit", (event) => event.preventDefault());
  }

  // rigs fills the choice of rigs.
  rigs(names) {
    const select = $("of-rig"), chosen = select.value, sorted = [...names].sort();
    if (sorted.join("\n") === select.dataset.shown) return;
    select.dataset.shown = sorted.join("\n");
    const all = make("option", "", "all");
    all.value = "";
    select.replaceChildren(all, ...sorted.map((name) => make("option", "", name)));
    select.value = sorted.includes(chosen) ? chosen : "";
  }

  paint(lists, now, held) {
    const filters = { rig: $("of-rig").value, least: $("least").value, unseen: $("only-new").checked, aside: $("only-aside").checked };
    $("only-new").disabled = filters.aside;
    if (filters.aside) filters.unseen = false;
    const all = entries(lists, filters);
    const list = steady(this.#shown, all, held).slice(0, MOST);
    this.#shown = list.map((a) => a.key);
    keyed($("alarm-list"), list, (a) => a.key, (a) => this.#create(a), (el, a) => this.#update(el, a, now));
    this.#count(lists, filters, all);
    const a = this.#open && entries(lists, { rig: this.#open.rig, least: "low" }).find((x) => x.key === this.#open.key);
    if (this.#open) this.#paintOpen(a ?? null);
  }

  #count(lists, filters, all) {
    const standing = entries(lists, { rig: "", least: "low", unseen: false, aside: false });
    const unseen = standing.filter((a) => a.can_ack).length;
    const aside = entries(lists, { rig: "", least: "low", unseen: false, aside: true }).length;
    text($("alarm-count"), standing.length === 0 ? "no alarm stands" : `${standing.length} alarm${standing.length > 1 ? "s" : ""}, ${unseen} not acknowledged`);
    text($("rest"), [all.length > MOST ? `${all.length - MOST} more below these` : "", aside > 0 ? `${aside} put aside` : ""].filter(Boolean).join(", "));
    const filtered = filters.rig || filters.least !== "low" || filters.unseen;
    text($("no-alarm"), all.length > 0 ? "" : filters.aside ? "No alarm is put aside." : filtered && standing.length > 0 ? "None of them is of this kind." : "No alarm stands on any rig that is heard.");
    hide($("no-alarm"), all.length > 0);
  }

  #create(a) {
    const what = make("button", "what", make("b"), make("span"));
    const ack = make("button", "ack", "acknowledge");
    what.type = ack.type = "button";
    const el = make("li", "alarm", make("span", "tag"), what, ack, make("span", "why"));
    what.addEventListener("click", () => this.#card(el.entry));
    ack.addEventListener("click", () => this.#act(el.entry));
    return el;
  }

  #update(el, a, now) {
    el.entry = a;
    attr(el, "data-priority", a.priority);
    flag(el, "old", !a.can_ack);
    const tag = el.querySelector(".tag");
    if (tag.dataset.shown !== a.priority) {
      tag.dataset.shown = a.priority;
      tag.replaceChildren(glyph(a.priority), a.priority.toUpperCase());
    }
    text(el.querySelector(".what b"), a.rig);
    text(el.querySelector(".what span"), ` ${alarmTitle(a)}`);
    text(el.querySelector(".why"), why(a, now));
    const ack = el.querySelector(".ack");
    hide(ack, !a.can_ack || a.aside || a.elsewhere || !this.#may());
    attr(ack, "aria-label", `acknowledge ${alarmTitle(a)} of ${a.rig}`);
  }

  // card shows an alarm whole; its texts are asked for: the list does not carry them.
  async #card(a) {
    this.#open = a;
    attr($("card-priority"), "data-priority", a.priority);
    text($("card-priority"), a.priority);
    text($("card-title"), `${a.rig}: ${alarmTitle(a)}`);
    text($("card-reason"), alarmReason(a));
    for (const id of ["card-response", "card-consequence", "card-meaning"]) text($(id), "asking");
    $("card-cabin").href = `/cabin/${encodeURIComponent(a.rig)}`;
    this.#paintOpen(a);
    $("card").showModal();
    const whole = await this.#ask(a);
    if (this.#open?.key !== a.key) return;
    text($("card-response"), whole?.response || "not known here: open the rig's page");
    text($("card-consequence"), whole?.consequence || "not known here");
    text($("card-meaning"), whole?.meaning || "not known here");
  }

  async #ask(a) {
    try {
      const answer = await fetch(`/api/rigs/${encodeURIComponent(a.rig)}`, { signal: AbortSignal.timeout(5000) });
      const s = answer.ok ? await answer.json() : null;
      return s?.alarms?.find((x) => x.alarm === a.alarm && (x.channel ?? "") === (a.channel ?? ""));
    } catch {
      return null; // said in the card
    }
  }

  #paintOpen(a) {
    const standing = a && !a.aside;
    text($("card-state"), a === null ? "It is no longer in the list." : a.elsewhere ? "Another monitor watches this rig." : a.aside ? "A person has put it aside." : alarmState(a));
    hide($("card-ack"), !standing || !a.can_ack || a.elsewhere || !this.#may());
    if (a) this.#open = a;
  }
}
