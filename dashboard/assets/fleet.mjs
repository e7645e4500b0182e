import { $, attr, hide, text } from "./dom.mjs";
import { FleetAlarms } from "./fleet-alarms.mjs";
import { Tiles } from "./fleet-tiles.mjs";
import { Hold, silence } from "./fleet-words.mjs";
import { Freshness } from "./fresh.mjs";
import { Link } from "./link.mjs";
import { account } from "./me.mjs";
import { post } from "./post.mjs";
import { keep, kept, theme } from "./settings.mjs";
import { toast } from "./toast.mjs";
import { age, clock, SYSTEMS } from "./units.mjs";
import { alarmTitle } from "./words.mjs";

const fresh = new Freshness();
const hold = new Hold();
const tiles = new Tiles();
let me = null; // the account, where there is one
let system = kept("units", SYSTEMS[0]);

const person = () => (me && !me.station ? me.person : kept("person", ""));
const alarms = new FleetAlarms(acknowledge, () => me === null || me.role !== "watch");

// What has been told so far, by rig.
const all = { order: [], tiles: new Map(), alarms: new Map(), watching: new Map(), seq: 0, sent: 0, taken: 0 };

const where = () => `${location.protocol.replace("http", "ws")}//${location.host}/ws/fleet?person=${encodeURIComponent(person())}`;
let link = connect();

function connect() {
  return new Link(where(), { connected: () => fresh.connected(), snapshot: take }, read);
}

// read returns the message in a frame, null where it is none.
function read(frame) {
  try {
    const m = JSON.parse(frame);
    return Number.isFinite(m.seq) && Number.isFinite(m.sent_ms) ? m : null;
  } catch {
    return null;
  }
}

function take(m) {
  const mono = performance.now(), wall = Date.now();
  if (m.whole) {
    for (const part of ["tiles", "alarms", "watching"]) all[part].clear();
  } else if (m.seq !== all.seq + 1) {
    link.reopen(mono); // something was missed: everything is asked for again
    return false;
  }
  all.seq = m.seq;
  all.sent = m.sent_ms;
  all.taken++;
  if (m.order) all.order = m.order;
  for (const tile of m.tiles ?? []) all.tiles.set(tile.rig, tile);
  for (const list of m.alarms ?? []) all.alarms.set(list.rig, list);
  if (m.watching) all.watching = new Map(m.watching.map((w) => [w.rig, w]));
  fresh.received(m, mono, wall);
  if (fresh.age(mono, wall) === Infinity) link.reopen(mono);
  return !fresh.stale(mono, wall);
}

// paint draws all that is not a tile, and the tiles whose turn it is: each is drawn anew
// within TURN, a few of them in each frame, so that no frame has to draw forty.
const TURN = 100; // ms
let turn = 0;

function paint(share = 1) {
  const mono = performance.now(), wall = Date.now();
  const ms = fresh.age(mono, wall), stale = fresh.stale(mono, wall);
  paintStale(stale, ms, mono);
  if (all.seq === 0) return;
  const now = all.sent + Math.min(ms, 1e9);
  const held = hold.held(mono);
  const n = all.order.length;
  for (let left = Math.min(n, Math.ceil(n * share)); left > 0; left--) {
    const rig = all.order[(turn = (turn + 1) % n)];
    tiles.paint(rig, all.tiles.get(rig) ?? null, watchers(rig), now, system);
  }
  if (mono - rested < TURN - 8 && share < 1) return;
  rested = mono;
  const moves = tiles.moves(all.order);
  if (!held || n !== $("rigs").children.length) tiles.arrange(all.order);
  text($("held"), held && moves ? "the order waits while you point" : "");
  for (const rig of [...all.alarms.keys()]) if (!all.order.includes(rig)) all.alarms.delete(rig);
  alarms.rigs(all.order);
  alarms.paint(all.alarms, now, held);
  paintTop(now);
  attr($("rigs"), "data-seq", all.taken);
}

let rested = 0;

function paintTop(now) {
  const lost = all.order.filter((rig) => !heard(rig, now));
  text($("clock"), clock(now, -new Date(now).getTimezoneOffset()));
  text($("count"), `${all.order.length} rig${all.order.length === 1 ? "" : "s"}${lost.length ? `, ${all.order.length - lost.length} heard` : ""}`);
  hide($("lost"), lost.length === 0);
  text($("lost"), lost.length === 0 ? "" : `No readings from ${lost.length === 1 ? lost[0] : `${lost.length} rigs: ${lost.slice(0, 12).join(", ")}${lost.length > 12 ? " and more" : ""}`}`);
  const here = all.watching.get("");
  text($("people"), here ? `${here.pages} page${here.pages === 1 ? "" : "s"} like this${here.who.length ? `: ${here.who.join(", ")}` : ""}` : "");
}

