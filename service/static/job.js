// One job on a card: how far it is, and how it ended.

import { fill, h, said } from "./dom.js";
import { Rate } from "./rate.js";
import { about, bytes, DATA, ENDINGS, plural, STRUCTURE, VERDICTS } from "./words.js";

const BARS = { copy: "Copy to the card", readback: "Read back from the card" };
const PHASES = {
  check: "Checking the computer, the card and the bundle",
  copy: "Copying; bytes count once they are on the card",
  flush: "Forcing everything onto the medium",
  readback: "Reading every byte back and comparing it",
  record: "Writing the receipt",
};

/** The bars of a job at work. `show` takes each progress; its element stays the same. */
export class Bars {
  constructor(job, { onphase, oncancel }) {
    this.number = job.number;
    this.phase = null;
    this.onphase = onphase;
    this.words = h("p", { class: "phase" }, "Starting …");
    this.lines = new Map();
    const parts = job.kind === "verify" ? ["readback"] : ["copy", "readback"];
    for (const name of parts) {
      const bar = h("progress", { max: 1, value: 0, id: `bar-${name}`, "aria-labelledby": `bar-${name}-label` });
      const text = h("span", { class: "bar-text" }, "waits");
      this.lines.set(name, { bar, text, rate: new Rate(), latest: null });
    }
    this.stop = h("button", { type: "button", id: "cancel", onclick: () => this.#cancel(oncancel) }, "Stop the job");
    this.element = h(
      "div",
      { class: "job" },
      h("h3", {}, job.kind === "verify" ? "Reading the card back" : `Writing ${job.bundle} for ${job.unit.join("/")}`),
      this.words,
      parts.map((name) =>
        h(
          "div",
          { class: "bar" },
          h("span", { id: `bar-${name}-label` }, BARS[name]),
          this.lines.get(name).bar,
          this.lines.get(name).text,
        ),
      ),
      h("p", { class: "small" }, "Leave the card in. What is on it counts for nothing until all of it was read back."),
      this.stop,
    );
  }

  /** Show one progress of the job, as it was told at `now` (milliseconds). */
  show(progress, now) {
    if (progress.phase !== this.phase) {
      this.phase = progress.phase;
      const before = Object.keys(PHASES).slice(0, Object.keys(PHASES).indexOf(this.phase));
      for (const [name, line] of this.lines) if (before.includes(name)) this.#whole(line);
      fill(this.words, `${PHASES[progress.phase]} …`);
      this.onphase(PHASES[progress.phase]);
    }
    const line = this.lines.get(progress.phase);
    if (!line) return;
    line.latest = progress;
    line.rate.add(progress.bytes_done, now);
    this.tick(now);
  }

  /** Say anew how fast it goes: also when nothing was told for a while. */
  tick(now) {
    const line = this.lines.get(this.phase);
    if (!line?.latest) return;
    const { bytes_done: done, bytes_total: total, files_done: files, files_total: all } = line.latest;
    line.bar.value = total ? done / total : 1;
    fill(line.text, [`${bytes(done)} of ${bytes(total)}, ${files} of ${plural(all, "file")}`, this.#speed(line, now)].join(" · "));
  }

  #speed(line, now) {
    const { bytes_done: done, bytes_total: total } = line.latest;
    const stalled = line.rate.stalled(now);
    if (done === total) return "done";
    if (stalled) return `nothing came for ${stalled} s`;
    const speed = line.rate.speed(now);
    return speed ? `${bytes(speed)}/s · ${about((total - done) / speed)} left` : "speed not known yet";
  }

  #whole(line) {
    line.bar.value = 1;
    if (!line.latest) fill(line.text, "nothing to do: all of it is there already");
  }

  #cancel(oncancel) {
    this.stop.disabled = true;
    fill(this.stop, "Stopping at the next chunk …");
    oncancel(this.number);
  }
}

/** Return what is to be said of a job that ended: its view, its receipt or null, and how the card stands now. */
export function ending(view, receipt, fitness) {
  if (receipt === null) return failed(view);
  const verdict = VERDICTS[receipt.readback.verdict];
  const report = receipt.readback;
  const seconds = Math.max((Date.parse(report.finished_at) - Date.parse(report.started_at)) / 1000, 0.001);
  const still = fitness === "verified" && receipt.readback.verdict !== "verified";
  return [
    h("p", { class: "verdict" }, said(verdict.word, verdict.tone)),
    h(
      "dl",
      { class: "facts" },
      fact("Receipt", receipt.number),
      fact("Whole on it", receipt.bundles.map((one) => `${one.name} (${plural(one.file_count, "file")}, ${bytes(one.total_bytes)})`).join(", ")),
      fact("Bytes", `${bytes(report.bytes)} ${DATA[report.data_evidence]}, ${bytes(report.bytes / seconds)}/s`),
      fact("Folders", `${STRUCTURE[report.structure_evidence]}`),
      receipt.rewritten.length ? fact("Mended", `${plural(receipt.rewritten.length, "file")} differed and came anew`) : null,
      receipt.accepted.length ? fact("By your word", receipt.accepted.join(", ")) : null,
      receipt.simulated ? fact("Simulated", "yes: this was no physical card") : null,
    ),
    view.error && !still ? h("p", {}, h("strong", {}, "Way out: "), view.error.remedy) : null,
    still ? h("p", {}, "The card stays verified: its folders were proven before, and nothing was written since.") : null,
  ];
}

function failed(view) {
  const error = view.error ?? { message: "", remedy: "", paths: [] };
  const paths = error.paths ?? [];
  return [
    h("p", { class: "verdict" }, said(ENDINGS[view.state], view.state === "refused" ? "soon" : "bad")),
    error.message ? h("p", {}, error.message) : null,
    paths.length > 1
      ? h("details", {}, h("summary", {}, plural(paths.length, "file")), h("ul", {}, paths.map((path) => h("li", {}, h("code", {}, path)))))
      : null,
    remedy(view, error),
  ];
}

function remedy(view, error) {
  const goesOn = view.bundle && ["cancelled", "interrupted"].includes(view.state);
  const words = goesOn ? "Go on. What is on the card already and reads back right is not written again." : error.remedy;
  return words ? h("p", {}, h("strong", {}, "Way out: "), words) : null;
}

function fact(name, value) {
  return h("div", {}, h("dt", {}, name), h("dd", {}, value));
}
