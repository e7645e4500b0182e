// post sends body to url and returns "" when the monitor has taken it, else why not, in words.
// Without an answer nobody knows whether it was taken: the words say so.
export async function post(url, body) {
  try {
    const answer = await fetch(url, {
      method: "POST", body: JSON.stringify(body), headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(6000),
    });
    if (answer.ok) return "";
    const said = await answer.json().catch(() => ({}));
    if (answer.status === 401) return "refused: you are not signed in, or no longer: sign in again";
    return `refused: ${said.refused ?? said.error ?? `the monitor answered ${answer.status}`}`;
  } catch (error) {
    return `no answer from the monitor: look whether it was done before you ask again (${error.message})`;
  }
}

// sentence is words with a capital first.
export const sentence = (words) => words.charAt(0).toUpperCase() + words.slice(1);
