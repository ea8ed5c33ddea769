// Elements made from values. Text is always text: nothing here reads HTML.

/** Return an element. `on...` are listeners, true is an attribute without a value, null and false leave it out. */
export function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value);
  }
  element.append(...present(children));
  return element;
}

/** Put children in the place of those an element has, and the focus back where it was, by the element's id. */
export function fill(element, ...children) {
  const focused = element.contains(document.activeElement) ? document.activeElement.id : null;
  element.replaceChildren(...present(children));
  if (focused === null) return;
  const again = focused ? document.getElementById(focused) : null;
  (again ?? document.getElementById("work-title")).focus();
}

/** Return a word in its tone, with the mark that repeats it for the eye. */
export function said(word, tone) {
  return h("span", { class: `said ${tone}` }, h("span", { class: "mark", "aria-hidden": "true" }), word);
}

export const byId = (id) => document.getElementById(id);

function present(children) {
  return children.flat(2).filter((child) => child !== null && child !== undefined && child !== false && child !== "");
}
