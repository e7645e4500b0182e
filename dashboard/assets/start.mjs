import { $, glyph, keyed, make, text, attr } from "./dom.mjs";
import { theme } from "./settings.mjs";
import { age, known, number } from "./units.mjs";
import { activity } from "./words.mjs";

theme($("theme-button"));

const EVERY = 2000; // ms
let last = performance.now();

function words(r) {
  if (!r.heard) return "nothing heard yet";
  if (r.held_ms > 2000) return `no news for ${age(r.held_ms / 1000)}`;
  const parts = [activity(r.activity) ?? "activity not known"];
  if (known(r.height_m)) parts.push(`block at ${number(r.height_m, 1)} m`);
  if (r.blind) parts.push(`blind: ${r.blind === "both" ? "crown and floor" : r.blind}`);
  parts.push(r.alarms === 0 ? "no alarm stands" : `${r.alarms} alarm${r.alarms > 1 ? "s" : ""}, first: ${r.title}`);
  return parts.join(", ");
}

function create(r) {
  const link = make("a", "", r.rig);
  link.href = `/cabin/${encodeURIComponent(r.rig)}`;
  return make("li", "", link, make("span", "state"), make("span", "badge"));
}

async function refresh() {
  try {
    const answer = await fetch("/api/rigs", { signal: AbortSignal.timeout(EVERY) });
    if (answer.status === 401) return location.assign("/sign-in");
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    const rigs = await answer.json();
    last = performance.now();
    text($("trouble"), "");
    if (rigs.length > 0) {
      for (const li of [...$("rigs").children]) if (!li.dataset.key) li.remove();
      keyed($("rigs"), rigs, (r) => r.rig, create, (el, r) => {
        const live = r.heard && r.held_ms <= 2000;
        text(el.querySelector(".state"), words(r));
        const badge = el.querySelector(".badge");
        const worst = live ? r.worst : "";
        attr(badge, "data-priority", worst || null);
        if (badge.dataset.shown !== worst) {
          badge.dataset.shown = worst;
          badge.replaceChildren(...(worst ? [glyph(worst), ` ${worst}`] : []));
          badge.hidden = !worst;
        }
        el.classList.toggle("hatched", !live);
      });
    }
  } catch {
    text($("trouble"), `The monitor has not answered for ${age((performance.now() - last) / 1000)}: this list is old.`);
  }
}

setInterval(refresh, EVERY);
document.addEventListener("visibilitychange", refresh);
refresh();

async function whoAmI() {
  if (!$("sign-out")) return;
  const me = await (await fetch("/api/me")).json();
  text($("me"), `You are ${me.person}${me.station ? ", a cabin's terminal" : ""}; your role is ${me.role}.`);
  $("sign-out").addEventListener("click", async () => {
    await fetch("/api/session", { method: "DELETE" });
    location.assign("/sign-in");
  });
}
whoAmI().catch(() => {});
