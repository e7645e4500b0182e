// Makes the decision of sounding.mjs audible with Web Audio. A browser lets no page
// sound before it is touched: running() tells what is, not what was asked for.

// A cycle of beeps for each priority: its length in s, and [start s, length s, Hz].
const CYCLES = {
  emergency: [1.0, [[0, 0.16, 932], [0.2, 0.16, 622], [0.4, 0.16, 932], [0.6, 0.16, 622]]],
  high: [2.0, [[0, 0.18, 740], [0.28, 0.18, 740], [0.56, 0.18, 740]]],
  medium: [5.0, [[0, 0.22, 523], [0.4, 0.22, 523]]],
  low: [20.0, [[0, 0.25, 392]]],
};

export class Horn {
  #context = null;
  #gain = null;
  #pattern = null;
  #next = 0; // audio time of the next cycle
  #seen = { audio: 0, mono: 0, moving: true };

  // start must be called from a touch or a key. It resolves when sound runs.
  async start() {
    this.#context ??= new AudioContext();
    this.#gain ??= this.#context.createGain();
    this.#gain.connect(this.#context.destination);
    await this.#context.resume();
    this.#beep(this.#context.currentTime + 0.05, 0.12, 523);
  }

  // running: the audio clock must move, not only claim to.
  running(mono) {
    if (!this.#context || this.#context.state !== "running") return false;
    if (mono - this.#seen.mono > 1500) {
      const audio = this.#context.currentTime;
      this.#seen = { moving: audio > this.#seen.audio, audio, mono };
    }
    return this.#seen.moving;
  }

  reason() {
    if (!this.#context) return "not touched since the page was loaded";
    return this.#context.state === "running" ? "" : `audio ${this.#context.state}`;
  }

  // play makes pattern (a priority or null) heard; call it at least once a second.
  play(pattern) {
    const context = this.#context;
    if (!context || context.state !== "running") return;
    if (pattern !== this.#pattern) {
      this.#pattern = pattern;
      this.#next = context.currentTime + 0.02;
      this.#gain.disconnect(); // cut what is already scheduled
      this.#gain = context.createGain();
      this.#gain.connect(context.destination);
    }
    if (!pattern) return;
    const [length, beeps] = CYCLES[pattern];
    this.#next = Math.max(this.#next, context.currentTime);
    while (this.#next < context.currentTime + 1.2) {
      for (const [at, long, hertz] of beeps) this.#beep(this.#next + at, long, hertz);
      this.#next += length;
    }
  }

  #beep(at, long, hertz) {
    const tone = this.#context.createOscillator();
    const shape = this.#context.createGain();
    tone.type = "triangle";
    tone.frequency.value = hertz;
    shape.gain.setValueAtTime(0, at);
    shape.gain.linearRampToValueAtTime(0.6, at + 0.015);
    shape.gain.setValueAtTime(0.6, at + long - 0.03);
    shape.gain.linearRampToValueAtTime(0, at + long);
    tone.connect(shape).connect(this.#gain);
    tone.start(at);
    tone.stop(at + long);
  }
}
