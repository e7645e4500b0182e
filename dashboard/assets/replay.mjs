import { $, hide, make, place, text } from "./dom.mjs";
import { Mast } from "./mast.mjs";
import { ask, forget, Frames, play, series } from "./replay-data.mjs";
import { figureInfo, figurePNG, figureSVG, save } from "./replay-export.mjs";
import { keys, overview, pointer } from "./replay-hands.mjs";
import { lanesHeight, lanesWords, paintAlarms, paintAxis, paintLanes, paintOverview } from "./replay-lanes.mjs";
import { GUTTER, linesOf, Plot, PLOTS } from "./replay-plots.mjs";
import { currentAlarm, listAlarms, listValues, paintValues, stateWords, tabs } from "./replay-side.mjs";
import { advance, day, fit, follow, occurrences, parseTime, SPEEDS, utc, zoom } from "./replay-time.mjs";
import { WhatIf } from "./replay-whatif.mjs";
import { keep, kept, theme } from "./settings.mjs";
import { SYSTEMS, number } from "./units.mjs";

let system = kept("units", SYSTEMS[0]);
let recordings = [];
let shown = null; // what is open: {run, track, frames, whole, alarms, file}
let changed = null; // the run under a change: {run, track, frames}
let view = { from: 0, to: 1 };
let at = 0; // cursor, ms
let playing = false;
let plots = [];
let data = null, other = null; // series of the window as drawn
let chosen = new Set(kept("replay.plots", "height,speed,load,pressure,heat").split(","));
let busy = null; // AbortController of a run
let overviewSeries = null;

const masts = {};
const what = new WhatIf(() => { $("what-clear").disabled = !changed && what.settings.length === 0; });

// ---- status

function trouble(words) {
  text($("trouble"), words ?? "");
  hide($("trouble"), !words);
}

function status(words, share) {
  hide($("status"), words === null);
  if (words === null) return;
  text($("status-words"), words);
  if (share === null) $("status-bar").removeAttribute("value");
  else $("status-bar").value = share;
}

// run plays a request with its progress shown; null where it was cancelled or failed.
async function run(request, words) {
  busy?.abort();
  const mine = (busy = new AbortController());
  trouble(null);
  status(words, null);
  try {
    const done = await play(request, (now) => {
      if (busy === mine) status(now.state === "waiting" ? `${words}: waiting for another replay to end` : words, now.state === "waiting" ? null : now.progress);
    }, mine.signal);
    return busy === mine ? done : null;
  } catch (err) {
    if (err.name !== "AbortError") trouble(err.message);
    return null;
  } finally {
    if (busy === mine) {
      busy = null;
      status(null);
    }
  }
}

// ---- picking

function label(r) {
  const size = r.bytes > 1e6 ? `${number(r.bytes / 1e6, 1)} MB` : `${number(r.bytes / 1e3, 0)} kB`;
  const parts = [r.from_ms ? `${day(r.from_ms)} ${utc(r.from_ms, 0)} to ${utc(r.to_ms, 0)}` : "no entries"];
  parts.push(r.alarms === 1 ? "1 alarm recorded" : `${r.alarms} alarms recorded`, size);
  if (r.live) parts.push("being recorded");
  if (r.damaged) parts.push("damaged");
  return `${r.rig || r.id}  ${parts.join(", ")}`;
}

async function list() {
  recordings = await ask("/api/replay/recordings");
  const old = $("recording").value;
  $("recording").replaceChildren(...recordings.map((r) => {
    const o = new Option(label(r), r.id);
    o.disabled = !r.from_ms;
    return o;
  }));
  if (recordings.some((r) => r.id === old)) $("recording").value = old;
  hide($("none"), recordings.length > 0);
  if (!recordings.length) hide($("page"), true);
  return recordings;
}

function windowAsked(r) {
  const from = parseTime($("from-time").value, r.from_ms), to = parseTime($("to-time").value, r.from_ms);
  if (Number.isNaN(from) || Number.isNaN(to)) {
    trouble("The times cannot be read: want 12:30, 12:30:15 or a whole time such as 2026-11-24T12:30:00Z.");
    return null;
  }
  if (from !== null && to !== null && from >= to) {
    trouble("The window ends before it begins.");
    return null;
  }
  return { from_ms: from ?? 0, to_ms: to ?? 0 };
}

