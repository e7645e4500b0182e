import { may } from "./acts.mjs";
import { $, attr, flag, glyph, hide, keyed, make, text } from "./dom.mjs";
import { Card } from "./card.mjs";
import * as drawers from "./drawers.mjs";
import { age } from "./units.mjs";
import { alarmKey, alarmReason, alarmState, alarmTitle, shortState } from "./words.mjs";

const LINES = 3; // on the page; the rest is behind the button "all"

// AlarmList draws the alarms and hands on what people ask of them.
export class AlarmList {
  #act;
  #card;
  #alarms = [];

  // act(do, alarm, more) asks the server; it returns why not, or "".
  constructor(act) {
    this.#act = act;
    this.#card = new Card(act);
    $("all-alarms").addEventListener("click", () => this.#showAll());
  }

  // paint draws alarms, those put aside left out; room is how many lines other things
  // on the page need. now is the server's clock, ms.
  paint(alarms, rate, now, room) {
    this.#alarms = alarms;
    const n = alarms.length, lines = LINES - room;
    text($("alarm-count"), n === 0 ? "" : n === 1 ? "1 alarm" : `${n} alarms`);
    hide($("alarm-count"), n === 0);
    text($("no-alarm"), n === 0 ? "No alarm stands." : "");
    hide($("no-alarm"), n > 0);
    hide($("alarm-list"), n === 0);
    hide($("all-alarms"), n <= lines);
    text($("all-alarms"), `all ${n}`);
    text($("rate"), rate?.flood ? `flood: ${rate.ten_min} in 10 min` : rate?.ten_min ? `${rate.ten_min} raised in 10 min` : "");
    flag($("rate"), "bad", !!rate?.flood);
    keyed($("alarm-list"), alarms.slice(0, lines), alarmKey, (a) => this.#create(a), (el, a) => update(el, a, now));
    this.#card.paint(alarms, now);
  }

  #ask(what, key) {
    const alarm = this.#alarms.find((a) => alarmKey(a) === key);
    if (alarm) this.#act(what, alarm);
  }

  #create(alarm) {
    const key = alarmKey(alarm);
    const open = make("button", "open", make("span", "title"), make("span", "reason"), make("span", "since"));
    const ack = make("button", "do ack", "acknowledge");
    const reset = make("button", "do reset", "reset");
    for (const b of [open, ack, reset]) b.type = "button";
    attr(open, "aria-haspopup", "dialog");
    open.addEventListener("click", () => this.#card.open(key));
    ack.addEventListener("click", () => this.#ask("acknowledge", key));
    reset.addEventListener("click", () => this.#ask("reset", key));
    return make("li", "alarm", make("span", "tag"), open, ack, reset);
  }

  #showAll() {
    text($("more-title"), "All alarms");
    $("more-list").replaceChildren(...this.#alarms.map((a) => {
      const open = make("button", "", alarmTitle(a));
      open.type = "button";
      open.addEventListener("click", () => this.#card.open(alarmKey(a)));
      return make("li", "", glyph(a.priority), ` ${a.priority} `, open, ` ${alarmState(a)}`);
    }));
    drawers.show("more");
  }
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
  text(el.querySelector(".title"), alarmTitle(a));
  text(el.querySelector(".reason"), alarmReason(a));
  text(el.querySelector(".since"), [shortState(a), `for ${age((now - a.since_ms) / 1000)}`].filter(Boolean).join(", "));
  hide(el.querySelector(".ack"), !a.can_ack || !may.acknowledge());
  hide(el.querySelector(".reset"), !a.can_reset || !may.acknowledge());
  attr(el.querySelector(".ack"), "aria-label", `acknowledge ${alarmTitle(a)}`);
  attr(el.querySelector(".reset"), "aria-label", `reset ${alarmTitle(a)}`);
}
