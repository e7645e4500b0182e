// The WebSocket to the server, made again whenever it ends or falls silent.

import { backoff, parse } from "./fresh.mjs";

const CONNECT_LIMIT = 3000; // ms for a handshake
const SILENCE_LIMIT = 3000; // ms without a good frame before the socket is given up

export class Link {
  state = "not connected yet";
  broken = 0; // frames that were no snapshot
  #url;
  #on;
  #read;
  #socket = null;
  #tries = 0;
  #opened = 0; // when this socket was made, or last gave a good frame
  #retryAt = 0;

  // on has connected() and snapshot(s), which tells whether s is fresh: a socket that
  // gives only old ones is given up like one that gives none.
  // read makes a snapshot of a frame's text, null where there is none in it.
  constructor(url, on, read = parse) {
    this.#url = url;
    this.#on = on;
    this.#read = read;
  }

  // tend is called often, and when the page is shown again: it opens, gives up and
  // reopens by comparing instants, so that it works after a sleep as well.
  tend(mono) {
    if (this.#socket) {
      const open = this.#socket.readyState === WebSocket.OPEN;
      if (mono - this.#opened > (open ? SILENCE_LIMIT : CONNECT_LIMIT)) {
        this.#drop(open ? "connected, but nothing comes" : "no answer", mono);
      }
    } else if (mono >= this.#retryAt) this.#open(mono);
  }

  // reopen gives up the present socket: what it still holds may be old.
  reopen(mono) {
    this.#drop("connecting again", mono);
    this.#retryAt = mono;
  }

  // end leaves the socket for good: another link has taken its place.
  end() {
    this.#drop("ended", 0);
    this.#retryAt = Infinity;
  }

  retryIn(mono) {
    return this.#socket ? null : Math.max(0, this.#retryAt - mono);
  }

  #open(mono) {
    this.#opened = mono;
    this.state = this.#tries === 0 && this.state === "not connected yet" ? this.state : `${this.#cause}; connecting`;
    const socket = new WebSocket(this.#url);
    this.#socket = socket;
    socket.onopen = () => {
      if (socket !== this.#socket) return;
      this.state = "connected";
      this.#opened = performance.now();
      this.#on.connected();
    };
    socket.onmessage = (event) => {
      if (socket !== this.#socket) return;
      const snapshot = this.#read(event.data);
      if (!snapshot) {
        this.broken++;
        return;
      }
      this.#tries = 0;
      if (this.#on.snapshot(snapshot)) this.#opened = performance.now();
    };
    socket.onclose = (event) => {
      if (socket !== this.#socket) return;
      this.#drop(event.code === 1001 ? "the monitor was stopped" : "the connection ended", performance.now());
    };
  }

  #cause = "";

  #drop(cause, mono) {
    this.#cause = cause;
    this.state = cause;
    const socket = this.#socket;
    this.#socket = null;
    // A dead peer never answers a close: nothing waits for it.
    if (socket) {
      socket.onopen = socket.onmessage = socket.onclose = null;
      socket.close();
    }
    this.#retryAt = mono + backoff(this.#tries++, Math.random());
  }
}
