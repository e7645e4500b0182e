import { $, attr, flag, glyph, hide, keyed, make, text } from "./dom.mjs";
import { age, known, number } from "./units.mjs";
import { alarmKey, alarmState, shortState } from "./words.mjs";

const LINES = 3; // on the page; the rest is behind the button "all"

// AlarmList draws the alarms and hands on what people ask of them.
export class AlarmList {
  #act;
  #open = null; // key of the alarm whose card is open
  #alarms = [];

  // act(do, alarm) asks the server.
  constructor(act) {
    this.#act = act;
    $("card-ack").addEventListener("click", () => this.#ask("acknowledge", this.#open));
    $("card-reset").addEventListener("click", () => this.#ask("reset", this.#open));
    $("card").addEventListener("close", () => { this.#open = null; });
    $("all-alarms").addEventListener("click", () => this.#showAll());
  }

  #ask(what, key) {
    const alarm = this.#alarms.find((a) => alarmKey(a) === key);
    if (alarm) this.#act(what, alarm);
  }

  paint(snapshot, now) {
    this.#alarms = snapshot.alarms;
    const n = this.#alarms.length;
    text($("alarm-count"), n === 0 ? "" : n === 1 ? "1 alarm" : `${n} alarms`);
    text($("no-alarm"), n === 0 ? "No alarm stands." : "");
    hide($("no-alarm"), n > 0);
    hide($("all-alarms"), n <= LINES);
    text($("all-alarms"), `all ${n}`);
    keyed($("alarm-list"), this.#alarms.slice(0, LINES), alarmKey, (a) => this.#create(a), (el, a) => update(el, a, now));
    if (this.#open) this.#paintCard();
  }

  #create(alarm) {
    const key = alarmKey(alarm);
    const open = make("button", "open", make("span", "title"), make("span", "reason"), make("span", "since"));
    const ack = make("button", "do ack", "acknowledge");
    const reset = make("button", "do reset", "reset");
    for (const b of [open, ack, reset]) b.type = "button";
    open.addEventListener("click", () => this.#openCard(key));
    ack.addEventListener("click", () => this.#ask("acknowledge", key));
    reset.addEventListener("click", () => this.#ask("reset", key));
    return make("li", "alarm", make("span", "tag"), open, ack, reset);
  }

  #openCard(key) {
    this.#open = key;
    this.#paintCard();
    $("card").showModal();
  }

  #paintCard() {
    const a = this.#alarms.find((x) => alarmKey(x) === this.#open);
    if (!a) {
      text($("card-state"), "It is no longer in the list.");
      hide($("card-ack"), true);
      hide($("card-reset"), true);
      return;
    }
    attr($("card-priority"), "data-priority", a.priority);
    text($("card-priority"), a.priority);
    text($("card-title"), title(a));
    text($("card-reason"), reason(a));
    text($("card-meaning"), a.meaning || "not stated");
    text($("card-consequence"), a.consequence || "not stated");
    text($("card-response"), a.response || "not stated");
    text($("card-state"), alarmState(a));
    hide($("card-ack"), !a.can_ack);
    hide($("card-reset"), !a.can_reset);
  }

  #showAll() {
    text($("more-title"), "All alarms");
    $("more-list").replaceChildren(...this.#alarms.map((a) => {
      const open = make("button", "", title(a));
      open.type = "button";
      open.addEventListener("click", () => { $("more").close(); this.#openCard(alarmKey(a)); });
      return make("li", "", glyph(a.priority), ` ${a.priority} `, open, ` ${alarmState(a)}`);
    }));
    $("more").showModal();
  }
}

function title(a) {
  return a.channel ? `${a.title}: ${a.channel.replaceAll("_", " ")}` : a.title;
}

function reason(a) {
  const numbers = known(a.value) && known(a.limit)
    ? ` (${number(a.value, 2)} against ${number(a.limit, 2)} ${a.unit})` : "";
  return a.reason || numbers.trim();
}

function update(el, a, now) {
  attr(el, "data-priority", a.priority);
  flag(el, "new", a.can_ack && a.active);
  flag(el, "over", !a.active);
  const tag = el.querySelector(".tag");
  if (tag.dataset.shown !== a.priority) {
    tag.dataset.shown = a.priority;
    tag.replaceChildren(glyph(a.priority), a.priority.toUpperCase());
  }
  text(el.querySelector(".title"), title(a));
  text(el.querySelector(".reason"), reason(a));
  text(el.querySelector(".since"), [shortState(a), `for ${age((now - a.since_ms) / 1000)}`].filter(Boolean).join(", "));
  hide(el.querySelector(".ack"), !a.can_ack);
  hide(el.querySelector(".reset"), !a.can_reset);
  attr(el.querySelector(".ack"), "aria-label", `acknowledge ${title(a)}`);
  attr(el.querySelector(".reset"), "aria-label", `reset ${title(a)}`);
}
