// Geometry of the bars and of the mast strip. No element is touched here.

import { known } from "./units.mjs";

// fraction places value on a bar from lo to hi: 0 to 1, clamped; null = not known.
export function fraction(value, lo, hi) {
  if (!known(value) || !known(lo) || !known(hi) || !(hi > lo)) return null;
  return Math.min(1, Math.max(0, (value - lo) / (hi - lo)));
}

// niceCeil rounds x up to 1, 1.5, 2, 3, 4, 5, 6, 8 or 10 times a power of ten.
export function niceCeil(x) {
  if (!(x > 0) || !known(x)) return 1;
  const power = 10 ** Math.floor(Math.log10(x));
  const step = [1, 1.5, 2, 3, 4, 5, 6, 8, 10].find((s) => s * power >= x * (1 - 1e-9));
  return step * power;
}

// ticks returns round numbers from 0 up to hi, eight at most.
export function ticks(hi) {
  if (!(hi > 0) || !known(hi)) return [];
  const step = [1, 2, 5, 10, 20, 50, 100, 200].find((s) => hi / s <= 8) ?? 500;
  const list = [];
  for (let t = 0; t <= hi + 1e-9; t += step) list.push(t);
  return list;
}

// A block that moves slower than this is drawn as standing: below it the sign of
// the velocity is noise.
export const STANDING = 0.02; // m/s

export function direction(velocity) {
  if (!known(velocity)) return "unknown";
  return velocity > STANDING ? "up" : velocity < -STANDING ? "down" : "still";
}

// mastView says what to draw on the strip, in metres above the floor. Stretches are
// [low, high]. touches is "crown" or "floor" when the bound, in the direction of
// travel, has reached that limit. gone says which answers must not be drawn whatever
// number came with them.
export function mastView(mast, est, gone = {}) {
  const top = mast?.crown_height_m;
  const view = {
    drawable: known(top) && top > 0,
    top, height: known(est.height_m) ? est.height_m : null,
    direction: direction(est.velocity_mps),
    rest: null, bound: null, expected: null, beyond: null,
    unknownUp: false, unknownDown: false, touches: null, noRest: false,
  };
  if (!view.drawable) return view;
  const blindUp = gone.crown || est.blind === "crown" || est.blind === "both";
  const blindDown = gone.floor || est.blind === "floor" || est.blind === "both";
  const up = view.direction === "up", down = view.direction === "down";
  if (view.height === null) {
    view.unknownUp = view.unknownDown = true;
    return view;
  }
  view.unknownUp = blindUp || (up && !known(est.rest_up_bound_m) && !est.cannot_stop) || view.direction === "unknown";
  view.unknownDown = blindDown || (down && !known(est.rest_down_bound_m) && !est.cannot_stop) || view.direction === "unknown";
  if (!up && !down) return view;
  const limit = up ? mast.crown_limit_m : mast.floor_limit_m;
  if (est.cannot_stop) {
    view.noRest = true;
    view.touches = up ? "crown" : "floor";
    view.bound = up ? top : 0;
    view.beyond = stretch(view.height, view.bound);
    return view;
  }
  if (up ? view.unknownUp : view.unknownDown) return view;
  view.rest = up ? est.rest_up_m : est.rest_down_m;
  view.bound = up ? est.rest_up_bound_m : est.rest_down_bound_m;
  if (!known(view.rest)) view.rest = null;
  view.expected = view.rest === null ? null : stretch(view.height, view.rest);
  view.beyond = stretch(view.rest ?? view.height, view.bound);
  if (known(limit) && (up ? view.bound >= limit : view.bound <= limit)) view.touches = up ? "crown" : "floor";
  return view;
}

function stretch(a, b) {
  return a < b ? [a, b] : [b, a];
}

// spread moves labels apart so that neighbours are at least gap apart and all lie
// within [lo, hi]. wanted is a list of positions; the answer is in the same order.
export function spread(wanted, gap, lo, hi) {
  const order = wanted.map((at, i) => ({ at, i })).sort((a, b) => a.at - b.at);
  let last = -Infinity;
  for (const label of order) {
    label.at = Math.max(label.at, last + gap, lo);
    last = label.at;
  }
  let next = hi + gap;
  for (const label of order.reverse()) {
    label.at = Math.min(label.at, next - gap);
    next = label.at;
  }
  const answer = [];
  for (const label of order) answer[label.i] = label.at;
  return answer;
}
