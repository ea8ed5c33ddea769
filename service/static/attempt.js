// A question to the service whose refusal is said in a line of the page.

import { byId, fill } from "./dom.js";
import { ask } from "./service.js";

/** Ask the service; where it refuses, say so and the way out in the element `place`, and return null. */
export async function attempt(place, method, path, body) {
  if (byId(place)) fill(byId(place), []);
  try {
    return await ask(method, path, body);
  } catch (problem) {
    if (byId(place)) fill(byId(place), `${problem.message}. ${problem.remedy}`);
    return null;
  }
}