async function open(where) {
  const r = recordings.find((x) => x.id === $("recording").value);
  if (!r) return;
  const win = windowAsked(r);
  if (!win) return;
  pause();
  const done = await run({ kind: "replay", recordings: [r.id], ...win }, `playing ${r.rig} ${day(r.from_ms)} through the detectors`);
  if (!done) return;
  forget(shown?.run.id);
  dropChange();
  const track = done.result.track;
  if (!track.rows) return trouble(["Nothing was recorded in that stretch.", ...done.problems].join("\n"));
  shown = {
    run: done, track, file: r, win, alarms: occurrences(track.alarms),
    frames: new Frames(done.id, track.rows, frameCame), whole: { from: track.from_ms, to: Math.max(track.to_ms, track.from_ms + 1000) },
  };
  if (done.problems.length) trouble(`What could not be used of this recording:\n${done.problems.join("\n")}`);
  hide($("page"), false);
  view = fit(shown.whole, shown.whole);
  at = Math.min(Math.max(where ?? shown.alarms[0]?.at_ms ?? track.from_ms, shown.whole.from), shown.whole.to);
  document.title = `${track.rig} ${day(track.from_ms)}: replay`;
  listValues($("value-list"), track.columns);
  choices();
  fillAlarms();
  overviewSeries = null;
  build();
  history.replaceState(null, "", `/replay?${new URLSearchParams({ recording: r.id, from_ms: win.from_ms, to_ms: win.to_ms })}`);
  overviewSeries = await series(done.id, shown.whole, 800, [has().has("height_m") ? "height_m" : track.columns[0].name]).catch(() => null);
  paintWindow();
  await what.offer(done.id, shown.alarms.map((a) => a.alarm)).catch((err) => trouble(err.message));
}

const has = () => new Set(shown.track.columns.map((c) => c.name));
const hasChanged = () => (changed ? new Set(changed.track.columns.map((c) => c.name)) : null);

// ---- plots

function choices() {
  const there = PLOTS.filter((p) => linesOf(p, has(), null).length);
  $("plot-choice").replaceChildren(make("legend", "", "Plots"), ...there.map((p) => {
    const box = make("input");
    box.type = "checkbox";
    box.checked = chosen.has(p.id);
    box.addEventListener("change", () => {
      if (box.checked) chosen.add(p.id);
      else chosen.delete(p.id);
      keep("replay.plots", [...chosen].join(","));
      build();
    });
    return make("label", "", box, ` ${p.title}`);
  }));
}

const width = () => $("plot-list").clientWidth;

const LANE = 24, AXIS = 30; // px, of the alarms and of the times

// heights shares what the lanes and the legends leave.
function heights(list) {
  const room = innerWidth <= 1000 ? list.length * 110
    : $("plots-place").clientHeight - lanesHeight(shown.track.lanes) - LANE - AXIS - plots.reduce((sum, p) => sum + p.legendHeight, 0);
  const shares = list.reduce((s, p) => s + (p.share ?? 1), 0);
  return list.map((p) => Math.floor(Math.max(p.share ? 96 : 44, (room * (p.share ?? 1)) / shares)));
}

function build() {
  for (const p of plots) p.remove();
  const list = PLOTS.filter((p) => chosen.has(p.id) && linesOf(p, has(), hasChanged()).length);
  plots = list.map((p) => new Plot(p, $("plot-list"), { system, has: has(), changed: hasChanged(), width: width(), height: 44 }));
  heights(list).forEach((tall, i) => plots[i].size(width(), tall));
  for (const p of plots) p.mark({ gaps: shown.track.gaps, alarms: shown.alarms, marks: marksOf(p.plot) });
  data = other = null;
  fetchWindow();
  paintWindow();
  moved();
}

const session = (track) => track.sessions.findLast((s) => s.at_ms <= at) ?? track.sessions[0];

function marksOf(plot) {
  const s = session(shown.track);
  if (!s) return [];
  if (plot.marks === "mast") {
    return [["crown limit", s.mast.crown_limit_m], ["floor limit", s.mast.floor_limit_m]].filter(([, v]) => v !== null).map(([name, value]) => ({ name, value }));
  }
  if (plot.marks === "heat") {
    return [["amber mark", s.ratings.amber_C], ["red mark", s.ratings.red_C]].filter(([, v]) => v !== null).map(([name, value]) => ({ name, value }));
  }
  return [];
}

