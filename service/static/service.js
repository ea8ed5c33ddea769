// The service: questions to it, and the stream of what happens.

const API = "/api/v1";
const POLL_MS = 2000;
const RETRY_MS = 10000;

/** What the service refused, as its problem document says; `status` 0 where it did not answer at all. */
export class Problem extends Error {
  constructor(status, body) {
    super(body.detail ?? "The service does not answer");
    this.status = status;
    this.remedy = body.remedy ?? "";
    const errors = Object.values(body.errors ?? {}).flatMap((place) => Object.values(place));
    if (errors.length) this.message = errors.flat().join(" ");
  }
}

/** Ask the service and return the answer's object. Raise Problem. */
export async function ask(method, path, body) {
  const headers = { Accept: "application/json" };
  if (method !== "GET") headers["X-CSRF-Token"] = document.querySelector('meta[name="csrf-token"]').content;
  if (body !== undefined) headers["Content-Type"] = "application/json";
  let answer;
  try {
    answer = await fetch(API + path, { method, headers, body: body && JSON.stringify(body), cache: "no-store" });
  } catch {
    throw new Problem(0, {});
  }
  const found = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Problem(answer.status, found);
  return found;
}

/**
 * Follow what happens. `on.readers`, `on.job` and `on.progress` get snapshots; `on.anew` is called when all must be
 * read anew, at first too; `on.line` gets "live", "asking" or "lost" with the problem.
 *
 * A browser opens only a few connections to one host: a page nobody sees closes its stream. Where there is no stream
 * to be had, `on.anew` is called every few seconds instead.
 */
export function follow(on) {
  let source = null;
  let polling = null;
  let retrying = null;

  function open() {
    close();
    source = new EventSource(`${API}/events`);
    source.addEventListener("open", () => {
      stopPolling();
      on.line("live");
      on.anew().catch(() => poll());
    });
    for (const kind of ["readers", "job", "progress"]) {
      source.addEventListener(kind, (event) => on[kind](JSON.parse(event.data)));
    }
    source.addEventListener("reset", () => on.anew().catch(() => poll()));
    source.addEventListener("error", () => {
      poll();
      // Refused for good, as when too many listen; a stream that broke comes back by itself.
      if (source?.readyState === EventSource.CLOSED) retrying ??= setTimeout(open, RETRY_MS);
    });
  }

  function close() {
    source?.close();
    source = null;
    clearTimeout(retrying);
    retrying = null;
    stopPolling();
  }

  async function poll() {
    if (polling !== null) return;
    const mine = (polling = setInterval(attempt, POLL_MS));
    attempt();
    async function attempt() {
      let problem = null;
      try {
        await on.anew();
      } catch (error) {
        problem = error;
      }
      if (polling === mine) on.line(problem ? "lost" : "asking", problem);
    }
  }

  function stopPolling() {
    clearInterval(polling);
    polling = null;
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  addEventListener("pagehide", close);
  open();
}
