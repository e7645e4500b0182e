// What stands above and below the plots: alarms, the quality of the readings, the times,
// and the whole recording at a glance.

import { glyph, make, place } from "./dom.mjs";
import { GUTTER, hatch, tone } from "./replay-plots.mjs";
import { day, marks, timeTicks, utc } from "./replay-time.mjs";
import { known } from "./units.mjs";
import { plain } from "./words.mjs";

const percent = (x) => `${(100 * x).toFixed(3)}%`;

// sized fits a canvas to its element and returns its context, in CSS pixels.
export function sized(canvas, width, height) {
  const dpr = devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * dpr) || canvas.height !== Math.round(height * dpr)) {
    canvas.width = Math.round(width * dpr);
    canvas.height = Math.round(height * dpr);
  }
  const c = canvas.getContext("2d");
  c.setTransform(1, 0, 0, 1, 0, 0);
  c.clearRect(0, 0, canvas.width, canvas.height);
  return { c, dpr };
}

// paintAlarms puts marks on the lane; a touch goes to the alarm.
export function paintAlarms(lane, alarms, view, go) {
  const width = lane.clientWidth;
  lane.replaceChildren(...marks(alarms, view, width, 30).map(({ x, alarms: here }) => {
    const worst = here.reduce((a, b) => (rank(b.worst) > rank(a.worst) ? b : a));
    const el = make("span", "alarm-mark", glyph(worst.worst), here.length > 1 ? String(here.length) : "");
    el.dataset.priority = worst.worst;
    el.title = here.slice(0, 8).map((a) => `${utc(a.at_ms, 1)} ${a.title}`).join("\n");
    place(el, { left: `${Math.min(width - 14, Math.max(14, x)).toFixed(1)}px` });
    el.addEventListener("click", (event) => {
      event.stopPropagation();
      go(here[0].at_ms);
    });
    return el;
  }));
}

const RANKS = ["low", "medium", "high", "emergency"];
const rank = (p) => RANKS.indexOf(p);

const ROW = 14; // px of a channel's lane

// lanesHeight is what the lanes need.
export const lanesHeight = (lanes) => lanes.length * ROW + 4;

// paintLanes draws the quality of each channel: a thin line is good, a hollow bar
// uncertain, a hatched one bad, nothing where nothing is known.
export function paintLanes(canvas, lanes, gaps, view, width) {
  const height = lanesHeight(lanes);
  place(canvas, { height: `${height}px` });
  const { c, dpr } = sized(canvas, width, height);
  const left = GUTTER * dpr, span = (width - GUTTER) * dpr;
  const at = (ms) => left + ((ms - view.from) / (view.to - view.from)) * span;
  c.font = `${10.5 * dpr}px DejaVu Sans, Verdana, sans-serif`;
  lanes.forEach((lane, i) => {
    const top = (i * ROW + 2) * dpr, middle = top + (ROW * dpr) / 2;
    c.fillStyle = tone("--ink");
    c.textAlign = "right";
    c.textBaseline = "middle";
    c.fillText(short(lane.channel), left - 6 * dpr, middle);
    c.textAlign = "left";
    for (const wanted of ["good", "uncertain", "bad"]) { // the worse over the better: one row of it is seen
      for (const [from, to, quality, reason] of lane.spells) {
        if (quality !== wanted || to < view.from || from > view.to) continue;
        const a = Math.max(at(from), left), b = Math.min(at(to), left + span), w = Math.max(2 * dpr, b - a);
        if (quality === "good") {
          c.fillStyle = tone("--fill");
          c.fillRect(a, middle - dpr, w, 2 * dpr);
          continue;
        }
        c.clearRect(a, top, w, ROW * dpr);
        if (quality === "bad") hatch(c, a, top + dpr, w, (ROW - 2) * dpr);
        c.strokeStyle = tone("--ink");
        c.lineWidth = dpr;
        c.strokeRect(a + dpr / 2, top + 1.5 * dpr, w - dpr, (ROW - 3) * dpr);
        const words = reason || quality, long = c.measureText(words).width;
        if (long + 8 * dpr < w) {
          c.fillStyle = tone("--panel");
          c.fillRect(a + 3 * dpr, top + 2 * dpr, long + 4 * dpr, (ROW - 4) * dpr);
          c.fillStyle = tone("--ink");
          c.fillText(words, a + 5 * dpr, middle);
        }
      }
    }
  });
  for (const [from, to] of gaps) {
    if (to < view.from || from > view.to) continue;
    const a = Math.max(at(from), left), b = Math.min(at(to), left + span);
    c.clearRect(a, 0, Math.max(2 * dpr, b - a), height * dpr);
    hatch(c, a, 0, Math.max(2 * dpr, b - a), height * dpr);
  }
}