let fetching = null, waiting = 0;

// fetchWindow asks for what is seen now, once the view rests.
function fetchWindow() {
  clearTimeout(waiting);
  waiting = setTimeout(fetchNow, data ? 60 : 0);
}

async function fetchNow() {
  if (!shown || !plots.length) return;
  fetching?.abort();
  const mine = (fetching = new AbortController());
  const wanted = { ...view }, points = Math.max(100, Math.min(2000, Math.round(width() - GUTTER)));
  const columns = (set, ofChanged) => [...new Set(plots.flatMap((p) => p.lines.filter((l) => l.changed === ofChanged).map((l) => l.line[0])))].filter((n) => set.has(n));
  try {
    const [a, b] = await Promise.all([
      series(shown.run.id, wanted, points, columns(has(), false), mine.signal),
      changed ? series(changed.run.id, wanted, points, columns(hasChanged(), true), mine.signal) : null,
    ]);
    if (fetching !== mine) return;
    fetching = null;
    data = a;
    other = b;
    drawPlots();
  } catch (err) {
    if (err.name !== "AbortError") lostRun(err);
  }
}

function lostRun(err) {
  pause();
  if (err.status === 404) trouble("The server has forgotten this replay, as nobody asked for it for a while: open the recording again.");
  else trouble(`The server did not answer: ${err.message}`);
}

// drawPlots draws the newest answer in the window of now: while another is on its way it
// is stretched.
function drawPlots() {
  if (!data) return;
  for (const p of plots) p.draw(view, data, other);
  document.body.dataset.drawn = `${data.from_ms}-${data.to_ms}-${data.raw ? "raw" : data.t.length}`;
}

function paintWindow() {
  if (!shown) return;
  const { track, whole } = shown;
  paintAlarms($("alarm-lane"), shown.alarms, view, go);
  paintLanes($("lanes-canvas"), track.lanes, track.gaps, view, width());
  $("lanes-canvas").setAttribute("aria-label", lanesWords(track.lanes, view));
  paintAxis($("time-axis"), view);
  paintOverview($("overview-canvas"), overviewSeries, shown.alarms, track.gaps, whole);
  const span = whole.to - whole.from;
  place($("overview-window"), { left: `${(100 * (view.from - whole.from)) / span}%`, width: `${(100 * (view.to - view.from)) / span}%` });
}

function look(next) {
  view = fit(next, shown.whole);
  drawPlots();
  fetchWindow();
  paintWindow();
  paintCursor();
}

// ---- the cursor

function paintCursor() {
  const x = GUTTER + ((at - view.from) / (view.to - view.from)) * (width() - GUTTER);
  hide($("cursor"), at < view.from || at > view.to);
  place($("cursor"), { transform: `translateX(${(x - 1).toFixed(1)}px)` });
  $("scrub").value = Math.round((1000 * (at - view.from)) / (view.to - view.from));
  $("scrub").setAttribute("aria-valuetext", `${utc(at)} UTC`);
}

let seen = null; // row drawn last

// moved draws what stands at the cursor.
function moved() {
  if (!shown) return;
  paintCursor();
  text($("now-time"), `${utc(at)} UTC`);
  const frame = shown.frames.at(at), twin = changed?.frames.at(at) ?? null;
  document.body.dataset.row = frame ? frame.row : "";
  $("page").setAttribute("aria-busy", String(!frame));
  if (!frame && seen && Math.abs(seen.t - at) < 1500) return; // on its way: what stands is of a moment ago
  seen = frame;
  text($("now-words"), frame ? stateWords(frame) : "not here yet");
  paintMast("mast", shown.track, frame);
  if (changed) paintMast("mast-changed", changed.track, twin);
  for (const p of plots) p.values(frame, twin);
  if (!$("panel-values").hidden) paintValues($("value-list"), frame, system);
  if (!$("panel-alarms").hidden && !playing) currentAlarm($("alarm-list"), at);
}

const MAST = ["height_m", "velocity_mps", "rest_up_m", "rest_up_bound_m", "rest_down_m", "rest_down_bound_m"];

