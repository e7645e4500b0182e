// Who looks: by the server's account where there is one.

// account returns {person, role, units} of the person that is signed in, or null where
// this monitor has no accounts.
export async function account() {
  if (document.body.dataset.accounts !== "true") return null;
  try {
    const answer = await fetch("/api/me", { signal: AbortSignal.timeout(5000) });
    if (!answer.ok) return null;
    const me = await answer.json();
    if (!me.person || !me.role) return null;
    return { person: me.person, role: me.role, units: me.preferences?.units ?? me.units ?? null };
  } catch {
    return null; // names typed here serve until the server answers
  }
}

// prefer keeps a choice with the account, where there is one.
export function prefer(_name, _value) {}
