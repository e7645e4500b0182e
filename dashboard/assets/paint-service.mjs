import { ask, may } from "./acts.mjs";
import { $, attr, hide, make, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { sentence } from "./post.mjs";
import { effects, FORMS, mapVoid, read, record, unitOf } from "./service.mjs";
import { toast } from "./toast.mjs";
import { show } from "./units.mjs";

// ServiceDrawer shows the service log and takes entries in two steps: what was
// written, then what it will change; only the second sends it.
export class ServiceDrawer {
  #snapshot = null;
  #system = "metric";
  #now = 0;
  #form = null; // name of the entry that is being written
  #written = null; // of the form, read and about to be confirmed
  #sending = false;

  constructor() {
    $("service-choice").replaceChildren(...Object.entries(FORMS).map(([name, form]) => {
      const button = make("button", "", form.title);
      button.type = "button";
      button.dataset.form = name;
      button.addEventListener("click", () => this.#start(name));
      return button;
    }));
    $("service-button").addEventListener("click", () => drawers.show("service", this.#firstOf($("service").dataset.step)));
    $("service-form").addEventListener("submit", (event) => { event.preventDefault(); this.#look(); });
    $("service-form").addEventListener("input", () => hide($("form-wrong"), true));
    $("form-leave").addEventListener("click", () => this.#leave());
    $("look-back").addEventListener("click", () => this.#back());
    $("look-confirm").addEventListener("click", () => this.#confirm());
  }

  // firstOf is what gets the focus in a step: an entry that was begun is gone on with.
  #firstOf(step) {
    if (step === "look") return $("look-confirm");
    return step === "form" ? $("form-fields").querySelector("input") : $("service-choice").querySelector("button");
  }

  paint(snapshot, system, now) {
    const units = system !== this.#system;
    this.#snapshot = snapshot;
    this.#system = system;
    this.#now = now;
    // What was typed was typed in the old unit.
    if (units && this.#form) this.#leave();
    if (!$("service").open) return;
    this.#showRecord();
    this.#showLook();
    for (const button of $("service-choice").children) {
      button.disabled = !(button.dataset.form === "reference_set" ? may.manage() : may.acknowledge());
    }
  }

  #showRecord() {
    const list = record(this.#snapshot, this.#system, this.#now), key = JSON.stringify(list);
    if ($("service-record").dataset.shown === key) return;
    $("service-record").dataset.shown = key;
    $("service-record").replaceChildren(...list.flatMap(([what, words]) => [make("dt", "", what), make("dd", "", words)]));
  }

  #start(name) {
    this.#form = name;
    const form = FORMS[name];
    text($("form-title"), form.title);
    text($("form-hint"), form.hint);
    hide($("form-wrong"), true);
    $("form-fields").replaceChildren(...form.fields.map((f) => this.#field(f)), this.#field({ key: "remark", words: "Remark", remark: true }));
    this.#step("form");
    $("form-fields").querySelector("input").focus();
  }

  #field(f) {
    if (f.choice) {
      const group = make("fieldset", "", make("legend", "", f.words));
      for (const [words, value] of f.choice) {
        const input = make("input");
        Object.assign(input, { type: "radio", name: f.key, value: String(value), id: `field-${f.key}-${value}` });
        const label = make("label", "radio", input, words);
        group.append(label);
      }
      return group;
    }
    const input = make("input");
    Object.assign(input, { name: f.key, id: `field-${f.key}`, maxLength: f.remark ? 300 : 20 });
    if (!f.remark) input.inputMode = "decimal";
    const needed = f.needed || (f.key === "wraps" && mapVoid(this.#snapshot));
    if (needed) input.required = false; // the answer comes in words, beside the button
    const now = this.#reading(f.key);
    const unit = f.remark ? "" : unitOf(f.quantity, this.#system);
    const label = make("label", "", `${f.words}${unit ? `, ${unit}` : ""}${needed || f.remark ? "" : " (may be left out)"}`);
    label.htmlFor = input.id;
    const box = make("div", "field", label, input);
    if (now) box.append(make("small", "note-line", now));
    return box;
  }

  // reading says what the instruments say to a field now.
  #reading(key) {
    const e = this.#snapshot.estimate;
    const [x, quantity, what] = { block_height_m: [e.height_m, "measured", "the monitor has"], hook_load_kN: [e.hook_load_kN, "force", "the reading is"] }[key] ?? [];
    if (!quantity) return "";
    const { text: n, unit } = show(x, quantity, this.#system);
    return n === null ? "no reading now" : `${what} ${n} ${unit} now`;
  }

  #look() {
    const written = Object.fromEntries(new FormData($("service-form")));
    const { work, wrong, why } = read(this.#form, written, this.#system, this.#snapshot);
    hide($("form-wrong"), !why);
    text($("form-wrong"), why ?? "");
    if (!work) {
      $("service-form").elements.namedItem(wrong)?.focus?.();
      return;
    }
    this.#written = { work, remark: String(written.remark ?? "").trim() };
    hide($("look-refused"), true);
    this.#showLook();
    this.#step("look");
    $("look-confirm").focus();
  }

  #showLook() {
    if (!this.#written) return;
    text($("look-title"), `${FORMS[this.#form].title}: what will change`);
    const list = effects(this.#form, this.#written.work, this.#snapshot, this.#system, this.#now), key = JSON.stringify(list);
    if ($("look-list").dataset.shown === key) return;
    $("look-list").dataset.shown = key;
    $("look-list").replaceChildren(...list.map((words) => make("li", "", words)));
  }

  async #confirm() {
    // The button stays as it is meanwhile: one that is disabled would lose the focus.
    if (this.#sending || !this.#written) return;
    const title = FORMS[this.#form].title, { work, remark } = this.#written;
    this.#sending = true;
    const why = await ask({ do: this.#form, work, ...(remark ? { reason: remark } : {}) }, () => this.#confirm());
    this.#sending = false;
    if (why === null) return;
    text($("look-refused"), sentence(why));
    hide($("look-refused"), !why);
    if (why) return;
    toast(`${title}: entered`);
    this.#leave();
  }

  #back() {
    this.#written = null;
    this.#step("form");
    $("form-look").focus();
  }

  #leave() {
    const from = this.#form;
    this.#form = this.#written = null;
    $("form-fields").replaceChildren();
    this.#step("choice");
    $("service-choice").querySelector(`[data-form="${from}"]`)?.focus();
  }

  #step(which) {
    hide($("service-choice"), which !== "choice");
    hide($("service-form"), which !== "form");
    hide($("service-look"), which !== "look");
    attr($("service"), "data-step", which);
  }
}
