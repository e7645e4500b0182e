// What is shown, as a figure: SVG drawn anew from the data, PNG from the canvases.

import { look, GUTTER, tone } from "./replay-plots.mjs";
import { day, timeTicks, utc } from "./replay-time.mjs";
import { known } from "./units.mjs";

// save hands a file to the browser.
export function save(name, content) {
  const link = document.createElement("a");
  link.href = typeof content === "string" ? content : URL.createObjectURL(content);
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  if (typeof content !== "string") setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

const esc = (s) => String(s).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
const f = (x) => Number(x.toFixed(1));

// figureSVG is the figure as a text. plots are Plot, info = {rig, view, alarms, settings, software}.
export function figureSVG(plots, info) {
  const W = 1200, plotH = 150, head = 54, gap = 24, foot = 34;
  const inner = W - GUTTER - 12;
  const H = head + plots.length * (plotH + gap) + foot;
  const { view } = info;
  const x = (ms) => GUTTER + ((ms - view.from) / (view.to - view.from)) * inner;
  const ink = "#1c2328", muted = "#49535a", out = [];
  out.push(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${W} ${H}" width="${W}" height="${H}" font-family="DejaVu Sans, Verdana, sans-serif" font-size="12" fill="${ink}">`,
    `<rect width="${W}" height="${H}" fill="#ffffff"/>`,
    `<defs><pattern id="gap" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#e3e6e8"/><line x1="0" x2="0" y2="6" stroke="#6b767d"/></pattern></defs>`,
    `<text x="${GUTTER}" y="20" font-size="15" font-weight="bold">${esc(info.title)}</text>`,
    `<text x="${GUTTER}" y="38" fill="${muted}">${esc(info.subtitle)}</text>`);
  plots.forEach((p, i) => {
    const top = head + i * (plotH + gap);
    const { data, min, max, under } = p.drawn;
    const y = (v) => top + plotH - ((v - min) / (max - min)) * plotH;
    out.push(`<g><rect x="${GUTTER}" y="${top}" width="${inner}" height="${plotH}" fill="none" stroke="#6b767d"/>`,
      `<clipPath id="c${i}"><rect x="${GUTTER}" y="${top}" width="${inner}" height="${plotH}"/></clipPath><g clip-path="url(#c${i})">`);
    for (const [from, to] of under.gaps) out.push(`<rect x="${f(x(from))}" y="${top}" width="${f(Math.max(1, x(to) - x(from)))}" height="${plotH}" fill="url(#gap)"/>`);
    p.lines.forEach(({ line, changed }, k) => {
      const l = look(line[1]), d = path(data[0], data[k + 1], x, y);
      if (d) out.push(`<path d="${d}" fill="none" stroke="${changed ? "#9aa5ac" : l.tone === "--ink" ? ink : "#6b767d"}" stroke-width="${changed ? 4 : l.width}" stroke-dasharray="${changed ? "" : l.dash.join(" ")}"/>`);
    });
    for (const m of under.marks) {
      const v = p.shown(m.value);
      if (v >= min && v <= max) out.push(`<line x1="${GUTTER}" x2="${GUTTER + inner}" y1="${f(y(v))}" y2="${f(y(v))}" stroke="${ink}" stroke-width="1.6"/><text x="${GUTTER + 5}" y="${f(y(v) - 4)}" font-size="11">${esc(m.name)}</text>`);
    }
    for (const a of under.alarms) {
      if (a.at_ms < view.from || a.at_ms > view.to) continue;
      out.push(`<line x1="${f(x(a.at_ms))}" x2="${f(x(a.at_ms))}" y1="${top}" y2="${top + plotH}" stroke="${tone(`--${a.worst}`)}" stroke-width="1.4"/>`);
      if (i === 0) out.push(`<text x="${f(x(a.at_ms) + 3)}" y="${top + 12}" font-size="10.5">${esc(a.title)}</text>`);
    }
    out.push("</g>");
    for (const v of [min, (min + max) / 2, max]) out.push(`<text x="${GUTTER - 6}" y="${f(y(v) + (v === max ? 10 : v === min ? 0 : 4))}" text-anchor="end">${Number(v.toPrecision(4))}</text>`);
    out.push(`<text x="${GUTTER}" y="${top + plotH + 15}" font-size="11.5"><tspan font-weight="bold">${esc(p.legendText)}</tspan><tspan fill="${muted}">  ${esc(p.lines.map(({ line, changed }) => `${changed ? "pale: changed " : `${sample(line[1])} `}${line[2]}`).join("   "))}</tspan></text></g>`);
  });
  for (const t of timeTicks(view, 10).list) {
    out.push(`<line x1="${f(x(t))}" x2="${f(x(t))}" y1="${H - foot - 4}" y2="${H - foot + 1}" stroke="${ink}"/><text x="${f(x(t))}" y="${H - foot + 14}" text-anchor="middle">${utc(t, timeTicks(view, 10).digits)}</text>`);
  }
  out.push(`<text x="${GUTTER}" y="${H - 4}" font-size="10" fill="${muted}">${esc(info.note)}</text></svg>`);
  return out.join("");
}

const sample = (kind) => ({ main: "———", reading: "──", soft: "· · ·", bound: "– – –", truth: "—·—" })[kind];

function path(xs, ys, x, y) {
  let d = "", pen = false;
  for (let i = 0; i < xs.length; i++) {
    if (ys[i] === undefined) continue; // of the other run's rows
    if (!known(ys[i])) pen = false;
    else {
      d += `${pen ? "L" : "M"}${f(x(xs[i]))} ${f(y(ys[i]))}`;
      pen = true;
    }
  }
  return d;
}

// figurePNG paints the plots as they stand on one canvas.
export function figurePNG(plots, lanes, info) {
  const dpr = devicePixelRatio || 1, head = 46 * dpr, gap = 22 * dpr;
  const canvases = plots.map((p) => p.canvas);
  const width = Math.max(...canvases.map((c) => c.width)) + 12 * dpr;
  const height = head + canvases.reduce((h, c) => h + c.height + gap, 0) + lanes.height + 34 * dpr;
  const out = document.createElement("canvas");
  out.width = width;
  out.height = height;
  const c = out.getContext("2d");
  c.fillStyle = tone("--ground");
  c.fillRect(0, 0, width, height);
  c.fillStyle = tone("--ink");
  const font = (px, weight = "") => (c.font = `${weight} ${px * dpr}px DejaVu Sans, Verdana, sans-serif`);
  font(15, "bold");
  c.fillText(info.title, GUTTER * dpr, 20 * dpr);
  font(11);
  c.fillText(`${info.subtitle}. ${info.note}`, GUTTER * dpr, 36 * dpr);
  let top = head;
  plots.forEach((p, i) => {
    font(12, "bold");
    c.fillText(p.legendText, GUTTER * dpr, top + 14 * dpr);
    const past = GUTTER * dpr + c.measureText(p.legendText).width + 14 * dpr;
    font(11);
    c.fillText(p.lines.map(({ line, changed }) => `${changed ? "pale: changed " : `${sample(line[1])} `}${line[2]}`).join("   "), past, top + 14 * dpr);
    top += gap - 2 * dpr;
    c.drawImage(canvases[i], 0, top);
    top += canvases[i].height + 2 * dpr;
  });
  c.drawImage(lanes, 0, top);
  top += lanes.height;
  font(11);
  c.textAlign = "center";
  const { list, digits } = timeTicks(info.view, 9);
  for (const t of list) {
    const x = GUTTER * dpr + ((t - info.view.from) / (info.view.to - info.view.from)) * (width - (GUTTER + 12) * dpr);
    c.fillRect(x, top, dpr, 5 * dpr);
    c.fillText(utc(t, digits), x, top + 18 * dpr);
  }
  return new Promise((done) => out.toBlob(done, "image/png"));
}

// info of a figure.
export function figureInfo(track, view, settings) {
  return {
    view,
    title: `${track.rig}, ${day(view.from)} ${utc(view.from, 1)} to ${utc(view.to, 1)} UTC`,
    subtitle: `Replay of what was recorded by ${track.sessions.at(-1)?.software ?? "hoistward"}${settings.length ? `; changed: ${settings.join(", ")}` : ""}`,
    note: "hatched: nothing came or not known; vertical lines: alarms raised. Advisory only.",
  };
}
