// Is what the page shows still true? Computed from instants at every paint, never
// by counting ticks: a hidden tab and a sleeping machine count none.

export const STALE_AFTER = 2000; // ms without news

// A machine that slept, or whose clock was set, shows it here: the wall clock and
// the page's monotonic clock move apart. What comes then may have waited in a buffer.
const CLOCK_STEP = 1000; // ms

// Freshness holds the instants of the newest snapshot. mono is performance.now(),
// wall is Date.now(), both in ms; sent_ms and held_ms come with each snapshot: the
// server's clock when it was sent, and for how long the server had had it.
export class Freshness {
  #delay = Infinity; // least (mono − sent_ms) on this connection: the clocks' offset
  #mono = null;
  #wall = null;
  #late = 0;
  #distrusted = false;

  connected() {
    this.#delay = Infinity;
    this.#distrusted = false;
  }

  received(snapshot, mono, wall) {
    if (this.#mono !== null && Math.abs(wall - mono - (this.#wall - this.#mono)) > CLOCK_STEP && this.#delay < Infinity) {
      this.#distrusted = true;
    }
    const delay = mono - (snapshot.sent_ms ?? snapshot.server_ms);
    this.#delay = Math.min(this.#delay, delay);
    this.#late = delay - this.#delay + (snapshot.held_ms ?? 0);
    this.#mono = mono;
    this.#wall = wall;
  }

  // age returns the ms since the newest snapshot was true; Infinity before the first.
  age(mono, wall) {
    if (this.#mono === null || this.#distrusted) return Infinity;
    return this.#late + Math.max(0, mono - this.#mono, wall - this.#wall);
  }

  // stale: the comparison is inverted so that NaN is stale.
  stale(mono, wall) {
    return !(this.age(mono, wall) <= STALE_AFTER);
  }
}

// backoff returns ms to wait before the n-th attempt (0 = first) to connect again.
// random is 0 to 1 and spreads many pages after one server's restart.
export function backoff(n, random) {
  return Math.min(8000, 250 * 2 ** Math.min(n, 10)) * (0.8 + 0.4 * random);
}

// parse returns the snapshot in a frame, or null when there is none in it.
export function parse(text) {
  try {
    const s = JSON.parse(text);
    const whole = s && typeof s === "object" && typeof s.rig === "string" && Number.isFinite(s.server_ms) &&
      s.estimate && typeof s.estimate === "object" && s.mast && typeof s.mast === "object";
    if (!whole) return null;
    for (const list of ["channels", "answers", "alarms", "links", "rejects", "shelved", "out_of_service"]) s[list] ??= [];
    for (const part of ["ratings", "work", "service", "alarm_rate"]) s[part] ??= {};
    return s;
  } catch {
    return null;
  }
}
