import { ask, hasAccount, may, person, signedIn, tell } from "./acts.mjs";
import { $, flag, hide, text } from "./dom.mjs";
import * as drawers from "./drawers.mjs";
import { Freshness } from "./fresh.mjs";
import { Horn } from "./horn.mjs";
import { Link } from "./link.mjs";
import { account, prefer } from "./me.mjs";
import { paintAct } from "./paint-act.mjs";
import { AlarmList } from "./paint-alarms.mjs";
import { paintAside, tendAside } from "./paint-aside.mjs";
import { paintFoot, showRejects, showSickness } from "./paint-foot.mjs";
import { paintMast } from "./paint-mast.mjs";
import { paintMatrix } from "./paint-matrix.mjs";
import { ServiceDrawer } from "./paint-service.mjs";
import { paintTiles } from "./paint-tiles.mjs";
import { adoptTheme, keep, kept, likedTheme, theme } from "./settings.mjs";
import { decide, quiet } from "./sounding.mjs";
import { toast } from "./toast.mjs";
import { Trends } from "./trends.mjs";
import { age, clock, SYSTEMS } from "./units.mjs";
import { activity, alarmTitle, listed, operation, sickness } from "./words.mjs";

const rig = document.body.dataset.rig;
const fresh = new Freshness();
const horn = new Horn();
const alarms = new AlarmList(act);
const service = new ServiceDrawer();
const trends = new Trends();
const link = new Link(`${location.protocol.replace("http", "ws")}//${location.host}/ws/${encodeURIComponent(rig)}?person=${encodeURIComponent(person())}`, {
  connected: () => fresh.connected(),
  snapshot(s) {
    const mono = performance.now(), wall = Date.now();
    s.alarms = listed(s.alarms);
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
  const doing = activity(s.estimate.activity), at = operation(s.work);
  text($("operation"), at);
  hide($("operation"), at === "");
  text($("motion"), doing ?? "activity not known");
  flag($("activity"), "hatched", doing === null);
  const ill = sickness(s.sick);
  text($("sick"), ill);
  hide($("sick"), ill === "");
  const acting = paintAct(s, system);
  paintMast(s, system, acting.level);
  paintTiles(s, system, extra, now);
  alarms.paint(s.alarms, s.alarm_rate, now, paintAside(s, now));
  paintFoot(s, system, extra, now, link.broken);
  paintMatrix(s, system);
  service.paint(s, system, now);
  trends.paint(s, system, now);
  if (acting.size === 3 && !wasActing) drawers.close();
  wasActing = acting.size === 3;
}

let covered = null; // what had the focus when the page went stale

// cover takes everything under the overlay out of reach. An open drawer stays as it was,
// with what was typed: a moment's silence must not cost an entry.
function cover(stale) {
  if (stale) covered = document.activeElement;
  $("page").inert = stale;
  for (const dialog of document.querySelectorAll("dialog")) dialog.inert = stale;
  if (!stale && covered?.isConnected && document.activeElement === document.body) covered.focus({ preventScroll: true });
}

// A session that ended is one reason for silence: the person can mend that.
const ASK_WHO_EVERY = 5000; // ms
let askedWho = 0, signedOut = false;

function paintStale(stale, ms, mono) {
  if ($("stale").hidden === stale) {
    hide($("stale"), !stale);
    cover(stale);
  }
  hide($("stale-out"), !stale || !signedOut);
  if (!stale) return;
  if (mono > askedWho + ASK_WHO_EVERY) {
    askedWho = mono;
    account().then((who) => { signedOut = who === "out"; });
  }
  const heard = newest && Number.isFinite(ms);
  text($("stale-age"), heard ? `No news from the monitor for ${age(ms / 1000)}` : newest ? "What came may be old: asking again" : "Nothing has come from the monitor yet");
  const retry = link.retryIn(mono);
  text($("stale-more"), `${link.state === "connected" ? "connected, but nothing new comes" : link.state}${retry === null ? "" : `, trying again in ${age(retry / 1000)}`}`);
  const standing = newest ? newest.alarms.filter((a) => a.active) : [];
  text($("stale-alarms"), standing.length ? `Standing when last heard: ${standing.map((a) => `${a.title} (${a.priority})`).join(", ")}` : "");
}

// act asks the server for something of one alarm, after a name where there is none. It
// returns why it was refused, "" when it was taken, null while a name is asked for.
async function act(what, alarm, more = {}) {
  const ofOccurrence = what === "acknowledge" || what === "reset" || what === "silence";
  const why = await ask({
    do: what, alarm: alarm.alarm, channel: alarm.channel ?? "", ...(ofOccurrence ? { occurrence: alarm.occurrence, version: alarm.version } : {}), ...more,
  }, () => act(what, alarm, more));
  if (why) toast(`${alarmTitle(alarm)}: ${why}`);
  else if (why === "") toast(`${alarmTitle(alarm)}: ${DONE[what]} by ${person()}`);
  return why;
}

const DONE = {
  acknowledge: "acknowledged", reset: "reset", silence: "silenced", shelve: "shelved", unshelve: "unshelved",
  out_of_service: "taken out of service", return_to_service: "returned to service",
};

function showUnits() {
  text($("units-button"), system);
  $("units-button").setAttribute("aria-label", `${system} units, change`);
}

function silence() {
  sound = decide(sound, newest?.alarms ?? [], { silence: true, stale: fresh.stale(performance.now(), Date.now()) });
  horn.play(sound.pattern);
  // This page is quiet at once, whatever the server says; the others only by the server.
  if (!person() || !may.acknowledge()) return;
  for (const a of (newest?.alarms ?? []).filter((x) => x.can_silence).slice(0, SILENCE_MOST)) {
    tell("acts", { do: "silence", alarm: a.alarm, channel: a.channel ?? "", occurrence: a.occurrence, version: a.version, person: person() });
  }
}

const SILENCE_MOST = 20; // acts that one touch sends; alarms beyond go on sounding elsewhere

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
  tell("sound", { page, running, reason: horn.reason() }).then((why) => {
    if (why) reported.again = mono + REPORT_RETRY; // the overlay says that the server is away
  });
}

$("sound-button").addEventListener("click", startSound);
$("sound-banner").addEventListener("click", startSound);
$("silence").addEventListener("click", silence);
$("stale-silence").addEventListener("click", silence);
$("units-button").addEventListener("click", () => {
  system = SYSTEMS[(SYSTEMS.indexOf(system) + 1) % SYSTEMS.length];
  keep("units", system);
  like();
  showUnits();
  paint();
});
$("sick").addEventListener("click", () => newest && showSickness(newest.sick));
$("rejects").addEventListener("click", () => newest && showRejects(newest));
tendAside(act);
theme($("theme-button"));
$("theme-button").addEventListener("click", like);
showUnits();
$("stale-sign-in").href = `/sign-in?to=${encodeURIComponent(location.pathname)}`;
account().then((who) => {
  if (!who || who === "out") return;
  signedIn(who);
  adoptTheme(who.theme);
  if (SYSTEMS.includes(who.units)) {
    system = who.units;
    showUnits();
    paint();
  }
});

// like keeps a choice with the account too, where there is one.
function like() {
  if (hasAccount()) prefer({ units: system, theme: likedTheme() });
}

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
