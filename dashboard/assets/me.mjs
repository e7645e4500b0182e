// Who looks: by the server's account where there is one.

// account returns {person, station, role, units, theme} of who is signed in; null where
// this monitor has no accounts, or cannot say now; "out" where somebody should sign in.
export async function account() {
  try {
    const answer = await fetch("/api/me", { signal: AbortSignal.timeout(5000) });
    if (!answer.ok) return null;
    const me = await answer.json();
    if (!me.accounts) return null;
    if (!me.signed_in) return "out";
    return { person: me.person, station: me.station, role: me.role, units: me.preferences?.units, theme: me.preferences?.theme };
  } catch {
    return null; // names typed here serve until the server answers
  }
}

// prefer keeps what a person likes with their account.
export function prefer(likes) {
  fetch("/api/me/preferences", {
    method: "PUT", headers: { "Content-Type": "application/json" }, body: JSON.stringify(likes), signal: AbortSignal.timeout(5000),
  }).catch(() => {}); // it is kept on this screen at least
}

export async function signOut() {
  await fetch("/api/session", { method: "DELETE", signal: AbortSignal.timeout(5000) }).catch(() => {});
  location.assign(`/sign-in?to=${encodeURIComponent(location.pathname)}`);
}
