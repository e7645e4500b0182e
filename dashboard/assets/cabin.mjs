import { $, flag, hide, make, text } from "./dom.mjs";
import { Freshness } from "./fresh.mjs";
import { Horn } from "./horn.mjs";
import { Link } from "./link.mjs";
import { paintAct } from "./paint-act.mjs";
import { AlarmList } from "./paint-alarms.mjs";
import { paintFoot, showRejects } from "./paint-foot.mjs";
import { paintMast } from "./paint-mast.mjs";
import { paintTiles } from "./paint-tiles.mjs";
import { keep, kept, theme } from "./settings.mjs";
import { decide, quiet } from "./sounding.mjs";
import { age, clock, SYSTEMS } from "./units.mjs";
import { activity } from "./words.mjs";

const rig = document.body.dataset.rig;
const path = `/api/rigs/${encodeURIComponent(rig)}`;
const fresh = new Freshness();
const horn = new Horn();
const alarms = new AlarmList(act);
const link = new Link(`ws://${location.host}/ws/${encodeURIComponent(rig)}`, {
  connected: () => fresh.connected(),
  snapshot(s) {
    const mono = performance.now(), wall = Date.now();
    fresh.received(s, mono, wall);
    newest = s;
    paint();
    if (fresh.age(mono, wall) === Infinity) link.reopen(mono);
    return !fresh.stale(mono, wall);
  },
});

let newest = null;
let system = kept("units", SYSTEMS[0]);
let sound = quiet;
let wasActing = false;

// paint draws everything from the newest snapshot and the present instant.
function paint() {
  const mono = performance.now(), wall = Date.now();
  const ms = fresh.age(mono, wall);
  const stale = fresh.stale(mono, wall);
  if (newest) paintSnapshot(newest, Math.min(ms, 1e9));
  paintStale(stale, ms, mono);
  sound = decide(sound, stale ? [] : newest.alarms, { stale });
  $("silence").disabled = sound.pattern === null;
  $("stale-silence").disabled = sound.pattern === null;
}

function paintSnapshot(s, ms) {
  const extra = ms / 1000, now = s.server_ms + ms;
  text($("clock"), clock(now, -new Date(now).getTimezoneOffset()));
  text($("newest"), s.newest_ms > 0 ? `newest reading ${age((now - s.newest_ms) / 1000)} old` : "no reading yet");
  const doing = activity(s.estimate.activity);
  text($("activity"), doing ?? "activity not known");
  flag($("activity"), "hatched", doing === null);
  const acting = paintAct(s, system);
  paintMast(s, system, acting.level);
  paintTiles(s, system, extra);
  alarms.paint(s, now);
  paintFoot(s, system, extra, now, link.broken);
  if (acting.size === 3 && !wasActing) closeDialogs();
  wasActing = acting.size === 3;
}

function paintStale(stale, ms, mono) {
  if ($("stale").hidden === stale) {
    hide($("stale"), !stale);
    $("page").inert = stale;
    if (stale) closeDialogs();
  }
  if (!stale) return;
  const heard = newest && Number.isFinite(ms);
  text($("stale-age"), heard ? `No news from the monitor for ${age(ms / 1000)}` : newest ? "What came may be old: asking again" : "Nothing has come from the monitor yet");
  const retry = link.retryIn(mono);
  text($("stale-more"), `${link.state === "connected" ? "connected, but nothing new comes" : link.state}${retry === null ? "" : `, trying again in ${age(retry / 1000)}`}`);
  const standing = newest ? newest.alarms.filter((a) => a.active) : [];
  text($("stale-alarms"), standing.length ? `Standing when last heard: ${standing.map((a) => `${a.title} (${a.priority})`).join(", ")}` : "");
}

function closeDialogs() {
  for (const dialog of document.querySelectorAll("dialog[open]")) dialog.close();
}

