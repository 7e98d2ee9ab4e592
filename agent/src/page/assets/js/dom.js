// Makes elements. No markup is ever parsed from text, so nothing that came from a device, a configuration or a person can
// become part of the page's structure. Knows nothing of points or alarms.

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element. `on…` are listeners, `class`/`text`/`hidden` as said, `null` leaves out; children may be nested lists. */
export function h(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/** An SVG element, the same way. */
export function s(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "text") element.textContent = value;
    else if (value === true) element.setAttribute(name, "");
    else element.setAttribute(name, String(value));
  }
  append(element, children);
  return element;
}

function append(element, children) {
  for (const child of children) {
    if (child === null || child === undefined || child === false) continue;
    if (Array.isArray(child)) append(element, child);
    else element.append(child);
  }
}

/** A path that may be broken where a person would break it: behind its slashes. */
export const breaking = (path) => path.split(/(?<=\/)/).flatMap((part, n) => (n ? [h("wbr"), part] : [part]));

/** Replaces what an element holds. */
export function fill(element, ...children) {
  element.replaceChildren();
  append(element, children);
  return element;
}

/** Sets text only where it differs: a screen reader then hears only what has changed. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Sets an attribute only where it differs: the browser then has nothing to reckon anew. */
export function put(element, name, value) {
  const text = String(value);
  if (element.getAttribute(name) !== text) element.setAttribute(name, text);
}

/** Sets one of several classes with a common beginning. */
export function pick(element, beginning, word) {
  const wanted = word ? beginning + word : null;
  for (const name of [...element.classList]) if (name !== wanted && name.startsWith(beginning)) element.classList.remove(name);
  if (wanted) element.classList.add(wanted);
}
