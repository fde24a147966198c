/* Makers of elements. The page's policy forbids style attributes: style goes through the style object. */
const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === "on") for (const [event, act] of Object.entries(value)) node.addEventListener(event, act);
    else if (key === "style") for (const [name, v] of Object.entries(value)) node.style.setProperty(name, v);
    else node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export function el(name, attributes = {}, ...children) {
  return fill(document.createElement(name), attributes, children);
}

export function svg(name, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

export function button(text, act, attributes = {}) {
  return el("button", { type: "button", ...attributes, on: { click: act } }, text);
}

/* Sets the text only where it differs, so that a screen reader does not hear it again. */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export const calm = matchMedia("(prefers-reduced-motion: reduce)");
