// Sizes, times and states in words, as the command line says them.

export function bytes(count) {
  const units = ["B", "kB", "MB", "GB", "TB"];
  let size = count;
  let unit = 0;
  while (size >= 999.5 && unit < units.length - 1) {
    size /= 1000;
    unit += 1;
  }
  const text = unit === 0 || size >= 100 ? size.toFixed(0) : String(Number(size.toPrecision(3)));
  return `${text} ${units[unit]}`;
}

/** Return a time to come, no finer than it can be known. */
export function about(seconds) {
  if (seconds < 10) return "a few seconds";
  if (seconds < 90) return `about ${Math.round(seconds / 5) * 5} s`;
  if (seconds < 5400) return `about ${Math.round(seconds / 60)} min`;
  return `about ${(seconds / 3600).toFixed(1)} h`;
}

/** Return a validity for people: its cycle, and the UTC dates. */
export function period({ cycle, effective_at: begins, lapses_at: ends }) {
  const parts = [begins && `from ${day(begins)}`, ends ? `until ${day(ends)}` : "does not lapse"].filter(Boolean);
  return `${cycle ? `cycle ${cycle}, ` : ""}${parts.join(" ")} (UTC)`;
}

function day(instant) {
  const [date, time] = instant.replace("Z", "").split("T");
  return time.startsWith("00:00") ? date : `${date} ${time.slice(0, 5)}`;
}

export const plural = (count, one, many = `${one}s`) => `${count} ${count === 1 ? one : many}`;

export const FITNESS_TONES = {
  verified: "good",
  "put the card in again to finish": "soon",
  unfit: "bad",
  "nothing written": "plain",
};

export const RESULTS = {
  refuse: { tone: "bad", word: "Refused" },
  unknown: { tone: "open", word: "Not known" },
  warn: { tone: "soon", word: "Take care" },
  pass: { tone: "good", word: "Passed" },
};

export const VERDICTS = {
  verified: { tone: "good", word: "Verified" },
  "data read back": { tone: "soon", word: "Data read back: put the card in again to finish" },
  unproven: { tone: "bad", word: "Not proven" },
};

export const ENDINGS = {
  refused: "The checks refused it. Nothing on the card was changed.",
  failed: "The job failed.",
  cancelled: "The job was stopped.",
  interrupted: "The job was interrupted: the program that ran it ended.",
};

export const DATA = {
  direct: "read from the medium itself, past the computer's memory",
  evicted: "read after the computer's memory of it was dropped",
  cached: "read from the computer's memory: this proves nothing about the card",
};

export const STRUCTURE = {
  assumed: "not proven: the card was not taken out since",
  "read raw": "read from the raw device",
  remounted: "read after the volume was unmounted and mounted again",
  reinserted: "read after the card was taken out and put back",
};
