// What the checks say: problems first, each with its way out; passes folded.

import { h, said } from "./dom.js";
import { plural, RESULTS } from "./words.js";

const ORDER = ["refuse", "unknown", "warn"];

/** Return elements for findings. `accepted` is a set of checks; `onaccept` is called with a check and true or false. */
export function findingsList(findings, accepted, onaccept) {
  const problems = ORDER.flatMap((result) => findings.filter((finding) => finding.result === result));
  const passes = findings.filter((finding) => finding.result === "pass");
  return [
    problems.length
      ? h("ul", { class: "findings" }, problems.map((finding, place) => item(finding, accepted, onaccept, place)))
      : null,
    h(
      "details",
      { class: "passes" },
      h("summary", {}, `${plural(passes.length, "check")} passed`),
      h("ul", { class: "findings" }, passes.map((finding) => item(finding, accepted, null))),
    ),
  ];
}

function item(finding, accepted, onaccept, place) {
  const { tone, word } = RESULTS[finding.result];
  return h(
    "li",
    { class: tone },
    h("p", {}, said(word, tone), " ", h("code", {}, finding.check), " ", h("strong", {}, finding.subject)),
    h("p", {}, finding.evidence),
    finding.remedy ? h("p", {}, h("strong", {}, "Way out: "), finding.remedy) : null,
    finding.result === "unknown" && onaccept ? tick(finding, accepted, onaccept, place) : null,
  );
}

function tick(finding, accepted, onaccept, place) {
  const id = `accept-${place}`;
  const box = h("input", {
    type: "checkbox",
    id,
    checked: accepted.has(finding.check),
    onchange: () => onaccept(finding.check, box.checked),
  });
  return h("p", { class: "tick" }, box, h("label", { for: id }, `Go on without knowing ${finding.check}; the receipt tells it`));
}
