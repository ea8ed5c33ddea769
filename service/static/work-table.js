// The work table: which cards are there, and which one is being worked on.

import { Bench } from "./bench.js";
import { carryForm } from "./carry.js";
import { byId, fill, h, said } from "./dom.js";
import { ask, follow } from "./service.js";
import { bytes, FITNESS_TONES } from "./words.js";

const FOLDERS_KEY = "mediaprep-folders";
const MOST_FOLDERS = 8;
const LINES = {
  live: "Live: you see what is in the readers now.",
  asking: "Too many pages follow the service, or it has just come back: this page asks every 2 seconds.",
  lost: "Not connected.",
};

const announcer = byId("announcer");
let readers = [];
let chosen = null; // the path of the card being worked on
let bench = null;
let shownCard = null;
let carrying = []; // loads on their way whose card is in no reader

function announce(words) {
  announcer.textContent = words;
}

async function lookAnew() {
  const [there, underway] = await Promise.all([ask("GET", "/readers"), ask("GET", "/carrying")]);
  carrying = underway.loads;
  show(there.readers);
}

function show(found) {
  const known = new Set(readers.map((one) => one.place.target));
  const fresh = found.filter((one) => !known.has(one.place.target) && one.place.medium);
  readers = found;
  const busy = bench?.bars !== null && bench !== null && readers.some((one) => one.place.target === chosen);
  if (fresh.length) {
    announce(`Card ${nameOf(fresh[0])} is there.`);
    if (!busy) chosen = fresh[0].place.target;
  }
  const places = [...readers.map((one) => one.place.target), ...journeys().keys()];
  if (!places.includes(chosen)) chosen = readers[0]?.place.target ?? null;
  drawReaders();
  drawWork();
}

/** Return the loads on their way by a name for each journey, without cards that are in a reader. */
function journeys() {
  const here = new Set(readers.map((one) => one.card?.name));
  const found = new Map();
  for (const load of carrying.filter((one) => !here.has(one.card))) {
    const name = `${load.card} to ${load.aircraft}/${load.unit}`;
    found.set(name, [...(found.get(name) ?? []), load]);
  }
  return found;
}

function drawJourneys() {
  const found = [...journeys()];
  byId("journeys-box").hidden = !found.length;
  fill(
    byId("journeys"),
    found.map(([name, loads], place) =>
      h(
        "li",
        {},
        h(
          "button",
          { type: "button", class: "slot", id: `journey-${place}`, "aria-pressed": String(name === chosen), onclick: () => choose(name) },
          h("span", { class: "chip out", "aria-hidden": "true" }),
          h("span", { class: "slot-name" }, name),
          h("span", { class: "small" }, loads.map((load) => load.bundle).join(" and ")),
          said(loads[0].state === "installed" ? "put in: what did it show?" : "prepared: carry it", "plain"),
        ),
      ),
    ),
  );
}

function drawReaders() {
  drawJourneys();
  const box = byId("readers");
  box.removeAttribute("aria-busy");
  if (!readers.length) {
    fill(box, h("p", { class: "small" }, "No card is in any reader."));
    return;
  }
  fill(box, h("ul", {}, readers.map((reader, place) => h("li", {}, readerButton(reader, place)))));
}

function readerButton(reader, place) {
  const { medium, target } = reader.place;
  const at = { type: "button", class: "slot", id: `reader-${place}`, "aria-pressed": String(target === chosen) };
  const job = reader.last_job?.state === "running";
  return h(
    "button",
    { ...at, onclick: () => choose(target) },
    h("span", { class: medium ? "chip" : "chip out", "aria-hidden": "true" }),
    h("span", { class: "slot-name" }, medium ? nameOf(reader) : "No card"),
    h("span", { class: "small", title: target }, medium?.capacity_bytes ? `${bytes(medium.capacity_bytes)} · ` : "", shortened(target)),
    medium ? (job ? said("at work", "plain") : reader.card ? said(reader.fitness, FITNESS_TONES[reader.fitness]) : said("new here", "plain")) : null,
  );
}

function choose(target) {
  chosen = target;
  drawReaders();
  drawWork();
  byId("work-title").focus();
}

