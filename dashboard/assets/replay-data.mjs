// What the replay page asks of the server.

import { rowAt } from "./replay-time.mjs";

// ask fetches JSON, or throws with the server's words.
export async function ask(path, { method = "GET", body, signal } = {}) {
  const answer = await fetch(path, {
    method, signal,
    headers: body ? { "Content-Type": "application/json" } : undefined,
    body: body ? JSON.stringify(body) : undefined,
  });
  if (answer.status === 401) {
    location.assign(`/sign-in?to=${encodeURIComponent(location.pathname + location.search)}`);
    throw new Error("sign in first");
  }
  if (answer.status === 204) return null;
  const said = await answer.json().catch(() => ({}));
  if (!answer.ok) throw Object.assign(new Error(said.error ?? `the server answered ${answer.status}`), { status: answer.status });
  return said;
}

const EVERY = 200; // ms between two looks at a run

// play asks for a run and waits for it; told hears how far it is. Aborting signal
// cancels it. It returns the run as it ended.
export async function play(request, told, signal) {
  const run = await ask("/api/replay/runs", { method: "POST", body: request, signal });
  return await wait(run.id, told, signal);
}

export async function wait(id, told, signal) {
  const path = `/api/replay/runs/${id}`;
  const cancel = () => ask(path, { method: "DELETE" }).catch(() => {}); // gone already: nothing to cancel
  signal?.addEventListener("abort", cancel, { once: true });
  try {
    for (;;) {
      const now = await ask(path);
      signal?.throwIfAborted();
      told(now);
      if (now.state === "failed") throw new Error(now.error);
      if (now.state === "cancelled") throw new DOMException("cancelled", "AbortError");
      if (now.state === "done") return now;
      await new Promise((done) => setTimeout(done, EVERY));
    }
  } finally {
    signal?.removeEventListener("abort", cancel);
  }
}

export function forget(id) {
  if (id) ask(`/api/replay/runs/${id}`, { method: "DELETE" }).catch(() => {}); // the server forgets it in time
}

// series fetches columns over a window.
export function series(id, { from, to }, points, columns, signal) {
  const query = new URLSearchParams({ from_ms: Math.round(from), to_ms: Math.round(to), points, columns: columns.join(",") });
  return ask(`/api/replay/runs/${id}/series?${query}`, { signal });
}

const BLOCK = 1024; // rows
const BLOCKS = 12; // kept

// Frames keeps blocks of rows as they are, around where the cursor is.
export class Frames {
  #id;
  #rows;
  #blocks = []; // newest use last
  #asked = new Set();
  #came;

  // rows is how many the run has; came is called when a block has come.
  constructor(id, rows, came) {
    this.#id = id;
    this.#rows = rows;
    this.#came = came;
  }

  // at returns the row at a time as {row, t, words, value(name)}, or null until it is here.
  at(ms) {
    const block = this.#blocks.find((b) => (b.t[0] <= ms || b.first === 0) && (ms < b.t.at(-1) || b.first + b.t.length >= this.#rows));
    if (!block) {
      this.#fetch(`at_ms=${Math.max(0, Math.round(ms))}&before=${BLOCK / 4}`);
      return null;
    }
    this.#use(block);
    const i = Math.max(0, rowAt(block.t, ms));
    if (i > block.t.length * 0.6 && block.first + block.t.length < this.#rows) this.#ahead(block.first + block.t.length - 1);
    return one(block, i);
  }

  // row returns a row by its number, or null until it is here.
  row(n) {
    if (n < 0 || n >= this.#rows) return null;
    const block = this.#blocks.find((b) => n >= b.first && n < b.first + b.t.length);
    if (block) return one(block, n - block.first);
    this.#fetch(`row=${Math.max(0, n - BLOCK / 2)}`);
    return null;
  }

  // near waits for a row.
  async near(n) {
    for (let tries = 0; tries < 50; tries++) {
      const r = this.row(n);
      if (r || n < 0 || n >= this.#rows) return r;
      await new Promise((done) => setTimeout(done, 20));
    }
    return null;
  }

  #ahead(first) {
    if (!this.#blocks.some((b) => b.first <= first && first + 1 < b.first + b.t.length)) this.#fetch(`row=${first}`);
  }

  #use(block) {
    this.#blocks.splice(this.#blocks.indexOf(block), 1);
    this.#blocks.push(block);
  }

  async #fetch(where) {
    if (this.#asked.size >= 2 || this.#asked.has(where)) return; // the cursor comes by again
    this.#asked.add(where);
    try {
      const block = await ask(`/api/replay/runs/${this.#id}/frames?${where}&count=${BLOCK}`);
      if (block.t.length) this.#blocks.push(block);
      while (this.#blocks.length > BLOCKS) this.#blocks.shift();
    } catch (err) {
      this.#came(err);
      return;
    } finally {
      this.#asked.delete(where);
    }
    this.#came(null);
  }
}

function one(block, i) {
  return { row: block.first + i, t: block.t[i], words: block.words[i], value: (name) => block.columns[name]?.[i] ?? null };
}