function paintMast(id, track, frame) {
  masts[id] ??= new Mast($(id), { full: true });
  const state = { ...(session(track)?.mast ?? {}), cannot_stop: false, blind: "", level: null, why: { crown: "", floor: "", height: "no estimate at this moment" } };
  for (const name of MAST) state[name] = frame?.value(name) ?? null;
  if (frame) Object.assign(state, { cannot_stop: Boolean(frame.words.cannot_stop), blind: frame.words.blind ?? "" });
  masts[id].draw(state, system);
}

function frameCame(err) {
  if (err) lostRun(err);
  else moved();
}

// go sets the cursor, and moves the window where it would not be seen.
function go(ms, { still = false } = {}) {
  if (!shown) return;
  at = Math.min(Math.max(ms, shown.whole.from), shown.whole.to);
  const next = follow(view, at, shown.whole, playing);
  if (next !== view && !still) look(next);
  moved();
}

// step goes n rows on from the one at the cursor.
async function step(n) {
  pause();
  const { frames, track } = shown;
  let here = frames.at(at);
  for (let tries = 0; !here && tries < 50; tries++) {
    await new Promise((done) => setTimeout(done, 20));
    here = frames.at(at);
  }
  if (!here) return;
  let to = here.row, left = Math.abs(n), last = null;
  while (left > 0) {
    to += Math.sign(n);
    const next = to < 0 || to >= track.rows ? null : await frames.near(to);
    if (!next) break;
    if (next.words.break) continue;
    last = next;
    left--;
  }
  if (last) go(last.t);
}

function toAlarm(way) {
  const list = shown.alarms.map((a) => a.at_ms);
  const next = way > 0 ? list.find((t) => t > at) : list.findLast((t) => t < at);
  if (next !== undefined) {
    pause();
    go(next);
  }
}

// ---- playing

let then = 0;

function pause() {
  playing = false;
  text($("play"), "play");
  $("play").setAttribute("aria-pressed", "false");
}

function playOn() {
  if (!shown) return;
  if (at >= shown.whole.to) go(shown.whole.from);
  playing = true;
  text($("play"), "pause");
  $("play").setAttribute("aria-pressed", "true");
  then = performance.now();
  requestAnimationFrame(tick);
}

function tick(now) {
  if (!playing) return;
  if (shown.frames.at(at)) { // else it waits for the rows
    const next = advance(at, now - then, Number($("speed").value), shown.whole);
    if (next.over) pause();
    go(next.at);
  }
  then = now;
  requestAnimationFrame(tick);
}

const faster = (by) => {
  const i = SPEEDS.indexOf(Number($("speed").value)) + by;
  if (i >= 0 && i < SPEEDS.length) $("speed").value = SPEEDS[i];
};

// ---- what if

async function compare() {
  const request = { recordings: [shown.file.id], ...shown.win, set: what.settings };
  if (what.sweeps) {
    const done = await run({ kind: "sweep", ...request, alarm: $("what-alarm").value }, "sweeping");
    if (done) {
      what.showSweep(done.result);
      forget(done.id);
    }
    return;
  }
  const done = await run({ kind: "what-if", ...request }, "playing both ways");
  if (!done) return;
  forget(changed?.run.id);
  const track = done.result.track;
  changed = { run: done, track, settings: [...what.settings], frames: new Frames(done.id, track.rows, frameCame) };
  text($("mast-caption"), "as recorded");
  hide($("mast-box-changed"), false);
  $("what-clear").disabled = false;
  what.show(done.result.shift, changed.settings, go);
  build();
}

function dropChange() {
  forget(changed?.run.id);
  changed = null;
  text($("mast-caption"), "");
  hide($("mast-box-changed"), true);
  what.clearResult();
}

// ---- alarms and exports

function fillAlarms() {
  const all = $("all-events").checked;
  listAlarms($("alarm-list"), all ? shown.track.alarms : shown.alarms, shown.track.alarms_omitted, go);
  hide($("no-alarms"), shown.alarms.length > 0 || all);
}

const fileName = (what) => `${shown.track.rig}-${day(view.from)}-${utc(view.from, 0).replaceAll(":", "")}-${what}`;

