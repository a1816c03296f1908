// Elements made in one line; all text goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(made, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) {
      made.setAttribute(name, String(value));
    }
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return made;
}

export const element = (name, attributes = {}, ...children) =>
  fill(document.createElement(name), attributes, children);

export const shape = (name, attributes = {}, ...children) =>
  fill(document.createElementNS(SVG, name), attributes, children);

export const byId = (id) => document.getElementById(id);

let clearing = 0;

// A sentence that is shown and read out; faults stay, other words go after a while.
export function say(words, { fault = false } = {}) {
  const line = byId("said");
  line.textContent = words;
  line.classList.toggle("fault", fault);
  clearTimeout(clearing);
  if (!fault) clearing = setTimeout(() => (line.textContent = ""), 6000);
}

export const sayFault = (error) => {
  if (error.name !== "AbortError") say(error.message, { fault: true });
};
