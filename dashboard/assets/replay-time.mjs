// Times and windows of the replay page, and which row stands at a time. No element is
// touched here. Times are ms since 1970; a window is {from, to}.

const two = (n) => String(n).padStart(2, "0");

// utc writes an instant as time of day, with so many digits of a second.
export function utc(ms, digits = 3) {
  const d = new Date(ms);
  const s = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}:${two(d.getUTCSeconds())}`;
  return digits ? `${s}.${String(d.getUTCMilliseconds()).padStart(3, "0").slice(0, digits)}` : s;
}

export function day(ms) {
  const d = new Date(ms);
  return `${d.getUTCFullYear()}-${two(d.getUTCMonth() + 1)}-${two(d.getUTCDate())}`;
}

// lasted writes a stretch of ms for a person.
export function lasted(ms) {
  const s = Math.abs(ms) / 1000;
  if (s < 60) return `${s.toFixed(1)} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${two(Math.floor(s % 60))} s`;
  return `${Math.floor(s / 3600)} h ${two(Math.floor((s % 3600) / 60))} min`;
}

// parseTime reads 12:30, 12:30:15 or 12:30:15.2 of the day that begins with base, or a
// whole RFC 3339 time. "" = null; NaN where it is none of these.
export function parseTime(text, base) {
  const words = text.trim();
  if (!words) return null;
  const m = /^(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d{1,3})?))?$/.exec(words);
  if (!m) {
    return /^\d{4}-\d\d-\d\dT/.test(words) ? Date.parse(/(Z|[+-]\d\d:\d\d)$/.test(words) ? words : `${words}Z`) : NaN;
  }
  const [h, min, s] = [Number(m[1]), Number(m[2]), Number(m[3] ?? 0)];
  if (h > 23 || min > 59 || s >= 60) return NaN;
  return Math.floor(base / 86400e3) * 86400e3 + ((h * 60 + min) * 60 + s) * 1000;
}

const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];

// timeTicks returns round instants in a window, most at most, and the digits to write.
export function timeTicks({ from, to }, most) {
  const step = 1000 * (STEPS.find((s) => (to - from) / (s * 1000) <= most) ?? STEPS.at(-1));
  const list = [];
  for (let t = Math.ceil(from / step) * step; t <= to; t += step) list.push(t);
  return { list, digits: step < 1000 ? 1 : 0, step };
}

export const LEAST = 500; // ms that a window shows at least

// fit keeps a window within whole, and not shorter than LEAST.
export function fit({ from, to }, whole) {
  const span = Math.min(Math.max(to - from, LEAST), Math.max(whole.to - whole.from, LEAST));
  const start = Math.min(Math.max(from, whole.from), Math.max(whole.from, whole.to - span));
  return { from: Math.round(start), to: Math.round(start + span) };
}

// zoom makes a window factor times as long; what stands at about stays where it is.
export function zoom(view, factor, about, whole) {
  const at = Math.min(Math.max(about, view.from), view.to);
  return fit({ from: at - (at - view.from) * factor, to: at + (view.to - at) * factor }, whole);
}

// pan moves a window by share of its length.
export function pan(view, share, whole) {
  const by = (view.to - view.from) * share;
  return fit({ from: view.from + by, to: view.to + by }, whole);
}

// follow returns the window in which the cursor is seen: the same, or one moved so that
// the cursor is near its start (playing) or in its middle.
export function follow(view, at, whole, playing) {
  if (at >= view.from && at <= view.to) return view;
  const span = view.to - view.from, from = at - span * (playing ? 0.1 : 0.5);
  return fit({ from, to: from + span }, whole);
}

// rowAt returns the index of the last time in list that is at or before t; -1 = none.
export function rowAt(list, t) {
  let lo = 0, hi = list.length;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (list[mid] <= t) lo = mid + 1;
    else hi = mid;
  }
  return lo - 1;
}

// advance moves the cursor while playing: by the time that has passed on the screen,
// speed times. over = the end is reached.
export function advance(at, passed, speed, whole) {
  const next = at + Math.min(passed, 250) * speed; // a tab that slept does not jump
  return { at: Math.min(next, whole.to), over: next >= whole.to };
}

export const SPEEDS = [0.1, 0.25, 0.5, 1, 2, 5, 10, 30, 60];

// occurrences joins the journal's lines of each raising: when it came, and when it went.
export function occurrences(lines) {
  const open = new Map(), list = [];
  for (const e of lines) {
    const key = `${e.alarm}|${e.channel ?? ""}|${e.occurrence}`;
    if (e.event === "raised") {
      const a = { ...e, cleared: null, worst: e.priority };
      open.set(key, a);
      list.push(a);
    } else if (open.has(key)) {
      const a = open.get(key);
      if (e.event === "cleared") a.cleared = e.at_ms;
      if (e.event === "worsened") a.worst = e.priority;
      if (e.event === "acknowledged") a.acknowledged = e.at_ms;
    }
  }
  return list;
}

// marks puts alarms on a lane of width px: those that would stand on one another become
// one mark with their number. The worst one gives it its priority.
export function marks(alarms, view, width, least) {
  const list = [];
  for (const a of alarms) {
    if (a.at_ms < view.from || a.at_ms > view.to) continue;
    const x = ((a.at_ms - view.from) / (view.to - view.from)) * width;
    const last = list.at(-1);
    if (last && x - last.x < least) last.alarms.push(a);
    else list.push({ x, alarms: [a] });
  }
  return list;
}

// interleave makes one line of least and most: both at the stretch's time, so that a
// peak of a single sample is drawn whatever the zoom.
export function interleave(t, min, max) {
  const x = new Array(2 * t.length), y = new Array(2 * t.length);
  for (let i = 0; i < t.length; i++) {
    x[2 * i] = x[2 * i + 1] = t[i];
    y[2 * i] = min[i];
    y[2 * i + 1] = max[i];
  }
  return { x, y };
}