function heard(rig, now) {
  const tile = all.tiles.get(rig);
  return Boolean(tile) && tile.newest_ms > 0 && now - tile.newest_ms <= silence(tile);
}

function watchers(rig) {
  const w = all.watching.get(rig);
  if (!w) return "";
  const others = w.pages - w.who.length;
  return `watched by ${[...w.who, ...(others > 0 ? [w.who.length ? `${others} more` : `${others} page${others > 1 ? "s" : ""}`] : [])].join(", ")}`;
}

function paintStale(stale, ms, mono) {
  if ($("stale").hidden === stale) {
    hide($("stale"), !stale);
    $("page").inert = stale;
    if (stale) for (const dialog of document.querySelectorAll("dialog[open]")) dialog.close();
  }
  if (!stale) return;
  const heard = all.seq > 0 && Number.isFinite(ms);
  text($("stale-age"), heard ? `No news from the monitor for ${age(ms / 1000)}` : all.seq > 0 ? "What came may be old: asking again" : "Nothing has come from the monitor yet");
  const retry = link.retryIn(mono);
  text($("stale-more"), `${link.state === "connected" ? "connected, but nothing new comes" : link.state}${retry === null ? "" : `, trying again in ${age(retry / 1000)}`}`);
  const loud = [...all.tiles.values()].filter((t) => t.priority === "emergency" || t.priority === "high");
  text($("stale-alarms"), loud.length ? `When last heard: ${loud.slice(0, 6).map((t) => `${t.rig}: ${t.title} (${t.priority})`).join("; ")}${loud.length > 6 ? `; and ${loud.length - 6} more` : ""}` : "");
}

async function acknowledge(a) {
  if (!person()) {
    askPerson(() => acknowledge(a));
    return;
  }
  const act = { do: "acknowledge", rig: a.rig, alarm: a.alarm, channel: a.channel ?? "", occurrence: a.occurrence, version: a.version, person: person() };
  const why = await post(`/api/rigs/${encodeURIComponent(a.rig)}/acts`, act);
  toast(`${a.rig}: ${alarmTitle(a)}: ${why || `acknowledged by ${act.person}`}`);
}

let afterPerson = null;

function askPerson(then) {
  afterPerson = then;
  for (const dialog of document.querySelectorAll("dialog[open]")) dialog.close();
  $("person-name").value = kept("person", "");
  $("person").showModal();
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
  $("person").close();
  meet();
  then?.();
}

// meet makes the connection anew under the name of who watches now.
function meet() {
  const old = link;
  link = connect();
  old.end();
  link.tend(performance.now());
}

function showPerson() {
  text($("person-button"), person() || "your name?");
  $("person-button").disabled = me !== null && !me.station;
}

function showUnits() {
  text($("units-button"), system);
  $("units-button").setAttribute("aria-label", `units: ${system}, change`);
}

$("units-button").addEventListener("click", () => {
  system = SYSTEMS[(SYSTEMS.indexOf(system) + 1) % SYSTEMS.length];
  keep("units", system);
  showUnits();
  paint();
});
$("person-button").addEventListener("click", () => askPerson(null));
$("person-keep").addEventListener("click", keepPerson);
$("person-name").addEventListener("keydown", (event) => { if (event.key === "Enter") keepPerson(); });
for (const button of document.querySelectorAll("[data-close]")) button.addEventListener("click", () => button.closest("dialog").close());
for (const event of ["pointermove", "pointerdown", "keydown", "wheel"]) {
  $("page").addEventListener(event, () => hold.touch(performance.now()), { passive: true });
}
for (const id of ["of-rig", "least", "only-new", "only-aside"]) $(id).addEventListener("change", () => paint());
theme($("theme-button"));
showUnits();
showPerson();
account().then((who) => {
  if (who === "out") return location.assign("/sign-in?to=/fleet");
  me = who;
  if (me?.units) {
    system = me.units;
    showUnits();
  }
  showPerson();
});

function wake() {
  link.tend(performance.now());
  paint();
}

let painted = 0;

function frame(mono) {
  link.tend(mono);
  paint(Math.min(1, (mono - painted) / TURN));
  painted = mono;
  requestAnimationFrame(frame);
}

document.addEventListener("visibilitychange", wake);
window.addEventListener("pageshow", wake);
window.addEventListener("online", () => link.reopen(performance.now()));
requestAnimationFrame(frame);
// In a hidden tab there are no frames, and this goes on, slower.
setInterval(() => { if (performance.now() - painted > 400) wake(); }, 500);
wake();
