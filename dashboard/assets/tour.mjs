import { $, glyph, make, text } from "./dom.mjs";
import { silence } from "./fleet-words.mjs";
import { kept, theme } from "./settings.mjs";
import { clockAt, due, putAside, story } from "./tour-words.mjs";
import { age, clock, SYSTEMS } from "./units.mjs";
import { activity, alarmTitle, listed } from "./words.mjs";

const AT_ONCE = 6; // rigs that are asked for at the same time
const MOST = 80; // entries of one rig on the page

const offset = (ms) => -new Date(ms).getTimezoneOffset();

async function ask(path) {
  const answer = await fetch(path, { signal: AbortSignal.timeout(15000) });
  const said = await answer.json().catch(() => ({}));
  if (answer.status === 401) location.assign("/sign-in?to=/fleet/tour");
  if (!answer.ok) throw new Error(said.error ?? `the monitor answered ${answer.status}`);
  return said;
}

// each calls f for all of list, a few at a time, and returns what came, in order.
async function each(list, f) {
  const came = [];
  let next = 0;
  const worker = async () => {
    while (next < list.length) {
      const i = next++;
      came[i] = await f(list[i]).catch((error) => ({ error }));
    }
  };
  await Promise.all(Array.from({ length: AT_ONCE }, worker));
  return came;
}

function list(items, nothing) {
  if (items.length === 0) return make("p", "nothing", nothing);
  return make("ul", "", ...items);
}

function standing(s, now) {
  return list(listed(s.alarms ?? []).map((a) => {
    const state = [a.active ? "" : "condition over", a.can_ack ? "not acknowledged" : `acknowledged${a.acknowledged_by ? ` by ${a.acknowledged_by}` : ""}`, `for ${age((now - a.since_ms) / 1000)}`].filter(Boolean).join(", ");
    return make("li", "", glyph(a.priority), make("b", "", `${a.priority}: ${alarmTitle(a)}`), ` ${state}${a.reason ? `: ${a.reason}` : ""}`);
  }), "No alarm stands.");
}

function aside(s, now) {
  return list([...(s.shelved ?? []), ...(s.out_of_service ?? [])].map((a) => make("li", "", glyph(a.priority), make("b", "", alarmTitle(a)), ` ${putAside(a, now)}`)), "Nothing is put aside.");
}

function tasks(s, now) {
  return list(due(s, now, kept("units", SYSTEMS[0])).map((d) => make("li", d.now ? "due" : "", d.now ? make("b", "", d.words) : d.words)), "Nothing is known of what is due.");
}

function table(entries, now, left, without) {
  if (entries.length === 0) return make("p", "nothing", without || "Nothing in that time.");
  const head = make("tr", "", ...["when", "what", "alarm", "who", "why"].map((name) => {
    const th = make("th", "", name);
    th.scope = "col";
    return th;
  }));
  const rows = entries.slice(0, MOST).map((e) => make("tr", "", make("td", "at", clockAt(e.ms, now, offset(e.ms))), make("td", "", e.what), make("td", "", e.alarm), make("td", "", e.who), make("td", "", e.why)));
  const table = make("table", "", make("thead", "", head), make("tbody", "", ...rows));
  const more = entries.length > MOST ? `${entries.length - MOST} older entries of this rig are not shown. ` : "";
  return make("div", "", table, ...(more || left ? [make("p", "nothing", `${more}${left}`)] : []));
}

function section(rig, s, past, every) {
  if (s.error) {
    return make("section", "rig", make("h2", "", rig), make("p", "hatched", `Not known: ${s.error.message}`), ...(past.events ? [make("h3", "", "What happened"), table(story(past.events, rig, every), Date.now(), "")] : []));
  }
  const now = s.sent_ms ?? Date.now();
  const reading = s.newest_ms > 0 ? now - s.newest_ms : null;
  const lost = !(reading !== null && reading <= silence(s));
  const state = `${s.alarm_rate?.hour ?? 0} alarms in the last hour${s.alarm_rate?.flood ? ", a flood" : ""}`;
  const left = past.more > 0 ? "Entries of all rigs before these are not shown." : "";
  const part = (title, body) => make("div", "", make("h3", "", title), body);
  return make("section", "rig",
    make("h2", "", rig, make("small", "", `${lost ? "" : `${activity(s.estimate?.activity) ?? "activity not known"}, `}${state}`)),
    ...(lost ? [make("p", "hatched", reading === null ? "Nothing has been heard of this rig: what follows is what was kept." : `No reading for ${age(reading / 1000)}: what follows was so then.`)] : []),
    make("div", "parts", part("Standing", standing(s, now)), part("Put aside", aside(s, now)), part("Due, and done", tasks(s, now))),
    make("h3", "", "What happened"),
    past.error ? make("p", "hatched", `Not known: ${past.error.message}`) : table(story(past.events, rig, every), now, left));
}

let asked = 0;

async function look() {
  const mine = ++asked;
  text($("trouble"), "asking");
  try {
    const one = $("of-rig").value;
    const rigs = one ? [one] : (await ask("/api/rigs")).map((r) => r.rig);
    const to = new Date(), from = new Date(to - Number($("since").value) * 3600000);
    const query = new URLSearchParams({ from: from.toISOString(), to: to.toISOString() });
    if (one) query.set("rig", one);
    const past = await ask(`/api/alarms/events?${query}`).catch((error) => ({ error, events: null }));
    const states = await each(rigs, (rig) => ask(`/api/rigs/${encodeURIComponent(rig)}`));
    if (mine !== asked) return; // asked again since
    $("rigs").replaceChildren(...rigs.map((rig, i) => section(rig, states[i], past, $("every").checked)));
    text($("when"), `as of ${clockAt(to.getTime(), 0, offset(to.getTime())).slice(0, 10)} ${clock(to.getTime(), offset(to.getTime()))}, with the last ${$("since").selectedOptions[0].text}`);
    text($("trouble"), past.damaged_lines > 0 ? `${past.damaged_lines} lines of the journal cannot be read: something may be missing here.` : "");
  } catch (error) {
    if (mine === asked) text($("trouble"), `Not done: ${error.message}. What is below may be old.`);
  }
}

$("choose").addEventListener("submit", (event) => { event.preventDefault(); look(); });
for (const id of ["of-rig", "since", "every"]) $(id).addEventListener("change", look);
$("print").addEventListener("click", () => window.print());
theme($("theme-button"));
look();