// act asks the server, after asking for a name the first time.
async function act(what, alarm) {
  const person = kept("person", "");
  if (!person) {
    askPerson(() => act(what, alarm));
    return;
  }
  const body = JSON.stringify({
    do: what, alarm: alarm.alarm, channel: alarm.channel ?? "", occurrence: alarm.occurrence, version: alarm.version, person,
  });
  try {
    const answer = await fetch(`${path}/acts`, {
      method: "POST", body, headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(5000),
    });
    const said = await answer.json();
    if (answer.ok) toast(`${alarm.title}: ${what === "reset" ? "reset" : "acknowledged"} by ${person}`);
    else toast(`${alarm.title}: refused: ${said.refused ?? said.error}`);
  } catch (error) {
    toast(`${alarm.title}: not done, the monitor did not answer (${error.message})`);
  }
}

let toastTimer = 0;

function toast(words) {
  text($("toast"), words);
  flag($("toast"), "shown", true);
  clearTimeout(toastTimer);
  toastTimer = setTimeout(() => flag($("toast"), "shown", false), 6000);
}

let afterPerson = null;

function askPerson(then) {
  afterPerson = then;
  closeDialogs();
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
  then?.();
}

function showPerson() {
  const name = kept("person", "");
  text($("person-button"), name || "your name?");
}

function showUnits() {
  text($("units-button"), system);
  $("units-button").setAttribute("aria-label", `units: ${system}, change`);
}

function silence() {
  sound = decide(sound, newest?.alarms ?? [], { silence: true, stale: fresh.stale(performance.now(), Date.now()) });
  horn.play(sound.pattern);
}

async function startSound() {
  try {
    await horn.start();
  } catch (error) {
    toast(`Sound cannot be turned on: ${error.message}`);
  }
  tendSound();
}

const page = crypto.randomUUID?.() ?? String(Math.random());
const REPORT_EVERY = 15000; // ms
const REPORT_RETRY = 4000; // ms
let reported = { running: null, again: 0 };

// tendSound keeps the horn going, shows whether it can be heard, and tells the server.
function tendSound() {
  const mono = performance.now();
  const running = horn.running(mono);
  horn.play(sound.pattern);
  hide($("sound-banner"), running);
  text($("sound-button"), running ? "sound on" : "sound off");
  if (running === reported.running && mono < reported.again) return;
  reported = { running, again: mono + REPORT_EVERY };
  fetch(`${path}/sound`, {
    method: "POST", headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(5000),
    body: JSON.stringify({ page, running, reason: horn.reason() }),
  }).catch(() => { reported.again = mono + REPORT_RETRY; }); // the overlay says that the server is away
}

$("sound-button").addEventListener("click", startSound);
$("sound-banner").addEventListener("click", startSound);
$("silence").addEventListener("click", silence);
$("stale-silence").addEventListener("click", silence);
$("units-button").addEventListener("click", () => {
  system = SYSTEMS[(SYSTEMS.indexOf(system) + 1) % SYSTEMS.length];
  keep("units", system);
  showUnits();
  paint();
});
$("person-button").addEventListener("click", () => askPerson(null));
$("person-keep").addEventListener("click", keepPerson);
$("person-name").addEventListener("keydown", (event) => { if (event.key === "Enter") keepPerson(); });
$("rejects").addEventListener("click", () => newest && showRejects(newest));
for (const button of document.querySelectorAll("[data-close]")) {
  button.addEventListener("click", () => button.closest("dialog").close());
}
theme($("theme-button"));
showUnits();
showPerson();

function wake() {
  link.tend(performance.now());
  paint();
}

const PAINT_EVERY = 100; // ms
let painted = 0;

function frame(mono) {
  if (mono - painted >= PAINT_EVERY - 8) {
    painted = mono;
    wake();
  }
  requestAnimationFrame(frame);
}

document.addEventListener("visibilitychange", wake);
window.addEventListener("pageshow", wake);
window.addEventListener("resize", paint);
window.addEventListener("online", () => link.reopen(performance.now()));
requestAnimationFrame(frame);
setInterval(() => { wake(); tendSound(); }, 500); // goes on, slower, in a hidden tab: the horn must
wake();
tendSound();
