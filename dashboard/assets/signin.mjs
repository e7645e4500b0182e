import { $, text } from "./dom.mjs";
import { theme } from "./settings.mjs";

theme($("theme-button"));

// destination is the page of this server that was asked for before; anything else is
// the start page.
export function destination(search, origin) {
  const to = new URLSearchParams(search).get("to") ?? "/";
  try {
    const url = new URL(to, origin);
    return to.startsWith("/") && url.origin === origin ? url.pathname + url.search : "/";
  } catch {
    return "/";
  }
}

async function signIn() {
  text($("answer"), "");
  $("enter").disabled = true;
  try {
    const answer = await fetch("/api/session", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ person: $("person").value, password: $("password").value }),
      signal: AbortSignal.timeout(20000),
    });
    if (answer.ok) {
      location.assign(destination(location.search, location.origin));
      return;
    }
    const said = await answer.json().catch(() => ({}));
    text($("answer"), said.error ?? `The monitor answered ${answer.status}.`);
  } catch {
    text($("answer"), "The monitor does not answer.");
  }
  $("enter").disabled = false;
  $("password").select();
  $("password").focus();
}

$("sign-in").addEventListener("submit", (event) => {
  event.preventDefault();
  signIn();
});
