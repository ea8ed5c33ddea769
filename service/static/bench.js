// The card that is being worked on: what it is, what was done to it, what it is to carry next.

import { attempt } from "./attempt.js";
import { carryForm } from "./carry.js";
import { byId, fill, h, said } from "./dom.js";
import { findingsList } from "./findings.js";
import { Bars, ending } from "./job.js";
import { ask } from "./service.js";
import { bytes, FITNESS_TONES, RESULTS } from "./words.js";

/** Works on the card in one reader, inside `body`. It is made anew for every other card. */
export class Bench {
  constructor(body, reader, { announce, changed }) {
    this.body = body;
    this.announce = announce;
    this.changed = changed;
    this.target = reader.place.target;
    this.accepted = new Set();
    this.bars = null;
    this.saw = null; // the number of the job that was seen at work here
    this.said = null; // what the owner just logged, in words
    this.ended = h("section", { class: "plate", "aria-label": "Last job" });
    this.carry = h("section", { class: "plate", "aria-label": "To the unit" });
    this.choose = h("section", { class: "plate", "aria-labelledby": "choose-title" });
    this.findings = h("div", { id: "findings" });
    this.facts = h("div", {});
    this.asked = 0;
    this.shown = {};
    fill(body, this.facts, this.ended, this.carry, this.choose);
    for (const part of [this.ended, this.carry, this.choose]) part.hidden = true;
    this.update(reader);
  }

  /** Take in how the reader stands now; only what changed is drawn anew. */
  async update(reader) {
    this.reader = reader;
    fill(this.facts, factsOf(reader));
    const job = reader.last_job;
    if (job?.state === "running") return this.follow(job);
    this.bars = null;
    await Promise.all([
      this.#once("ended", [job?.number, job?.state, reader.fitness], () => this.#drawEnded()),
      this.#once("carry", reader.loads, () => this.#drawCarry()),
      this.#once("choose", [job?.number, job?.state, reader.place.medium.insertion, reader.loads], () => this.#drawChoose()),
    ]);
  }

  /** Show a job at work on this card. */
  async follow(job) {
    if (this.bars?.number === job.number) return;
    this.bars = new Bars(job, { onphase: this.announce, oncancel: (number) => attempt("job-error", "POST", `/jobs/${number}/cancel`) });
    this.shown = {};
    this.saw = job.number;
    this.carry.hidden = this.choose.hidden = true;
    this.said = null;
    fill(this.ended, this.bars.element, h("p", { class: "field-error", id: "job-error", role: "alert" }));
    this.ended.hidden = false;
    byId("cancel")?.focus();
    const bars = this.bars;
    const view = await attempt("job-error", "GET", `/jobs/${job.number}`);
    if (!view || bars !== this.bars) return;
    if (view.progress) bars.show(view.progress, performance.now());
    else if (view.state === "running") fill(bars.words, `Job ${job.number} is at work on ${job.station}.`);
  }

  progress({ number, progress }) {
    if (this.bars?.number === number) this.bars.show(progress, performance.now());
  }

  tick() {
    this.bars?.tick(performance.now());
  }

