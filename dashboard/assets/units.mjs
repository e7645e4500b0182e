// Units of display. Everything arrives in SI or in the unit that its name says;
// conversion happens here and nowhere else.
//
// Factors: 1 ft = 0.3048 m and 1 lbf = 4.4482216152605 N, exact (NIST SP 811,
// appendix B); 1 ton-mile of line work = 2000 lbf x 5280 ft.

const FOOT = 0.3048;
const LBF = 4.4482216152605;
const TON_MILE = 2000 * LBF * 5280 * FOOT; // J
const PSI = LBF / 0.0254 ** 2; // Pa

export const SYSTEMS = ["metric", "oilfield"];

const QUANTITIES = {
  length: { metric: ["m", 1, 0, 1], oilfield: ["ft", 1 / FOOT, 0, 0] },
  measured: { metric: ["m", 1, 0, 2], oilfield: ["ft", 1 / FOOT, 0, 1] }, // lengths that a person measured
  speed: { metric: ["m/s", 1, 0, 2], oilfield: ["ft/min", 60 / FOOT, 0, 0] },
  force: { metric: ["kN", 1, 0, 0], oilfield: ["klbf", 1 / (LBF), 0, 1] },
  temperature: { metric: ["°C", 1, 0, 0], oilfield: ["°F", 1.8, 32, 0] },
  pressure: { metric: ["MPa", 1, 0, 2], oilfield: ["psi", 1e6 / PSI, 0, 0] },
  work: { metric: ["MJ", 1, 0, 0], oilfield: ["ton-miles", 1e6 / TON_MILE, 0, 0] },
};

// convert returns {value, unit, decimals}; value is null when x is not a finite number.
export function convert(x, quantity, system) {
  const [unit, factor, offset, decimals] = QUANTITIES[quantity][system] ?? QUANTITIES[quantity].metric;
  return { value: known(x) ? x * factor + offset : null, unit, decimals };
}

// toSI is the way back: what a person wrote in their unit, in the unit of convert's x.
// null when text is not a number. A comma may stand for the point.
export function toSI(written, quantity, system) {
  const words = String(written).trim().replace(",", ".").replace("\u2212", "-");
  if (!/^[+-]?(\d+\.?\d*|\.\d+)$/.test(words)) return null;
  const [, factor, offset] = QUANTITIES[quantity]?.[system] ?? QUANTITIES[quantity]?.metric ?? ["", 1, 0];
  return (Number(words) - offset) / factor;
}

export function known(x) {
  return typeof x === "number" && Number.isFinite(x);
}

// show returns {text, unit}; text is null when x is not known.
export function show(x, quantity, system) {
  const { value, unit, decimals } = convert(x, quantity, system);
  return { text: value === null ? null : number(value, decimals), unit };
}

// number writes x with a fixed number of decimals, thousands grouped by a thin space.
export function number(x, decimals) {
  const text = (Math.abs(x) < 0.5 * 10 ** -decimals ? 0 : x).toFixed(decimals);
  const [whole, part] = text.replace("-", "").split(".");
  const grouped = whole.length > 3 ? whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") : whole;
  return (text.startsWith("-") ? "\u2212" : "") + grouped + (part ? "." + part : "");
}

// Channels arrive with the unit of their source. What has no entry is shown as it came.
const CHANNEL_UNITS = {
  m: ["ft", 1 / FOOT, 0, 1],
  "m/s": ["ft/min", 60 / FOOT, 0, 0],
  kN: ["klbf", 1 / LBF, 0, 1],
  N: ["lbf", 1 / LBF, 0, 0],
  t: ["klbf", 9.80665 / LBF, 0, 1],
  MPa: ["psi", 1e6 / PSI, 0, 0],
  kPa: ["psi", 1e3 / PSI, 0, 1],
  bar: ["psi", 1e5 / PSI, 0, 0],
  degC: ["°F", 1.8, 32, 0],
  "°C": ["°F", 1.8, 32, 0],
  "kN.m": ["klbf·ft", 1 / (LBF * FOOT), 0, 1],
  "kN·m": ["klbf·ft", 1 / (LBF * FOOT), 0, 1],
};

export function showChannel(value, unit, system) {
  if (!known(value)) return null;
  const other = system === "oilfield" ? CHANNEL_UNITS[unit] : undefined;
  if (other) return `${number(value * other[1] + other[2], other[3])} ${other[0]}`;
  const size = Math.abs(value);
  const decimals = Number.isInteger(value) || size >= 1000 ? 0 : size >= 100 ? 1 : 2;
  return `${number(value, decimals)} ${unit === "degC" ? "°C" : unit}`.trim();
}

// age writes seconds as a person would say them.
export function age(seconds) {
  if (!known(seconds)) return null;
  const s = Math.max(0, seconds);
  if (s < 10) return `${s.toFixed(1)} s`;
  if (s < 120) return `${Math.floor(s)} s`;
  if (s < 7200) return `${Math.floor(s / 60)} min`;
  return `${Math.floor(s / 3600)} h`;
}

// clockOf writes an instant (ms since 1970) as hours and minutes of this machine's zone.
export function clockOf(ms) {
  return clock(ms, -new Date(ms).getTimezoneOffset()).slice(0, 5);
}

// when writes an instant of the past: its time, with the day where it is not of today.
export function when(ms, now) {
  const d = new Date(ms), today = new Date(now);
  const day = d.toDateString() === today.toDateString() ? "" : `${d.getFullYear()}-${String(d.getMonth() + 1).padStart(2, "0")}-${String(d.getDate()).padStart(2, "0")} `;
  return day + clockOf(ms);
}

// clock writes an instant (ms since 1970) as local time with its offset from UTC.
// offset is minutes east of UTC.
export function clock(ms, offset) {
  const two = (n) => String(n).padStart(2, "0");
  const d = new Date(ms + offset * 60000);
  const o = Math.abs(offset);
  return `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}:${two(d.getUTCSeconds())} ` +
    `${offset < 0 ? "\u2212" : "+"}${two(Math.floor(o / 60))}:${two(o % 60)}`;
}
