// A card on its way into a unit: where to carry it, and what the unit made of it.

import { attempt } from "./attempt.js";
import { byId, h } from "./dom.js";
import { ask } from "./service.js";
import { period } from "./words.js";

/** Return elements about loads of one card for one unit. `onlogged` is called with what was logged, in words. */
export async function carryForm(loads, onlogged) {
  const { aircraft, unit, card } = loads[0];
  const label = `${aircraft}/${unit}`;
  const { slots } = await ask("GET", `/units/${encodeURIComponent(aircraft)}/${encodeURIComponent(unit)}`);
  const installed = loads.every((load) => load.state === "installed");
  const slot = slots.length > 1 ? h("select", { id: "slot" }, slots.map((name) => h("option", { value: name }, name))) : null;
  const names = loads.map((load) => load.bundle).join(" and ");

  async function tell(state, words, reason = "") {
    const body = { card, unit: label, state, reason };
    const where = installed ? loads[0].slot : (slot?.value ?? slots[0]);
    if (where) body.slot = where;
    if (await attempt("carry-error", "POST", "/loads", body)) await onlogged(words);
  }

  function refuse(event) {
    event.preventDefault();
    tell("rejected", `${label} did not take ${names}.`, byId("why").value);
  }

  return [
    h("h3", {}, installed ? `What did ${label} make of it?` : `Carry it to ${label}`),
    installed ? null : h("p", {}, `Eject the card the way your system does it, and put it into ${label}.`),
    h("ul", {}, loads.map((load) => h("li", {}, h("strong", {}, load.bundle), ` ${period(load.validity)}`))),
    h("p", {}, "Compare the dates that the unit shows with these."),
    slot && !installed ? h("p", {}, h("label", { for: "slot" }, "Slot"), slot) : null,
    h(
      "p",
      { class: "ways" },
      button("took", "The unit took it", () => tell("accepted", `${label} took ${names}.`), "primary"),
      button("refused-it", "It did not take it …", () => {
        byId("why-box").hidden = false;
        byId("why").focus();
      }),
      installed ? null : button("put-in", "It is in, not tried yet", () => tell("installed", `${names} is in ${label}.`)),
    ),
    h(
      "form",
      { id: "why-box", hidden: true, onsubmit: refuse },
      h("label", { for: "why" }, "What did the unit show, word for word?"),
      h("input", { id: "why", type: "text", required: true, maxlength: 2000, autocomplete: "off" }),
      h("button", { type: "submit" }, "Log that it did not take it"),
    ),
    h("p", { class: "field-error", id: "carry-error", role: "alert" }),
  ];
}

function button(id, words, onclick, kind = "") {
  return h("button", { type: "button", id, class: kind, onclick }, words);
}
