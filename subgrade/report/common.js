// Small builders of every page. Text reaches a page as text only.
const SVG = "http://www.w3.org/2000/svg";

const byId = (id) => document.getElementById(id);

function make(tag, options = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(options)) {
    if (name === "on") for (const [event, act] of Object.entries(value)) element.addEventListener(event, act);
    else if (name === "data") Object.assign(element.dataset, value);
    else if (name.startsWith("aria")) element.setAttribute(`aria-${name.slice(4).toLowerCase()}`, value);
    else if (name in element && name !== "list") element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

function draw(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

const known = (value) => value !== null && value !== undefined;

function number(value, digits = 2, unit = "") {
  if (!known(value)) return "–";
  const space = !unit || ["″", "′", "°", "%"].some((sign) => unit.startsWith(sign)) ? "" : " ";
  return `${value.toFixed(digits)}${space}${unit}`;
}

// Few digits, as a person writes a number; a small one keeps two figures.
function short(value, unit = "") {
  if (!known(value)) return "";
  return number(value, digitsOf(value, unit), unit);
}

function digitsOf(value, unit = "") {
  const size = Math.abs(value);
  if (["frames", "stars", "steps"].includes(unit) || size >= 100) return 0;
  if (size < 0.095 && size > 0.0005) return size < 0.0095 ? 4 : 3;
  return size >= 10 ? 1 : 2;
}

function duration(seconds) {
  if (seconds < 60) return `${Math.round(seconds)} s`;
  const minutes = Math.round(seconds / 60);
  const hours = Math.floor(minutes / 60);
  return hours ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : `${minutes} min`;
}

const count = (n, one, many = `${one}s`) => `${n} ${n === 1 ? one : many}`;

// Draws a place anew; what had the focus there has it again, so that Tab goes on from it.
function renew(place, ...parts) {
  const held = place.contains(document.activeElement) ? document.activeElement.dataset.hold : null;
  place.replaceChildren(...parts.filter(Boolean));
  const again = held && [...place.querySelectorAll("[data-hold]")].find((e) => e.dataset.hold === held && !e.disabled);
  if (again) again.focus({preventScroll: true});
}

function switchTheme() {
  const root = document.documentElement;
  const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  root.dataset.theme = dark ? "light" : "dark";
}
