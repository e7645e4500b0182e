import { may } from "./acts.mjs";
import { $, attr, hide, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { sentence } from "./post.mjs";
import { clockOf } from "./units.mjs";
import { alarmKey, alarmReason, alarmState, alarmTitle } from "./words.mjs";

// Card shows one alarm whole: what it means, what to do, and what can be asked of it.
export class Card {
  #act;
  #key = null; // of the alarm that is shown
  #alarm = null;
  #alarms = [];
  #now = 0; // the server's clock, ms

  constructor(act) {
    this.#act = act;
    for (const [id, what] of [["card-ack", "acknowledge"], ["card-silence", "silence"], ["card-reset", "reset"]]) {
      $(id).addEventListener("click", () => this.#ask(what, {}));
    }
    $("card-aside").addEventListener("submit", (event) => { event.preventDefault(); this.#shelve(); });
    $("card-shelve").addEventListener("click", () => this.#shelve());
    $("card-remove").addEventListener("click", () => this.#putAside("out_of_service", {}));
    $("card").addEventListener("close", () => { if (!$("card").open) this.#key = null; });
  }

  open(key) {
    if (this.#key !== key) {
      $("aside-reason").value = "";
      hide($("card-refused"), true);
    }
    this.#key = key;
    this.#alarm = null;
    this.paint(this.#alarms, this.#now);
    drawers.show("card", $("card").querySelector(".does button:not([hidden])"));
  }

  // paint keeps the open card in step with the alarms. now is the server's clock, ms.
  paint(alarms, now) {
    this.#now = now;
    this.#alarms = alarms;
    if (!this.#key) return;
    const a = alarms.find((x) => alarmKey(x) === this.#key);
    this.#alarm = a ?? null;
    const gone = !a;
    for (const [id, can] of [["card-ack", a?.can_ack], ["card-silence", a?.can_silence], ["card-reset", a?.can_reset]]) {
      hide($(id), !can || !may.acknowledge());
    }
    hide($("card-aside"), gone || !a.shelvable || !may.acknowledge());
    hide($("card-remove"), !may.manage());
    text($("aside-until"), `until ${clockOf(this.#end())}; it comes back by itself, or sooner at a higher priority`);
    if (gone) {
      text($("card-state"), "It is no longer in the list.");
      text($("card-may"), "");
      return;
    }
    attr($("card-priority"), "data-priority", a.priority);
    text($("card-priority"), a.priority);
    text($("card-title"), alarmTitle(a));
    text($("card-reason"), alarmReason(a));
    text($("card-response"), a.response || "not stated");
    text($("card-time"), a.time_to_act || "not stated");
    text($("card-consequence"), a.consequence || "not stated");
    text($("card-meaning"), a.meaning || "not stated");
    text($("card-causes"), a.causes || "not stated");
    text($("card-state"), alarmState(a));
    text($("card-may"), allowed(a));
  }

  #end() {
    return this.#now + Number($("aside-for").value) * 60000;
  }

  #shelve() {
    // Whole seconds, rounded down: the longest shelf is not passed by a fraction.
    const end = new Date(Math.floor((this.#end() - 2000) / 1000) * 1000);
    this.#putAside("shelve", { until: end.toISOString().replace(".000Z", "Z") });
  }

  #putAside(what, more) {
    const why = $("aside-reason").value.trim();
    if (!why) {
      this.#refused("A reason is needed: it is shown for as long as the alarm is put aside.");
      $("aside-reason").focus();
      return;
    }
    this.#ask(what, { reason: why, ...more });
  }

  async #ask(what, more) {
    const alarm = this.#alarm;
    if (!alarm) return;
    hide($("card-refused"), true);
    const why = await this.#act(what, alarm, more);
    if (why) this.#refused(sentence(why));
    else if (why === "" && (what === "shelve" || what === "out_of_service")) drawers.close();
  }

  #refused(words) {
    text($("card-refused"), words);
    hide($("card-refused"), false);
  }
}

function allowed(a) {
  if (!may.acknowledge()) return "You are signed in to watch: this alarm can be acknowledged by others.";
  if (!a.shelvable) return "This alarm cannot be shelved or taken out of service.";
  return may.manage() ? "" : "Taking it out of service is for those who manage this rig.";
}