  async #once(part, state, draw) {
    const key = JSON.stringify(state);
    if (this.shown[part] === key) return;
    this.shown[part] = key;
    try {
      await draw();
    } catch {
      // The service went away meanwhile: what follows it says so, and draws this again when it is back.
      this.shown[part] = null;
    }
  }

  async #drawEnded() {
    const { last_job: job, fitness } = this.reader;
    if (!job) {
      this.ended.hidden = true;
      return;
    }
    const view = await ask("GET", `/jobs/${job.number}`);
    const receipt = view.receipt ? await ask("GET", `/receipts/${view.receipt}`) : null;
    const title = `Job ${job.number}: ${job.kind} ${job.bundle ?? ""}`;
    const told = [ending(view, receipt, fitness), this.#ways(job, receipt), h("p", { class: "field-error", id: "job-error", role: "alert" })];
    const fresh = this.saw === job.number;
    // What ended well before is no news; what did not, still waits to be put right.
    if (fresh || fitness !== "verified") fill(this.ended, h("h3", { id: "ended-title", tabindex: "-1" }, title), told);
    else fill(this.ended, h("details", {}, h("summary", { id: "ended-title" }, title), told));
    this.ended.hidden = false;
    if (!fresh) return;
    this.announce(this.ended.querySelector(".verdict").textContent);
    byId("ended-title").focus();
  }

  #ways(job, receipt) {
    const ways = [];
    const whole = receipt?.readback.verdict === "verified";
    if (!receipt && job.bundle && job.unit && job.state !== "refused") {
      const again = { kind: "write", bundle: job.bundle, unit: job.unit.join("/"), accept: [] };
      ways.push(this.#button("resume", `Go on with ${job.bundle}`, () => this.#start(again), "primary"));
    }
    if (this.reader.bundles.length) {
      const words = receipt && !whole ? "Finish the proof" : "Read it back again";
      ways.push(this.#button("verify", words, () => this.#start({ kind: "verify" }), receipt && !whole ? "primary" : ""));
    }
    return ways.length ? h("p", { class: "ways" }, ways) : null;
  }

  async #drawCarry() {
    const loads = this.reader.loads;
    if (!loads.length) {
      fill(this.carry, this.said ? [h("p", {}, said("Logged", "good"), " ", this.said), h("p", {}, h("a", { href: "/panel" }, "See the panel"))] : []);
      this.carry.hidden = !this.said;
      return;
    }
    fill(this.carry, await carryForm(loads, async (words) => {
      this.said = words;
      this.announce(`Logged: ${words}`);
      await this.changed();
      byId("work-title").focus();
    }));
    this.carry.hidden = false;
  }

  async #drawChoose() {
    const card = this.reader.card;
    const { pairs } = await ask("GET", `/pairs${card ? `?card=${encodeURIComponent(card.name)}` : ""}`);
    this.choose.hidden = false;
    if (!pairs.length) {
      fill(
        this.choose,
        h("h3", { id: "choose-title" }, "Nothing to put on it yet"),
        h("p", {}, "No bundle was taken in that a unit of the records takes. ", h("a", { href: "/bundles" }, "How to take one in")),
      );
      return;
    }
    const units = [...new Set(pairs.map((pair) => pair.unit))];
    this.unit = h("select", { id: "unit", onchange: () => this.#offer(pairs) }, units.map((name) => h("option", { value: name }, name)));
    this.bundle = h("select", { id: "bundle", onchange: () => this.#check(pairs) });
    this.why = h("p", { class: "small", id: "why-pair" });
    this.name = card ? null : h("input", { id: "card-name", type: "text", maxlength: 200, autocomplete: "off", placeholder: "the next number" });
    this.write = this.#button("write", "Write and read back", () => this.#write(), this.reader.loads.length ? "" : "primary");
    fill(
      this.choose,
      h("h3", { id: "choose-title" }, card && this.reader.bundles.length ? "Write something on it" : "Write it"),
      h(
        "div",
        { class: "pair" },
        h("p", {}, h("label", { for: "unit" }, "For the unit"), this.unit),
        h("p", {}, h("label", { for: "bundle" }, "The bundle"), this.bundle),
        this.name ? h("p", {}, h("label", { for: "card-name" }, "Name on its case"), this.name) : null,
      ),
      this.why,
      this.findings,
      h("p", { class: "ways" }, this.write),
      h("p", { class: "field-error", id: "choose-error", role: "alert" }),
    );
    await this.#offer(pairs);
  }

  #offer(pairs) {
    fill(this.bundle, pairs.filter((pair) => pair.unit === this.unit.value).map((pair) => h("option", { value: pair.bundle }, `${pair.bundle} (${pair.kind})`)));
    return this.#check(pairs);
  }

  async #check(pairs) {
    const { value: unit } = this.unit;
    const { value: bundle } = this.bundle;
    this.accepted.clear();
    fill(this.why, pairs.find((pair) => pair.unit === unit && pair.bundle === bundle).why);
    await this.#judge({ unit, bundle });
  }

  async #judge({ unit, bundle }) {
    const mine = (this.asked += 1);
    this.write.disabled = true;
    this.findings.setAttribute("aria-busy", "true");
    if (!this.findings.firstChild) fill(this.findings, h("p", {}, "Checking the computer, the card and the bundle …"));
    const accept = [...this.accepted];
    const answer = await attempt("choose-error", "POST", "/checks", { bundle, unit, target: this.target, accept });
    if (mine !== this.asked) return;
    this.findings.removeAttribute("aria-busy");
    if (!answer) {
      fill(this.findings, []);
      return;
    }
    const { tone } = RESULTS[answer.verdict];
    const words = {
      pass: "Ready to write: every check passed.",
      warn: "Ready to write, with care.",
      unknown: "Not all could be known. Find it out, or go on without it by a tick.",
      refuse: "This cannot be written. Each problem tells its way out.",
    }[answer.verdict];
    const onaccept = (check, yes) => {
      if (yes) this.accepted.add(check);
      else this.accepted.delete(check);
      this.#judge({ unit, bundle });
    };
    fill(this.findings, h("p", { class: "verdict" }, said(words, tone)), findingsList(answer.findings, this.accepted, onaccept));
    this.write.disabled = !["pass", "warn"].includes(answer.verdict);
    this.announce(words);
  }

  #write() {
    const wish = { kind: "write", bundle: this.bundle.value, unit: this.unit.value, accept: [...this.accepted] };
    if (this.name?.value.trim()) wish.card = this.name.value.trim();
    return this.#start(wish, "choose-error");
  }

  async #start(wish, place = "job-error") {
    const job = await attempt(place, "POST", "/jobs", { ...wish, target: this.target });
    if (!job) return;
    if (job.state === "running") await this.follow(job);
    await this.changed();
  }

  #button(id, words, onclick, kind = "") {
    return h("button", { type: "button", id, class: kind, onclick }, words);
  }
}

function factsOf({ place, card, fitness, bundles }) {
  const { medium } = place;
  const parts = [
    medium.capacity_bytes && bytes(medium.capacity_bytes),
    medium.family,
    medium.file_system,
    medium.label && `label ${medium.label}`,
    medium.free_bytes !== null && `${bytes(medium.free_bytes)} free`,
    medium.read_only && "write-protected",
  ].filter(Boolean);
  return [
    h("p", {}, card ? said(fitness, FITNESS_TONES[fitness]) : said("new here", "plain"), bundles.length ? ` It holds ${bundles.join(" and ")}.` : ""),
    h("p", { class: "small" }, `${parts.join(" · ")}. At ${place.target}.`, medium.simulated ? " Simulated: no physical card." : ""),
  ];
}
