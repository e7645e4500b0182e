// What should be heard now. A pure decision; horn.mjs makes it audible.

const RANKS = { low: 1, medium: 2, high: 3, emergency: 4 };
export const rank = (priority) => RANKS[priority] ?? 0;

export const quiet = Object.freeze({ loud: {}, silenced: {}, pattern: null });

// decide returns {loud, silenced, pattern}. prev is its last answer, or quiet.
//
//   - an alarm is heard while the server says that it sounds;
//   - a return to normal never starts a sound: an alarm whose condition is gone is
//     heard only if it was being heard before;
//   - silence ends the sounds of this moment; a new occurrence or a higher priority
//     of the same alarm is heard again;
//   - the page being stale is heard like a high alarm.
//
// loud and silenced are maps from alarm occurrence to rank. pattern is the highest
// priority that is heard, or null.
export function decide(prev, alarms, { silence = false, stale = false } = {}) {
  const wanted = {};
  for (const a of alarms) {
    const id = `${a.alarm}|${a.channel ?? ""}|${a.occurrence}`;
    if (a.sounds && (a.active || id in prev.loud || id in prev.silenced)) wanted[id] = rank(a.priority);
  }
  if (stale) {
    // What was heard before the silence of the server goes on: it may still be true.
    Object.assign(wanted, prev.loud, { stale: RANKS.high });
    for (const id in prev.silenced) wanted[id] ??= prev.silenced[id];
  }
  const loud = {}, silenced = {};
  for (const [id, r] of Object.entries(wanted)) {
    const until = silence ? r : prev.silenced[id] ?? 0;
    if (r <= until) silenced[id] = until;
    else loud[id] = r;
  }
  const top = Math.max(0, ...Object.values(loud));
  return { loud, silenced, pattern: Object.keys(RANKS).find((p) => RANKS[p] === top) ?? null };
}
