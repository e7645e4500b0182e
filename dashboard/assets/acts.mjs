// What a person asks of the server, under a name.

import { $, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { signOut } from "./me.mjs";
import { post } from "./post.mjs";
import { keep, kept } from "./settings.mjs";

const path = `/api/rigs/${encodeURIComponent(document.body.dataset.rig)}`;

// account is who the server knows by a session; null where there are no accounts, and a
// name is only what somebody typed here. A cabin's own account has a name typed as well.
let account = null;

const typed = () => account === null || account.station;
export const person = () => (typed() ? kept("person", "") : account.person);

// may tells what this person's role allows, as far as this page knows; the server decides.
export const may = {
  acknowledge: () => account === null || account.role !== "watch",
  manage: () => account === null || account.role === "manage",
};

export function signedIn(who) {
  account = who;
  showPerson();
}

export const hasAccount = () => account !== null;

// ask sends one act and returns why it was refused, or "". It returns null where a
// name was missing: then it is asked for first, and again is called once there is one.
export async function ask(act, again) {
  if (!person()) {
    askPerson(again);
    return null;
  }
  return tell("acts", { ...act, person: person() });
}

// tell posts body to one of this rig's routes; see post.
export const tell = (what, body) => post(`${path}/${what}`, body);

let afterPerson = null;

function askPerson(then) {
  const before = drawers.openDrawer()?.id ?? null;
  afterPerson = () => {
    if (before) drawers.show(before);
    then?.();
  };
  $("person-name").value = kept("person", "");
  drawers.show("person", $("person-name"));
}

function keepPerson() {
  const name = $("person-name").value.trim();
  if (!name) {
    $("person-name").focus();
    return;
  }
  keep("person", name);
  showPerson();
  const then = afterPerson;
  drawers.close();
  then?.();
}

function showPerson() {
  const name = person();
  text($("person-button"), name || "your name?");
  text($("you-button"), name || "your name?");
  $("you-button").setAttribute("aria-label", `${name || "your name?"}: name, units and colours`);
  $("person-button").disabled = !typed();
  $("sign-out").hidden = account === null;
  text($("you-role"), account ? `signed in${account.station ? ` as ${account.person}` : ""}, may ${{ watch: "watch", acknowledge: "watch and acknowledge", manage: "watch, acknowledge and manage" }[account.role] ?? account.role}` : "");
}

$("person-button").addEventListener("click", () => askPerson(null));
$("person-keep").addEventListener("click", keepPerson);
$("person-name").addEventListener("keydown", (event) => { if (event.key === "Enter") keepPerson(); });
$("you-button").addEventListener("click", () => drawers.show("you"));
$("sign-out").addEventListener("click", signOut);
showPerson();