const SHORT = {
  hook_load: "hook load", block_height: "height", drum_speed: "drum speed", drum_counts: "counts", brake_pressure: "brake",
  emergency_pressure: "emerg. p.", drive_torque: "torque", drive_engaged: "drive", auxiliary_current: "aux. coil",
  brake_temperature: "brake temp", coolant_temperature: "coolant", dead_line_tension: "dead line", crown_saver: "saver", bit_depth: "bit depth",
};
const short = (name) => SHORT[name] ?? plain(name);

// lanesWords says what the lanes show.
export function lanesWords(lanes, view) {
  const parts = lanes.map((lane) => {
    const whole = Math.max(1, view.to - view.from);
    const good = lane.spells.reduce((sum, [from, to, q]) => sum + (q === "good" ? Math.max(0, Math.min(to, view.to) - Math.max(from, view.from)) : 0), 0);
    return `${plain(lane.channel)} good ${Math.round((100 * good) / whole)} % of the time`;
  });
  return `Quality of the readings along the time: ${parts.join(", ")}`;
}

// paintAxis writes the times under the plots.
export function paintAxis(axis, view) {
  const { list, digits } = timeTicks(view, Math.max(2, Math.floor(axis.clientWidth / 95)));
  const zone = make("span", "zone", "UTC");
  axis.replaceChildren(zone, ...list.map((t) => {
    const el = make("span", "", t % 86400e3 === 0 ? day(t) : utc(t, digits));
    place(el, { left: percent((t - view.from) / (view.to - view.from)) });
    return el;
  }));
}

// paintOverview draws the block's height over the whole recording, with its gaps and
// alarms.
export function paintOverview(canvas, answer, alarms, gaps, whole) {
  const width = canvas.clientWidth, height = canvas.clientHeight;
  const { c, dpr } = sized(canvas, width, height);
  if (!answer) return;
  const x = (ms) => ((ms - whole.from) / Math.max(1, whole.to - whole.from)) * width * dpr;
  for (const [from, to] of gaps) hatch(c, x(from), 0, Math.max(2, x(to) - x(from)), height * dpr);
  const name = answer.columns.height_m ? "height_m" : Object.keys(answer.columns)[0];
  const { min, max } = { max: null, ...answer.columns[name] };
  const top = (max ?? min).reduce((m, v) => (known(v) ? Math.max(m, v) : m), 1);
  const y = (v) => (height - 3 - (v / top) * (height - 6)) * dpr;
  c.strokeStyle = tone("--fill");
  c.lineWidth = dpr;
  c.beginPath();
  answer.t.forEach((t, i) => {
    const lo = min[i], hi = (max ?? min)[i];
    if (!known(lo) || !known(hi)) return;
    const at = Math.round(x(t)) + 0.5;
    c.moveTo(at, y(lo) + dpr / 2);
    c.lineTo(at, y(hi) - dpr / 2);
  });
  c.stroke();
  for (const a of alarms) {
    c.fillStyle = tone(`--${a.worst}`);
    c.fillRect(x(a.at_ms) - dpr, 0, 2 * dpr, height * dpr);
  }
}