function drawWork() {
  const reader = readers.find((one) => one.place.target === chosen);
  const title = byId("work-title");
  const body = byId("work-body");
  const loads = journeys().get(chosen);
  if (loads) {
    drawJourney(title, body, loads);
    return;
  }
  const card = reader?.place.medium ? JSON.stringify([chosen, reader.place.medium.identity]) : null;
  if (!card) {
    bench = null;
    shownCard = null;
    fill(title, reader ? "No card is there" : "Put a card in");
    fill(body, reader ? gone(reader.place) : waiting());
    return;
  }
  fill(title, reader.card ? `Card ${reader.card.name}` : "A card that is new here");
  if (card !== shownCard) {
    shownCard = card;
    bench = new Bench(body, reader, { announce, changed: lookAnew });
  } else {
    bench.update(reader);
  }
}

async function drawJourney(title, body, loads) {
  const shown = JSON.stringify(loads);
  if (shown === shownCard) return;
  shownCard = shown;
  bench = null;
  fill(title, `Card ${loads[0].card}`);
  const form = await carryForm(loads, async (words) => {
    announce(`Logged: ${words}`);
    await lookAnew();
    byId("work-title").focus();
  });
  if (shown === shownCard) fill(body, h("section", { class: "plate", "aria-label": "To the unit" }, form));
}

function waiting() {
  return [
    h("p", {}, "Put a card into a reader of this computer. It appears here within a second, once your system has mounted it."),
    h("p", { class: "small" }, "No card at hand? “Use a folder” takes a folder that plays one."),
  ];
}

function gone({ target, problem, remedy, folder }) {
  return [
    h("p", {}, `${problem}.`),
    remedy ? h("p", {}, h("strong", {}, "Way out: "), remedy) : null,
    folder ? h("p", {}, h("button", { type: "button", id: "leave", onclick: () => leave(target) }, "Take it off the table")) : null,
  ];
}

async function leave(target) {
  show((await ask("DELETE", `/readers?target=${encodeURIComponent(target)}`)).readers);
  byId("work-title").focus();
}

/** Return the end of a path, which tells more than its beginning. */
function shortened(path) {
  const parts = path.split("/");
  return parts.length > 3 ? `…/${parts.slice(-2).join("/")}` : path;
}

function nameOf(reader) {
  return reader.card?.name ?? "New card";
}

// --- a folder in the place of a reader --------------------------------------------------------------------------------

function folders() {
  try {
    return JSON.parse(localStorage.getItem(FOLDERS_KEY)) ?? [];
  } catch {
    return [];
  }
}

function offerFolders() {
  fill(byId("folders"), folders().map((path) => h("option", { value: path })));
}

byId("folder-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const target = byId("folder").value.trim();
  const line = byId("folder-error");
  fill(line, []);
  try {
    const answer = await ask("POST", "/readers", { target });
    localStorage.setItem(FOLDERS_KEY, JSON.stringify([target, ...folders().filter((one) => one !== target)].slice(0, MOST_FOLDERS)));
    offerFolders();
    byId("folder").value = "";
    byId("folder-box").open = false;
    chosen = target;
    show(answer.readers);
    byId("work-title").focus();
  } catch (problem) {
    fill(line, `${problem.message} ${problem.remedy}`);
    byId("folder").focus();
  }
});

// --- what happens -----------------------------------------------------------------------------------------------------

follow({
  readers: (told) => show(told.readers),
  progress: (told) => bench?.progress(told),
  job: (job) => {
    const reader = readers.find((one) => one.card?.name === job.card);
    if (job.state === "running" && reader?.place.target === chosen) bench?.follow(job);
    else lookAnew().catch(() => {});
  },
  anew: lookAnew,
  line: (state, problem) => {
    const signedOut = problem?.status === 401;
    byId("lost").hidden = state !== "lost" || signedOut;
    byId("line").textContent = signedOut ? "You are not signed in any more: load this page again." : LINES[state];
    document.body.classList.toggle("cut-off", state === "lost");
  },
});
setInterval(() => bench?.tick(), 1000);
offerFolders();
