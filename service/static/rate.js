// How fast a phase goes, from its own reports, and what is left of it: only what was measured is said.

const WINDOW_MS = 10000;
const LEAST_MS = 1500;
const STALLED_MS = 5000;

export class Rate {
  #samples = [];

  /** Take in how many bytes were done at a time, in milliseconds. */
  add(done, at) {
    const last = this.#samples.at(-1);
    if (last && done < last.done) this.#samples = [];
    if (last?.done === done && this.#samples.length) return;
    this.#samples.push({ done, at });
    while (this.#samples.length > 2 && this.#samples[1].at < at - WINDOW_MS) this.#samples.shift();
  }

  /** Return bytes per second over the last seconds, null while that is not known yet. */
  speed(now) {
    const first = this.#samples[0];
    const last = this.#samples.at(-1);
    if (!first || last.at - first.at < LEAST_MS) return null;
    return ((last.done - first.done) * 1000) / (now - last.at > STALLED_MS ? now - first.at : last.at - first.at);
  }

  /** Return for how many seconds nothing moved, 0 where that is no matter yet. */
  stalled(now) {
    const last = this.#samples.at(-1);
    return last && now - last.at > STALLED_MS ? Math.round((now - last.at) / 1000) : 0;
  }
}