function exporting() {
  const info = () => figureInfo(shown.track, view, changed?.settings ?? []);
  $("save-svg").addEventListener("click", () => save(fileName("figure.svg"), new Blob([figureSVG(plots, info())], { type: "image/svg+xml" })));
  $("save-png").addEventListener("click", async () => save(fileName("figure.png"), await figurePNG(plots, $("lanes-canvas"), info())));
  $("save-csv").addEventListener("click", () => save(fileName("table.csv"),
    `/api/replay/runs/${shown.run.id}/table.csv?from_ms=${Math.round(view.from)}&to_ms=${Math.round(view.to)}`));
  $("save-report").addEventListener("click", async () => {
    text($("report-state"), `making the report about ${utc(at)} UTC`);
    const done = await run({
      kind: "report", recordings: [shown.file.id], at_ms: Math.round(at), before_s: Number($("before").value), after_s: Number($("after").value),
      set: what.settings, alarm: $("what-alarm").value,
    }, "making the report");
    text($("report-state"), done ? "the report is made" : "there is no report");
    if (done) save(fileName("incident.html"), `/api/replay/runs/${done.id}/report.html`);
  });
}

// desk is what keys and hands may do here.
const desk = {
  get shown() { return shown; }, get view() { return view; }, get at() { return at; }, get playing() { return playing; },
  look, go, step, toAlarm, faster, pause, playOn,
};

function wire() {
  theme($("theme-button"));
  new MutationObserver(() => {
    if (!shown) return;
    for (const p of plots) p.repaint();
    paintWindow();
  }).observe(document.documentElement, { attributes: true, attributeFilter: ["data-theme"] });
  text($("units-button"), system);
  $("units-button").addEventListener("click", () => {
    system = SYSTEMS[(SYSTEMS.indexOf(system) + 1) % SYSTEMS.length];
    keep("units", system);
    text($("units-button"), system);
    if (shown) build();
  });
  tabs(document.querySelector(".tabs"));
  $("tab-values").addEventListener("click", moved);
  for (const s of SPEEDS) $("speed").append(new Option(`${s} ×`, s));
  $("speed").value = "1";
  const on = (id, do_) => $(id).addEventListener("click", () => shown && do_());
  on("step-back", () => step(-1));
  on("step-on", () => step(1));
  on("play", () => (playing ? pause() : playOn()));
  on("alarm-back", () => toAlarm(-1));
  on("alarm-on", () => toAlarm(1));
  on("zoom-in", () => look(zoom(view, 0.5, at, shown.whole)));
  on("zoom-out", () => look(zoom(view, 2, at, shown.whole)));
  on("whole", () => look(shown.whole));
  on("what-run", compare);
  on("what-clear", () => {
    what.clear();
    dropChange();
    build();
  });
  $("cancel").addEventListener("click", () => busy?.abort());
  $("all-events").addEventListener("change", () => shown && fillAlarms());
  $("scrub").addEventListener("input", () => {
    pause();
    go(view.from + (Number($("scrub").value) / 1000) * (view.to - view.from), { still: true });
  });
  $("pick").addEventListener("submit", (event) => {
    event.preventDefault();
    open();
  });
  keys(desk);
  new ResizeObserver(() => {
    if (!shown || !plots.length) return;
    const tall = heights(plots.map((p) => p.plot));
    plots.forEach((p, i) => p.size(width(), tall[i]));
    fetchWindow();
    paintWindow();
    paintCursor();
  }).observe($("plots-place"));
  pointer(desk);
  overview(desk);
  exporting();
}

async function start() {
  wire();
  try {
    await list();
  } catch (err) {
    trouble(err.message);
    return;
  }
  const asked = new URLSearchParams(location.search);
  const rig = asked.get("rig");
  const first = recordings.find((r) => r.id === asked.get("recording")) ?? recordings.find((r) => r.rig === rig && r.from_ms) ?? recordings.find((r) => r.from_ms);
  if (!first) return;
  $("recording").value = first.id;
  for (const [name, id] of [["from_ms", "from-time"], ["to_ms", "to-time"]]) {
    if (Number(asked.get(name)) > 0) $(id).value = new Date(Number(asked.get(name))).toISOString();
  }
  await open(asked.has("at_ms") ? Number(asked.get("at_ms")) : undefined);
}

start();
